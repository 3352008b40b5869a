"""R2, R9, R15: one pulse: its length, what stops it, what is booked of one cut off, the saucer."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

from core_edges import begun, facts, kept, pot

from wakecore import fields, flowmeter, number, plan, rules, run, state, wake
from wakewell.sequences import bench_pot


def test_the_length_of_a_pulse() -> None:
    left = {"unanswered_left_ul": 150000}

    def length(ul: int, made: Any = None, **changes: Any) -> int:
        asking: Any = SimpleNamespace(
            **{"level_ml": 1000, "reserve_ml": 80, "day_left_ml": 400, **left, **changes}
        )
        return int(plan.pulse_ms(ul, asking, made or pot()))

    assert length(40000) == length(99000) == 2000, "40 ml at 20 ml a second"
    assert length(20001) == 1001, "rounded up"
    assert length(4000) == 200
    assert length(3980) == 0, "not worth a start"
    assert length(40000, level_ml=100) == 1000
    assert length(40000, level_ml=84) == 200
    assert length(40000, level_ml=83) == length(40000, level_ml=80) == 0
    assert length(40000, level_ml=None) == length(0) == 0
    assert length(40000, day_left_ml=25) == 800, "25 ml at 25 ml a second, less the overrun"
    assert length(40000, day_left_ml=10) == 200
    assert length(40000, unanswered_left_ul=30000) == 1500, "what the soil must answer first"
    assert length(40000, unanswered_left_ul=3000) == length(40000, unanswered_left_ul=0) == 0
    assert length(40000, day_left_ml=9) == 0
    assert length(90000, pot({"pulse_ml": 140})) == 4500
    assert length(140000, pot({"pulse_ml": 140})) == 5000, "the hard limit"
    float_only = pot(calibration={"float_only": 1})
    assert length(40000, float_only, level_ml=1) == 2000
    still = pot()
    still.calibration.flow_ul_s = 0
    assert length(40000, still) == 0


def test_the_watch_list_of_a_run() -> None:
    made = pot({"reserve_ml": 80}, {"reserve_ml": 50, "dry_ms": 1600})
    found = run.prepare(2000, 1000, 400, made)
    rows = {(row[0], row[1]): row[2:] for row in found.rows}
    unread = run.UNREAD - 1
    assert rows["battery lost", run.PLACES["battery"]] == (1, unread, 0, 2)
    assert rows["level lost", run.PLACES["level"]] == (1, unread, 0, 2)
    # Half a unit before a value its reading is rounded up to it
    assert rows["sag", run.PLACES["battery"]] == (-1, -(1250000 + 500 * 500 - 250), 0, 2)
    assert rows["reserve", run.PLACES["level"]][1:] == (-(500000 + 79500), 0, 2)
    assert rows["no flow", run.PLACES["level"]] == (1, 500000 + 991500 - 1, 1600, 2), "8 of 1000 ml"
    assert rows["saucer lost", run.PLACES["saucer"]] == (1, unread, 0, 2)
    assert rows["wet", run.PLACES["saucer"]] == (1, 999500 - 1, 0, 2)
    assert ("no load", run.PLACES["current"]) in rows
    assert found.pulse_ms == 2000
    falls = {row[0]: row for row in found.rows if row[0] in ("fast fall", "day")}
    # Twice the highest flow for 2 s is 100 ml, and two readings 5 ml off; the day leaves 400 ml
    assert falls["fast fall"] == ("fast fall", run.PLACES["level"], -1, -(500000 + 889500), 0, 2)
    assert falls["day"] == ("day", run.PLACES["level"], -1, -(500000 + 594500), 0, 2)
    assert [row for row in found.rows if row[0] == "no load"] == [
        ("no load", run.PLACES["current"], 1, unread, 0, 2),
        ("no load", run.PLACES["current"], -1, -(200000 + 99500), 600, 3),
    ]
    low = {row[0] for row in run.prepare(2000, 110, 400, made).rows}
    assert not {"fast fall", "day"} & low
    low = {row[0] for row in run.prepare(2000, 111, 105, made).rows}
    assert {"fast fall", "day"} <= low
    assert "day" not in {row[0] for row in run.prepare(2000, 111, 106, made).rows}
    odd = run.prepare(2001, 1000, 400, made)
    assert {row[0]: row for row in odd.rows}["fast fall"][3] == -(500000 + 888500), "rounded up"
    kept = {"ran_ms": 0, "ms": [], "level": [], "battery": []}
    plain = run.prepare(2000, 1000, 400, pot(probes=()))
    found.end(0)
    plain.end(0)
    assert found.record() == {**kept, "current": [], "saucer": []}
    assert plain.record() == kept
    bare = {row[0] for row in run.prepare(2000, 1000, 400, pot(probes=())).rows}
    assert not bare & {"no load", "saucer lost", "wet"}
    coarse = run.prepare(2000, 1000, 400, pot(calibration={"tolerance_ml": 8}))
    assert "no flow" not in {row[0] for row in coarse.rows}
    fine = run.prepare(2000, 1000, 400, pot(calibration={"tolerance_ml": 7}))
    assert "no flow" in {row[0] for row in fine.rows}
    switch = run.prepare(2000, 1000, 400, pot(calibration={"float_only": 1}))
    assert not {"no flow", "fast fall"} & {row[0] for row in switch.rows}
    undriven = run.prepare(2000, 1000, 400, pot(calibration={"dry_ma": 0}))
    assert [row[0] for row in undriven.rows].count("no load") == 1
    assert [row[0] for row in found.rows].count("no load") == 2


def test_what_a_flow_meter_ends() -> None:
    """Six pulses a millilitre, 20 ml a second: a quarter of what 1.6 s should bring, a millilitre
    more than the day allows, and what is wanted less the sample that must see it too."""
    made = pot()
    made.calibration.flowmeter = fields.Probe(((0, 0), (60000, 10000000)), [-1, 120000], 0)
    place = run.PLACES["flowmeter"]
    assert flowmeter.rows(40000, 400, made) == (
        ("no count", place, -1, -48, 1600, 2),
        ("day", place, 1, 2405, 0, 2),
        (run.DELIVERED, place, 1, 221, 0, 2),
    )


def test_a_run_stops_at_its_second_sample_in_a_row() -> None:
    found = run.Run(2000, (("sag", run.PLACES["battery"], -1, -100, 300, 2),))

    def sample(ms: int, counts: int) -> int:
        found.now[run.MS], found.now[run.PLACES["battery"]] = ms, counts
        return int(found.step())

    assert sample(150, 99) == run.KEEP, "not yet"
    assert sample(300, 99) == run.KEEP
    assert sample(450, 100) == run.KEEP, "at the limit is not beyond it"
    assert sample(600, 99) == run.KEEP
    assert found.trip is None
    assert sample(750, 99) == run.STOP
    assert found.trip == "sag"
    assert found.count == 5
    found.end(900, "fault")
    assert (found.trip, found.ran_ms) == ("sag", 900)
    told = found.record()
    assert told == {
        "ran_ms": 900, "ms": [150, 300, 450, 600, 750], "battery": [99, 99, 100, 99, 99],
    }  # fmt: skip
    found = run.Run(2000, (("sag", run.PLACES["battery"], -1, -100, 300, 2),))
    assert (found.count, found.trip, found.ran_ms, found.most) == (0, None, 0, 15)
    assert list(found.now) == [run.UNREAD] * len(run.CHANNELS)
    assert list(found.hits) == [0]
    assert [row[0] for row in found.watched] == [run.PLACES["battery"]]
    assert [sample(300, 99), sample(301, 99)] == [run.KEEP, run.STOP], "from 300 ms on"
    assert run.Run(30000, ()).most == run.Run(40000, ()).most == run.MOST_SAMPLES == 202
    two = run.Run(
        2000,
        (
            ("sag", run.PLACES["battery"], -1, -100, 0, 2),
            ("wet", run.PLACES["saucer"], 1, 50, 0, 2),
        ),
    )
    two.now[run.MS] = 0
    for wet, answer in ((51, run.KEEP), (50, run.KEEP), (51, run.KEEP), (51, run.STOP)):
        two.now[run.PLACES["battery"]], two.now[run.PLACES["saucer"]] = 100, wet
        assert two.step() == answer
    assert two.trip == "wet"
    still = run.Run(450, ())
    still.now[run.MS] = 100
    assert [still.step() for _ in range(5)] == [run.KEEP] * 4 + [run.STOP]
    assert still.trip == "full"
    for told_ms, ran_ms in ((100, 750), (599, 750), (600, 600), (601, 601), (900, 900)):
        still.end(told_ms)
        assert still.ran_ms == ran_ms, "samples count where the clock stands still"
    plain = run.Run(450, ())
    plain.now[run.MS] = 449
    assert plain.step() == run.KEEP
    plain.now[run.MS] = 450
    assert plain.step() == run.DONE
    plain.end(450)
    assert plain.trip is None
    plain.end(450, "fault")
    assert plain.trip == "fault"


def test_an_open_pulse_is_counted() -> None:
    made = pot({"wake_s": 86400}, {"interrupts": 2}, {"tolerance_ml": 5})

    def found(level_ml: int | None, cut: Any = None, **changes: Any) -> tuple[Any, Any]:
        was = kept(**{"since_dose_s": 900, "look_ml": 900, "before_ppt": 5, **changes})
        now = begun(cut or made, was)
        now.level_ml = level_ml
        wake.look_at_open_pulse(was, now, cut or made)
        return was, now

    was, now = found(800)
    assert (was.look_ml, was.since_dose_s, was.phase) == (900, 900, 0)
    assert (now.due, now.pulse_cut_off) == (1, 0)
    assert now.regular
    was, now = found(900, open_ms=1800, plan_ul=7)
    assert not now.regular
    assert was.mls[0] == 50, "2000 ms with the overrun, at the highest flow"
    assert (was.open_ms, was.since_dose_s, was.interrupts, was.plan_ul) == (0, 0, 1, 0)
    assert (was.before_ppt, was.look_ml, was.lockouts) == (5, 900, 0), "the question stays open"
    assert (now.due, now.pulse_cut_off, was.phase) == (False, True, state.FIRST_LOOK)
    assert found(800, open_ms=1800)[0].mls[0] == 100, "the level says more"
    blind = found(None, open_ms=1800)[0]
    assert (blind.mls[0], blind.look_ml) == (50, -1)
    assert found(0, open_ms=1800, look_ml=-1)[0].mls[0] == 50
    assert [found(5, open_ms=1800, look_ml=ml)[0].look_ml for ml in (-1, 0)] == [-1, 0]
    assert found(0, open_ms=1800, look_ml=0)[0].mls[0] == 50
    assert found(0, pot(calibration={"float_only": 1}), open_ms=1800)[0].mls[0] == 50
    was, _ = found(900, open_ms=1, interrupts=1)
    rules.latch_counts(was, made.limits)
    assert was.lockouts == rules.BITS["interrupted"]
    assert found(900, open_ms=1, interrupts=100)[0].interrupts == 100


def test_phases_follow_one_another() -> None:
    made = pot({"pulse_ml": 40})
    for was, looks, level_ml, then in (
        (1, 0, 9, 2), (2, 0, 9, 3), (3, 0, 9, 0), (0, 0, 9, 0), (0, 1, 9, 2), (2, 1, 9, 2),
        (3, 1, 9, 2), (3, 1, None, 0), (2, 1, None, 3), (3, 2, 9, 0), (1, 1, 9, 2),
    ):  # fmt: skip
        for name in ("leak_looks", "fill_looks"):
            phase = kept(phase=was, plan_ul=5, **{name: looks})
            wake.next_phase(phase, facts(level_ml=level_ml, level_steady=not looks), made)
            assert phase.phase == then, (was, looks, level_ml)
            assert phase.plan_ul == (0 if was == 1 else 5)
            assert phase.doubts == (1 if looks == 1 and was != 1 and level_ml else 0)
    assert [ended(kept(phase=1, plan_ul=ul), made).unmet for ul in (20000, 20001)] == [0, 1]
    for phase, steady, doubts in ((3, True, 0), (3, False, 3), (2, True, 3)):
        was = kept(phase=phase, leak_looks=1, doubts=3)
        wake.next_phase(was, facts(level_steady=steady), made)
        assert was.doubts == doubts, "three doubts in a row, then a regular wake comes"


def ended(was: Any, made: Any) -> Any:
    """The state after the soak of a dose of which no more can be given."""
    wake.next_phase(was, facts(), made)
    return was


def test_a_pulse_is_booked_when_it_ends() -> None:
    def end(
        ran_ms: int = 2000, after_ml: int | None = 960, trips: tuple[str, ...] = (),
        made: Any = None, last_ml: int | None = None, spread: int = 0,
        **changes: Any,
    ) -> tuple[Any, dict[str, Any], list[str]]:  # fmt: skip
        made = made or pot({}, {"pulses": 8, "dry_trips": 3}, {"tolerance_ml": 5})
        was = kept(**{"look_ml": 1000, "look_s": 9, "plan_ul": 90000, "open_ms": 5, **changes})
        now: Any = SimpleNamespace(level_ml=1000)
        last = run.UNREAD if last_ml is None else 500000 + 1000 * last_ml
        ran: Any = SimpleNamespace(ran_ms=ran_ms, last=lambda _: last)
        after = {} if after_ml is None else {"level": [500000 + 1000 * after_ml, spread]}
        found = list(trips)
        return was, wake.end_pulse(was, now, made, ran, after, found), found

    was, water, trips = end(interrupts=1, dry_trips=2, before_ppt=7, since_dose_s=5)
    assert water == {"counted_ml": 50, "given_ul": 40000, "fall_ml": 40}
    assert (was.mls[0], was.given_ul, was.plan_ul, was.pulses) == (50, 40000, 50000, 1)
    assert (was.open_ms, was.since_dose_s, was.look_ml, was.look_s) == (0, 0, 960, 0)
    assert (was.phase, was.interrupts, was.dry_trips, was.before_ppt) == (state.SOAK, 1, 0, 7)
    assert (trips, was.lockouts) == ([], 0)

    was, water, _ = end(after_ml=None)
    assert water == {"counted_ml": 50, "given_ul": 40000, "fall_ml": None}
    assert was.look_ml == -1
    was, _, _ = end(look_ml=990)
    assert was.look_ml == 960

    was, _, _ = end(plan_ul=40000, interrupts=1)
    assert (was.phase, was.plan_ul, was.interrupts) == (state.FIRST_LOOK, 0, 0)
    was, _, _ = end(plan_ul=40001)
    assert (was.phase, was.plan_ul) == (state.SOAK, 1)
    for pulses, phase in ((6, state.SOAK), (7, state.FIRST_LOOK)):
        assert end(pulses=pulses)[0].phase == phase
    assert end(pulses=100)[0].pulses == 100
    assert end(given_ul=number.SMALL_MAX)[0].given_ul == number.SMALL_MAX

    was, _, trips = end(after_ml=999, dry_trips=1, before_ppt=7)
    assert (trips, was.dry_trips, was.before_ppt, was.lockouts) == (["no flow"], 2, -1, 0)
    assert was.phase == state.FIRST_LOOK
    was, _, trips = end(after_ml=999, dry_trips=2)
    assert (trips, was.lockouts) == (["no flow"], rules.BITS["dry run"])
    was, _, trips = end(after_ml=999, trips=("sag",), dry_trips=1)
    assert (trips, was.lockouts) == (["sag"], rules.BITS["battery low"])
    assert was.dry_trips == 2, "the level shows no water, whatever ended the pulse"
    was, _, trips = end(ran_ms=100, after_ml=999, dry_trips=1)
    assert (trips, was.dry_trips, was.proof_ul, was.proof_pulses) == ([], 1, 2000, 1)
    assert was.proof_ml == 1000
    was, _, trips = end(ran_ms=100, after_ml=999, look_ml=1005)
    assert was.proof_ml == 1005, "rested readings say better what the tank held"
    was, _, trips = end(ran_ms=100, after_ml=999, look_ml=500, fill_looks=1, odd_ml=1000)
    assert (was.proof_ml, was.filled_ml) == (1000, 999), "a refill in this very wake"
    was, _, _ = end(unanswered_ul=7)
    assert was.unanswered_ul == 40007
    was, _, _ = end(unanswered_ul=number.SMALL_MAX)
    assert was.unanswered_ul == number.SMALL_MAX
    for plan_ul, unmet in ((60000, 0), (60001, 1)):
        assert end(plan_ul=plan_ul, trips=("sag",))[0].unmet == unmet, "half a pulse is missing"
        assert end(plan_ul=plan_ul)[0].unmet == 0
    for ran_ms, unmet in ((1000, 0), (1001, 1)):
        was, _, _ = end(ran_ms, 1000, trips=("no load",), plan_ul=20 * ran_ms)
        assert was.unmet == unmet, "what showed no water gave nothing of the dose"
    for trip in ("no flow", "no load", "level lost", "fault"):
        was, _, _ = end(100, trips=(trip,), proof_pulses=3, proof_ul=7, before_ppt=7, dry_trips=100)
        assert (was.proof_pulses, was.proof_ul, was.before_ppt) == (0, 0, -1), trip
        assert (was.dry_trips, was.lockouts) == (100, rules.BITS["dry run"]), trip
    for trip, lockout in (
        ("sag", "battery low"), ("battery lost", "battery low"), ("wet", "saucer wet"),
    ):  # fmt: skip
        was, _, _ = end(trips=(trip,), interrupts=1, before_ppt=7)
        assert (was.lockouts, was.phase) == (rules.BITS[lockout], state.FIRST_LOOK), trip
        assert (was.interrupts, was.before_ppt) == (0, 7)
    assert end(trips=("reserve",))[0].dry_trips == 0
    # A fast fall that the level after it does not bear out is for the looks
    for after_ml, lockouts in ((889, 4), (890, 0), (None, 4)):
        assert end(after_ml=after_ml, trips=("fast fall",))[0].lockouts == lockouts
    was, water, _ = end(after_ml=960, fill_looks=1, look_ml=950, trips=("fast fall",))
    assert (was.lockouts, water["fall_ml"]) == (0, -10), "the reading before it was too high"
    was, water, _ = end(after_ml=961, fill_looks=1, look_ml=950, odd_ml=1000)
    assert (was.filled_ml, water["fall_ml"]) == (961, 39), "somebody filled"
    was, water, trips = end(after_ml=1011, dry_trips=2)
    assert water == {"counted_ml": 50, "given_ul": 40000, "fall_ml": None}
    assert (trips, was.dry_trips, was.proof_pulses) == ([], 2, 1), "nor does it prove a dry run"

    assert end(pulses=3, since_dose_s=5)[0].since_dose_s == 0, "counted from the last pulse"
    was, _, _ = end(100, 999, trips=("wet",))
    assert (was.proof_ul, was.proof_pulses) == (2000, 1), "a tripped pulse counts in the proof"
    was, water, _ = end(after_ml=1010)
    assert (water["fall_ml"], was.look_ml) == (-10, 1000)
    assert end(spread=1 << 20)[1]["fall_ml"] is None, "a reading that flickers is none"
    was, _, _ = end(trips=("fault",), given_ul=7, before_ppt=7)
    assert (was.given_ul, was.before_ppt) == (7, 7), "what an earlier pulse gave is answered for"

    # Twice 25 ml/s for 2 s, and 5 ml twice; what is gone beyond that is for the looks
    for ran_ms, after_ml, look_ml in ((2000, 890, 890), (2000, 889, 890), (300, 889, 975)):
        was, water, _ = end(ran_ms, after_ml, trips=("day",))
        assert (water["fall_ml"], was.look_ml, was.lockouts) == (1000 - after_ml, look_ml, 0)
    assert end(after_ml=None, last_ml=950)[0].look_ml == 950, "what the run saw last"
    assert end(after_ml=960, last_ml=950)[0].look_ml == 960
    exact = pot({}, {}, {"level": {**bench_pot.CALIBRATION["level"], "spread": 0}})
    assert end(made=exact, after_ml=None, last_ml=950)[0].look_ml == 950

    switch = pot({}, {}, {"float_only": 1})
    was, water, _ = end(made=switch, dry_trips=2)
    assert (water["fall_ml"], was.look_ml, was.dry_trips) == (None, -1, 0)
    assert end(made=switch, dry_trips=1, trips=("wet",))[0].dry_trips == 1
    assert end(made=switch, dry_trips=1, trips=("reserve",))[0].dry_trips == 2
    blind = pot({}, {}, {"float_only": 1}, probes=())
    assert end(made=blind, dry_trips=2)[0].dry_trips == 2


def test_a_wet_saucer_between_pulses() -> None:
    for saucer, phase, lockouts in (("wet", 0, 0), ("wet", 1, 32), ("wet", 3, 32), ("dry", 2, 0)):
        was = kept(phase=phase)
        now: Any = SimpleNamespace(saucer=saucer)
        wake.look_at_saucer(was, now)
        assert was.lockouts == lockouts, (saucer, phase)


def test_a_microlitre_of_a_trickle_is_a_pulse() -> None:
    """At a microlitre a second it takes a second, more than the least pulse; none takes none."""
    made = pot({}, {}, {"flow_ul_s": 1})
    asking = facts(level_ml=900, reserve_ml=80, day_left_ml=400, unanswered_left_ul=150000)
    assert [plan.pulse_ms(ul, asking, made) for ul in (-1, 0, 1)] == [0, 0, 1000]
