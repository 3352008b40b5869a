"""What must hold of every life of a pot, judged from what really happened.

Each oracle carries the number of a requirement in the project's list. It looks at the truth the
world kept (real time, real water, the readings given) and at the commands, not at the core's own
account, and it is separate code: none of it calls the core.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator
from fractions import Fraction
from typing import Any

from core_world import DAY_MS, HARDWARE_MS, SAMPLE_MS, Outcome, Start, exact

IDLE = 0  # what storage says between doses

Oracle = Callable[[list[Outcome], Any], None]
ORACLES: dict[str, Oracle] = {}


def oracle(name: str) -> Callable[[Oracle], Oracle]:
    """Put a function on the list under its requirement's number."""

    def add(function: Oracle) -> Oracle:
        ORACLES[name] = function
        return function

    return add


def judge(history: list[Outcome], pot: Any) -> None:
    """All oracles over one life."""
    for name, function in ORACLES.items():
        try:
            function(history, pot)
        except AssertionError as wrong:
            raise AssertionError(f"{name}: {wrong}") from wrong


def starts(history: list[Outcome]) -> Iterator[tuple[int, Outcome, Start]]:
    """Every run of the pump, with its wake and that wake's place."""
    for n, wake in enumerate(history):
        if wake.start:
            yield n, wake, wake.start


def shown(pot: Any, wake: Outcome, name: str) -> Fraction | None:
    """What a probe shows, None if it must not be believed."""
    probe = getattr(pot.calibration, name)
    reading = wake.readings.get(name)
    if probe is None or reading is None:
        return None
    counts, spread = reading
    if not probe.rail_low < counts < probe.rail_high or spread > probe.spread:
        return None
    width = probe.points[-1][0] - probe.points[0][0]
    if not -width <= 20 * (counts - probe.points[0][0]) <= 21 * width:
        return None
    return exact(probe.points, counts)


def pressed(wake: Outcome) -> bool:
    """A press that may be a request of the owner, or a person with the cable."""
    return wake.begin["button_ms"] >= 2000 or bool(wake.begin["host"])


@oracle("R1 off")
def off(history: list[Outcome], pot: Any) -> None:
    for n, wake in enumerate(history):
        pump = [c for c in wake.commands if c in ("off", "on", "cut")]
        assert wake.commands[0] == "off", f"wake {n} began with {wake.commands[0]}"
        assert pump[-1] != "on", f"wake {n} ended with the pump on"
        assert pump.count("on") <= 1, f"wake {n} ran the pump twice"
        if "on" in pump:
            at = pump.index("on")
            assert pump[at - 1] == "off", f"wake {n}: no off before the pulse"
            assert pump[at + 1] in ("off", "cut"), f"wake {n}: no off after the pulse"


@oracle("R2 pulse length")
def pulse_length(history: list[Outcome], pot: Any) -> None:
    most_ms = pot.limits.pulse_ms + HARDWARE_MS
    for n, _, start in starts(history):
        ran_ms = start.end_ms - start.begin_ms
        slack_ms = SAMPLE_MS if start.stuck else 0
        assert ran_ms <= most_ms + slack_ms, f"wake {n} pumped {ran_ms} ms, allowed {most_ms}"


