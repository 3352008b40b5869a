"""A flow meter: what its pulses say during a run and after it. Loaded only where one is fitted,
because a chip has little memory."""

from wakecore import rules, tank
from wakecore.number import add_capped, muldiv_down
from wakecore.run import DELIVERED, LEAST_EDGES, PLACES, SAMPLE_MS, UNREAD, moved_ul, trip_at_least
from wakecore.state import UNKNOWN
from wakecore.table import convert, counts_at

if False:
    from wakecore.fields import Pot
    from wakecore.judge import Facts
    from wakecore.run import Run
    from wakecore.state import State
    from wakecore.typed import Watch


def rows(ul: int, day_left_ml: int, pot: "Pot") -> "tuple[Watch, ...]":
    """Rows of the watch list for a pulse of `ul` microlitres. It ends when the meter counts less
    than a quarter of the usual flow, more than the day still allows, or all that is wanted."""
    probe, place = pot.calibration.flowmeter, PLACES["flowmeter"]
    assert probe is not None
    dry_ms, flow_ul_s = pot.limits.dry_ms, pot.calibration.flow_ul_s
    least = counts_at(probe.points, muldiv_down(dry_ms, flow_ul_s, 4000))
    wanted_ul = max(1, ul - moved_ul(SAMPLE_MS, flow_ul_s))  # two samples in a row must see it
    return (
        ("no count", place, -1, -max(LEAST_EDGES, least), dry_ms, 2),
        trip_at_least("day", place, probe, 1000 * (day_left_ml + 1), 0, 2),
        trip_at_least(DELIVERED, place, probe, wanted_ul, 0, 2),
    )


def metered_ul(run: "Run", pot: "Pot") -> "int | None":
    """Microlitres through the flow meter in a run; None if there is none or it does not answer."""
    probe, counts = pot.calibration.flowmeter, run.last("flowmeter")
    return None if probe is None or counts == UNREAD else convert(probe.points, counts)


def look(state: "State", facts: "Facts", pot: "Pot") -> None:
    """The flow meter counts with the pump off. At two looks in a row that is a siphon (R8)."""
    state.fill_looks, state.odd_ml = 0, UNKNOWN
    if facts.due:
        state.leak_looks = add_capped(state.leak_looks, 1, 100)
    if state.leak_looks < 2:
        return
    if facts.level_ml is None or pot.calibration.float_only:
        rules.latch(state, "leak")
    else:
        tank.note_leak(state, facts.level_ml, pot)