@oracle("R3 water of a day")
def water_of_a_day(history: list[Outcome], pot: Any) -> None:
    """No 24 real hours hold more than the limit, whichever moment they begin at.

    A window that begins while run i is on (or before it) and reaches no further than 24
    hours past its end holds at most the runs counted here in full.
    """
    runs = [start for _, _, start in starts(history)]
    for i, first in enumerate(runs):
        inside = [r for r in runs[i:] if r.begin_ms < first.end_ms + DAY_MS]
        # A clock that stands still cannot be told within one sample
        moved_ul = sum(r.moved_ul - r.stuck * SAMPLE_MS * r.flow_ul_s // 1000 for r in inside)
        assert moved_ul <= pot.limits.day_ml * 1000, (
            f"{moved_ul} ul in 24 hours from {first.begin_ms} ms on, allowed {pot.limits.day_ml} ml"
        )


@oracle("R4 tank")
def tank(history: list[Outcome], pot: Any) -> None:
    reserve_ml = max(pot.limits.reserve_ml, pot.settings.reserve_ml)
    for n, wake, start in starts(history):
        level = shown(pot, wake, "level")
        assert level is not None, f"wake {n} pumped without a level"
        assert level > reserve_ml - 1, f"wake {n} pumped at {float(level)} ml"
        assert start.tank_ml > reserve_ml - 1, f"wake {n} pumped at {float(start.tank_ml)} ml"


@oracle("R4 R5 R15 trips")
def trips(history: list[Outcome], pot: Any) -> None:
    """What makes a run dangerous is seen in two samples, however long the pulse is."""
    for n, wake, start in starts(history):
        ran_ms = start.end_ms - start.begin_ms
        for what in ("sag", "battery", "level", "wet"):
            danger = wake_has(wake, "pump", what)
            if danger and (what != "wet" or pot.calibration.saucer):
                most_ms = danger[2] + 2 * SAMPLE_MS + HARDWARE_MS
                assert ran_ms <= most_ms, f"wake {n}: {what} at {danger[2]} ms, ran {ran_ms} ms"


@oracle("R5 battery")
def battery(history: list[Outcome], pot: Any) -> None:
    settings = pot.settings
    floor_mv = max(settings.battery_mv, pot.limits.rest_mv)
    full_mv = 2 * settings.battery_clear_mv - floor_mv
    low, lows, clear = False, 0, 0
    for n, wake in enumerate(history):
        if wake.rolled_back:
            low, lows = False, 0  # storage lost the latch; R11 judges that
        mv = shown(pot, wake, "battery")
        charging = wake.begin["host"] or pressed(wake)
        free = pot.settings.mains or (
            pot.calibration.charger is not None and shown(pot, wake, "charger") == 0
        )
        if mv is not None and mv < floor_mv - 1:
            lows, clear = lows + 1, 0
            low = low or lows >= 2
        elif mv is not None and mv > floor_mv + 1:
            lows = 0
        if mv is not None and mv > settings.battery_clear_mv - 1 and free:
            clear += settings.battery_clear_wakes if mv > full_mv - 1 else 1
        elif mv is None or mv < settings.battery_clear_mv - 1:
            clear = 0
        if low and (clear >= settings.battery_clear_wakes or charging):
            low = False
        if wake.start:
            assert mv is not None, f"wake {n} pumped without a battery reading"
            assert mv > floor_mv - 1, f"wake {n} pumped at {float(mv)} mV at rest"
            assert not low, f"wake {n} pumped before the cell was surely charged"
        if not wake.stored:
            low, lows = False, 0


@oracle("R5 R13 R17 radio")
def radio(history: list[Outcome], pot: Any) -> None:
    """Only if asked for, with the cell above its least voltage, once, and after all else.

    A wake in which a lockout latched, the battery reading was lost, or the plant is to be watered
    by hand, may report once below it. While the settings are lost, it may be asked for.
    """
    latched: list[str] = []
    thirst_told = False
    known_mv: Fraction | None = None
    for n, wake in enumerate(history):
        mv = shown(pot, wake, "battery")
        was, lost = latched, mv is None and known_mv is not None
        known_mv = known_mv if mv is None else mv
        if wake.record is not None:
            latched = wake.record["lockouts"]
        thirsty = wake.record is not None and "water by hand" in wake.record["needs"]
        thirst_told = thirst_told and thirsty and wake.begin.get("radio", "heard") == "heard"
        if "report" not in wake.commands:
            continue
        word, thirst_told = thirsty and not thirst_told, thirsty
        if set(latched) - set(was) or lost or word:
            assert known_mv is not None, f"wake {n}: radio without ever a battery reading"
            assert known_mv > pot.limits.rest_mv - 1, f"wake {n}: radio below the hard limit"
            continue
        asked = pot.settings.radio_wakes > 0 or wake.begin["settings"] == "default"
        assert asked, f"wake {n}: radio though nobody asked for it"
        assert mv is not None, f"wake {n}: radio without a battery reading"
        assert mv > max(pot.limits.radio_mv, pot.settings.battery_mv) - 1, f"wake {n}: radio low"
        assert wake.commands[-2:] == ["report", "sleep"], f"wake {n}: {wake.commands}"
        assert wake.record is not None, f"wake {n}: radio before the log line"
        assert "battery low" not in wake.record["lockouts"], f"wake {n}: radio under the lockout"


@oracle("R6 R14 who may ask")
def who_may_ask(history: list[Outcome], pot: Any) -> None:
    """Soil that is not believed, or a pot not commissioned, gets upkeep or a person's dose."""
    settings, cal = pot.settings, pot.calibration
    manual = False
    last_dose_ms: int | None = None
    for n, wake in enumerate(history):
        if not wake.start:
            continue
        new = wake.truth["phase"] == IDLE
        if new:
            manual = wake.begin["button_ms"] >= 2000
        assert cal.stage > 0, f"wake {n} pumped a pot that is not commissioned"
        assert pot.match, f"wake {n} pumped with files that do not match"
        cold = shown(pot, wake, "temperature")
        soil = shown(pot, wake, "soil")
        believed = soil is not None and (cold is None or cold > pot.limits.cold_mc - 1)
        if cal.stage == 1 or not (believed or manual):
            assert settings.upkeep_ml, f"wake {n} pumped without a believed soil"
            assert start_ul(wake, pot) <= settings.upkeep_ml * 1000 + cal.flow_ul_s // 1000
            if new and last_dose_ms is not None:
                least_ms = settings.upkeep_days * DAY_MS * (1000 - pot.limits.clock_ppt) // 1000
                gap_ms = wake.start.begin_ms - last_dose_ms
                assert gap_ms >= least_ms, f"wake {n}: upkeep {gap_ms} ms after the last dose"
        if new:
            last_dose_ms = wake.start.begin_ms


@oracle("R6 only where dry")
def only_where_dry(history: list[Outcome], pot: Any) -> None:
    """A dose that nobody asked for begins at or below the refill point (FAO-56, equation 83)."""
    settings, cal = pot.settings, pot.calibration
    if settings.upkeep_ml:
        return
    available = Fraction(cal.capacity_ppt - cal.wilting_ppt)
    refill = cal.capacity_ppt - available * settings.depletion_ppt / 1000
    for n, wake, _ in starts(history):
        if wake.truth["phase"] == IDLE and wake.begin["button_ms"] < 2000:
            soil = shown(pot, wake, "soil")
            assert soil is not None, f"wake {n} watered without a soil reading"
            assert soil <= refill + 1, f"wake {n} watered at {float(soil)} ppt"


@oracle("R9 begun")
def begun(history: list[Outcome], pot: Any) -> None:
    in_a_row = 0
    for n, wake in enumerate(history):
        if wake.rolled_back or pressed(wake):
            in_a_row = 0
        if not wake.start:
            continue
        at = wake.commands.index("on")
        assert wake.commands[at - 1] == "store", f"wake {n}: {wake.commands[at - 1]} before the run"
        assert wake.start.stored_open_ms >= wake.start.commanded_ms > 0, f"wake {n}: not as begun"
        assert in_a_row < pot.limits.interrupts, f"wake {n}: {in_a_row} runs were cut off"
        in_a_row = in_a_row + 1 if wake.start.cut else 0
        if not wake.stored:
            in_a_row = 0
    for before, wake in itertools.pairwise(history):
        if before.start and before.start.cut and wake.record and not wake.rolled_back:
            booked_ml = wake.record["water"]["day_ml"]
            assert booked_ml * 1000 >= before.start.moved_ul, "a run cut off was not counted"


@oracle("R9 R11 storage")
def storage(history: list[Outcome], pot: Any) -> None:
    lost = damaged = False
    for n, wake in enumerate(history):
        begin = wake.begin
        if wake.rolled_back:
            lost = damaged = False
        lost = lost or begin["state"] == "lost"
        if pressed(wake):
            lost = False
        if begin["host"]:
            damaged = False
        bad_file = "default" in (begin["settings"], begin["limits"], begin["calibration"])
        damaged = damaged or bad_file
        if wake.start:
            assert not bad_file, f"wake {n} pumped on defaults"
            assert not damaged, f"wake {n} pumped after damage nobody saw to"
            assert not lost, f"wake {n} pumped with a lost state"
            assert begin["pin"] == 1, f"wake {n} pumped without knowing its pin"
            assert begin["boots"] < 3, f"wake {n} pumped after {begin['boots']} unfinished boots"
        if not wake.stored:
            lost = damaged = False


@oracle("R12 button")
def button(history: list[Outcome], pot: Any) -> None:
    """A free button wakes, until twenty presses in a life may be a chattering one (R17)."""
    presses, chatters = 0, False
    for n, wake in enumerate(history):
        if wake.begin["cause"] == "button":
            presses += 1
        chatters = chatters or presses >= 20
        held_ms = wake.begin["button_ms"]
        if wake.begin["cause"] == "button" and held_ms < 2000:
            assert not wake.start, f"wake {n}: a touch of the button pumped"
            assert wake.record, f"wake {n}: a touch of the button left no record"
        if wake.sleep and held_ms >= 15000:
            assert wake.sleep[1] == 0, f"wake {n}: a stuck button may wake the board"
        if wake.sleep and held_ms == 0 and not chatters:
            assert wake.sleep[1] == 1, f"wake {n}: a free button does not wake the board"


@oracle("R13 an end")
def an_end(history: list[Outcome], pot: Any) -> None:
    for n, wake in enumerate(history):
        assert len(wake.commands) <= 12, f"wake {n}: {wake.commands}"
        assert wake.commands[-1] in ("sleep", "cut"), f"wake {n} ended with {wake.commands[-1]}"
        assert sum(c.startswith("store") for c in wake.commands) <= 2
        if wake.sleep:
            longest_s = max(2 * pot.settings.wake_s, 7200)
            if "default" in wake.begin.values():
                longest_s = max(longest_s, 2 * 86400)
            assert 1 <= wake.sleep[0] <= longest_s, f"wake {n} sleeps {wake.sleep[0]} s"


@oracle("R15 saucer")
def saucer(history: list[Outcome], pot: Any) -> None:
    if pot.calibration.saucer is None:
        return
    wet = False
    for n, wake in enumerate(history):
        if wake.rolled_back or pressed(wake):
            wet = False
        if wake.start:
            water = shown(pot, wake, "saucer")
            assert water is not None, f"wake {n} pumped without a saucer reading"
            assert water < pot.calibration.wet_ppt + 1, f"wake {n} pumped into a wet saucer"
            assert not wet, f"wake {n} pumped though the saucer was wet in the last run"
            tripped = wake.record and "wet" in wake.record["trips"]
            wet = bool(tripped) and wake.stored


def wake_has(wake: Outcome, name: str, what: str) -> Any:
    """The mischief of that name and kind in this wake, or None."""
    return next((m for m in wake.mischief if m[:2] == (name, what)), None)


def start_ul(wake: Outcome, pot: Any) -> int:
    """What the run was meant to move at the usual flow."""
    assert wake.start is not None
    ul: int = wake.start.commanded_ms * pot.calibration.flow_ul_s // 1000
    return ul
