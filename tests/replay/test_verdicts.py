"""The verdicts, record by record: what breaks a requirement, and the nearest that does not."""

from __future__ import annotations

import copy
from types import SimpleNamespace
from typing import Any

import pytest

import makelog
from wakecore.run import OVERRUN_MS
from wakewell.log.record import gist_of, wake_of
from wakewell.replay import verdicts
from wakewell.replay.verdicts import Verdict, Verdicts

DAY_S = 86400
LIMITS = {
    "day_ml": 200, "pulse_ms": 6000, "flow_max_ul_s": 20000, "reserve_ml": 100, "rest_mv": 3500,
    "radio_mv": 3700, "response_doses": 3, "dose_ml": 150,
}  # fmt: skip
SETTINGS = {
    "battery_mv": 3500, "battery_clear_mv": 3950, "radio_wakes": 0, "settle_s": 14400,
    "response_ppt": 10, "depletion_ppt": 500, "dose_ml": 20,
}  # fmt: skip
CALIBRATION = {"capacity_ppt": 400, "wilting_ppt": 100, "ul_per_ppt": 1000}  # refill point 250
QUIET: dict[str, Any] = {
    "n": 0,
    "begin": {
        "cause": "timer", "slept_s": DAY_S, "vouched": 1, "boots": 0, "pin": 1, "button_ms": 0,
        "utc": [9800, 0, 0], "host": [], "state": "good", "settings": "good", "limits": "good",
        "calibration": "good",
    },
    "commands": ["off", "rest", "read", "store", "off", "close", "sleep 86400 button"],
    "values": {"soil_ppt": 300, "level_ml": 900, "battery_mv": 3900},
    "judged": {"soil": "good", "level": "good", "battery": "good"},
    "permissives": {"reserve": 1},
    "plan": {"phase": "idle", "kind": "none", "dose_ul": 0},
    "trips": [], "lockouts": [], "needs": [], "stores": [1], "awake_ms": 2000,
    "water": {"day_ml": 0},
}  # fmt: skip
PULSE: dict[str, Any] = {
    "commands": ["off", "rest", "read", "store", "run 2000", "off", "store", "close", "sleep 60"],
    "run": {"ran_ms": 2000},
    "plan": {"kind": "depletion", "dose_ul": 40000},
    "water": {"given_ul": 40000, "fall_ml": 38},
    "stores": [1, 1],
}


def record(*changes: dict[str, Any], **more: Any) -> dict[str, Any]:
    """A quiet wake with these members changed; a member that is an object is changed in parts."""
    made = copy.deepcopy(QUIET)
    for change in (*changes, more):
        for name, value in change.items():
            if isinstance(value, dict) and name in made:
                made[name] |= value
            else:
                made[name] = copy.deepcopy(value)
    return made


def whole(one: dict[str, Any]) -> dict[str, Any]:
    """The same with what the verdicts do not look at, as of a wake without a pulse."""
    base: dict[str, Any] = list(makelog.play(makelog.wakes(2)))[1]["record"]
    for name in ("begin", "values", "judged", "plan", "water"):
        blank = dict.fromkeys(base[name]) if name == "values" else base[name]
        one = one | {name: blank | one[name]}
    return base | one


def pot(stage: int = 2, radio_wakes: int = 0, **limits: int) -> Any:
    return SimpleNamespace(
        settings=SimpleNamespace(id="1", **SETTINGS | {"radio_wakes": radio_wakes}),
        limits=SimpleNamespace(id="1", **(LIMITS | limits)),
        calibration=SimpleNamespace(stage=stage, **CALIBRATION),
    )


def seen(*records: dict[str, Any], **known: Any) -> Verdicts:
    """Judged by the records, and by what a simulated run gives of them: the same comes of it."""
    judge, brief = Verdicts(), Verdicts()
    for number, one in enumerate(records):
        one["n"] = one["n"] or number
        judge.see(wake_of(whole(one)), pot(**known))
        brief.see(gist_of(whole(one)), pot(**known))
    assert brief.verdicts() == judge.verdicts()
    return judge


def broken(judge: Verdicts) -> dict[str, tuple[int | None, str]]:
    return {v.rule: (v.wake, v.evidence) for v in judge.verdicts() if not v.held}


def evidence(judge: Verdicts, rule: str) -> str:
    found: list[Verdict] = [v for v in judge.verdicts() if v.rule == rule]
    return found[0].evidence


def test_a_quiet_wake_and_a_plain_dose_break_nothing() -> None:
    judge = seen(record(), record(PULSE))
    assert broken(judge) == {}
    assert [v.rule for v in judge.verdicts()] == [f"R{n}" for n in range(1, 19)]
    assert [v.title for v in judge.verdicts()] == list(verdicts.TITLES.values())
    assert evidence(judge, "R1") == "2 wakes, 1 pulse"
    assert evidence(judge, "R2") == "longest 2000 ms, limit 6000 ms"
    assert evidence(judge, "R3") == "most 40 ml, limit 200 ml"
    assert evidence(judge, "R5").endswith("lowest start 3.900 V")
    assert (judge.pulses, judge.doses, judge.given_ul) == (1, 1, 40000)
    assert evidence(seen(record()), "R3") == evidence(seen(record()), "R2") == "no pulse"


LOOSE = {"settings": "default"}
AFTER_STORE = ["off", "rest", "read", "off", "close", "store", "report", "sleep 86400 button"]


@pytest.mark.parametrize(
    ("rule", "bad", "good"),
    [
        ("R1", record(commands=["rest", "sleep 60"]), record()),
        ("R1", record(commands=[]), record()),
        ("R1", record(PULSE, begin={"pin": 0}), record(begin={"pin": 0})),
        ("R2", record(PULSE, run={"ran_ms": 6001 + OVERRUN_MS}),
         record(PULSE, run={"ran_ms": 6000 + OVERRUN_MS})),
        ("R4", record(PULSE, values={"level_ml": 99}), record(PULSE, values={"level_ml": 100})),
        ("R4", record(PULSE, values={"level_ml": None}), record(values={"level_ml": None})),
        ("R5", record(PULSE, values={"battery_mv": 3499}),
         record(PULSE, values={"battery_mv": 3500})),
        ("R5", record(PULSE, values={"battery_mv": None}), record(values={"battery_mv": None})),
        ("R5", record(commands=AFTER_STORE, values={"battery_mv": 3699}),
         record(commands=AFTER_STORE, values={"battery_mv": 3700})),
        ("R6", record(PULSE, judged={"soil": "frozen"}),
         record(PULSE, judged={"soil": "frozen"}, plan={"kind": "upkeep"})),
        ("R6", record(PULSE, judged={"soil": "cold"}, plan={"kind": "set"}),
         record(PULSE, plan={"kind": "set"})),
        ("R8", record(PULSE, commands=[*PULSE["commands"][:-1], "sleep 7201"]),
         record(PULSE, commands=[*PULSE["commands"][:-1], "sleep 7200"])),
        ("R9", record(PULSE, stores=[0, 1]), record(PULSE, stores=[1, 0])),
        ("R9", record(PULSE, stores=[]), record(PULSE)),
        ("R9", record(PULSE, commands=["off", "rest", "read", "run 2000", "off", "sleep 60"]),
         record(PULSE)),
        ("R11", record(PULSE, begin={"settings": "default"}), record(begin=LOOSE)),
        ("R11", record(PULSE, begin={"limits": "default"}), record(PULSE)),
        ("R11", record(PULSE, begin={"calibration": "default"}),
         record(PULSE, begin={"calibration": "previous"})),
        ("R12", record(PULSE, begin={"cause": "button", "button_ms": 1999}),
         record(PULSE, begin={"cause": "button", "button_ms": 2000})),
        ("R12", record(PULSE, begin={"cause": "button", "button_ms": 300}),
         record(PULSE, begin={"cause": "button", "button_ms": 300}, plan={"kind": "manual"})),
        ("R13", record(commands=["off", "rest"]), record()),
        ("R13", record(commands=["off", "sleep soon"]), record()),
        ("R13", record(commands=["off", "sleep 123456789"]), record()),
        ("R13", record(awake_ms=300_001), record(awake_ms=300_000)),
        ("R13", record(commands=[*AFTER_STORE[:-3], "report", "store", "sleep 60"]),
         record(commands=AFTER_STORE)),
        ("R15", record(PULSE, judged={"saucer": "good"}, permissives={"saucer": 0}),
         record(judged={"saucer": "good"}, permissives={"saucer": 0})),
        ("R15", record(PULSE, judged={"saucer": "railed"}),
         record(PULSE, judged={"saucer": "good"})),
    ],
)  # fmt: skip
def test_each_requirement(rule: str, bad: dict[str, Any], good: dict[str, Any]) -> None:
    good, bad = copy.deepcopy(good), copy.deepcopy(bad)
    assert broken(seen(good)) == {}
    assert rule in broken(seen(bad))
    assert broken(seen(bad))[rule][0] == 0


@pytest.mark.parametrize(
    "one",
    [
        record(commands=AFTER_STORE, values={"battery_mv": None}),
        record(commands=AFTER_STORE, lockouts=["battery low"]),
    ],
)
def test_the_last_word_of_a_cell_is_said_once(one: dict[str, Any]) -> None:
    """R17 allows it where something ends the reporting, R5 no second one."""
    twice = [copy.deepcopy(one) for _ in range(2)]
    assert broken(seen(copy.deepcopy(one))) == {}
    assert {rule: wake for rule, (wake, _) in broken(seen(*twice)).items()} == {"R5": 1}


def test_a_last_word_that_nobody_heard_is_said_again() -> None:
    """R17, R5: the report of a lost battery reading failed; one more, and no third."""
    lost = record(commands=AFTER_STORE, values={"battery_mv": None})
    again = record(lost, begin={"radio": "failed"})
    assert broken(seen(*copy.deepcopy([lost, again]))) == {}
    assert broken(seen(*copy.deepcopy([lost, again, lost]))).keys() == {"R5"}


def test_a_cell_that_bears_the_radio_again_says_so_once_and_a_full_one_as_it_needs() -> None:
    """Under the lockout: latched at 3699 mV without a word, then 3800 of 3950 mV, then full."""
    locked = {"lockouts": ["battery low"], "needs": ["charge the battery"]}
    silent = record(locked, values={"battery_mv": 3699})
    late = record(locked, commands=AFTER_STORE, values={"battery_mv": 3800})
    assert broken(seen(*copy.deepcopy([silent, late]))) == {}
    assert broken(seen(*copy.deepcopy([silent, late, late]))).keys() == {"R5"}
    full = record(locked, commands=AFTER_STORE, values={"battery_mv": 3950})
    assert broken(seen(*copy.deepcopy([silent, late, full, full]))) == {}


def test_thirst_is_told_at_the_third_wake_or_broken_at_the_fourth() -> None:
    """R16, at regular wakes in a row whose soil is below the refill point of 250 ppt.

    When the pump last ran is not known at the first wake of a log.
    """

    def dry(count: int, **more: Any) -> list[dict[str, Any]]:
        return [record({"values": {"soil_ppt": 200}}, more) for _ in range(count)]

    assert broken(seen(record(), *dry(3))) == {}
    assert broken(seen(record(), *dry(4))).keys() == {"R16"}
    assert broken(seen(record(), *dry(3), *dry(9, needs=["water by hand"]))) == {}
    assert broken(seen(record(), *dry(3), record(values={"soil_ppt": 251}), *dry(3))) == {}
    assert broken(seen(record(), *dry(3), record(values={"soil_ppt": 250}))).keys() == {"R16"}
    assert broken(seen(record(), *dry(9, judged={"soil": "cold"}))) == {}


def test_what_latches_is_reported() -> None:
    """R17, where the pot has a radio and its cell bears it."""
    locked = {"lockouts": ["dry run"]}
    told = [record(), record(locked, commands=AFTER_STORE), record(locked)]
    silent = [record(), record(locked)]
    low = [record(), record(locked, values={"battery_mv": 3699})]
    assert broken(seen(*copy.deepcopy(told), radio_wakes=1)) == {}
    assert broken(seen(*copy.deepcopy(low), radio_wakes=1)) == {}
    assert broken(seen(*copy.deepcopy(silent), radio_wakes=1)).keys() == {"R17"}
    assert broken(seen(*copy.deepcopy(silent))) == {}


def test_water_without_an_answer_is_bounded() -> None:
    """R18: 150 ml here; the next pulse is one too many, and any rise is an answer."""

    def pulse(ml: int, ppt: int = 300) -> dict[str, Any]:
        return record(PULSE, values={"soil_ppt": ppt}, water={"given_ul": 1000 * ml},
                      plan={"kind": "upkeep"})  # fmt: skip

    assert "R18" not in broken(seen(pulse(150), pulse(1)))
    assert broken(seen(pulse(151), pulse(1)))["R18"] == (
        1, "151 ml without a soil response, allowed 150 ml"
    )  # fmt: skip
    assert "R18" not in broken(seen(pulse(151), pulse(1, ppt=301)))


def test_presses_add_two_doses_without_an_answer_and_no_more() -> None:
    """R18: 150 ml, and a set dose of 20 ml for each of two presses."""
    press = {"begin": {"cause": "button", "button_ms": 3000}}
    run = [record(PULSE, press, plan={"kind": "manual"}, water={"given_ul": 20000})
           for _ in range(10)]  # fmt: skip
    assert "R18" not in broken(seen(*run[:9]))
    assert broken(seen(*[record(PULSE, press, water={"given_ul": 191_000}), run[0]]))["R18"] == (
        1, "191 ml without a soil response, allowed 190 ml"
    )  # fmt: skip


@pytest.mark.parametrize(
    ("stage", "kind", "held"),
    [
        (0, "manual", False), (0, "depletion", False), (1, "depletion", False), (1, "set", False),
        (1, "upkeep", True), (1, "manual", True), (2, "depletion", True),
    ],
)  # fmt: skip
def test_what_a_pot_may_do_before_it_is_commissioned(stage: int, kind: str, held: bool) -> None:
    one = record(PULSE, plan={"kind": kind})
    assert ("R14" not in broken(seen(one, stage=stage))) == held


def dose(n: int, ml: int, **begin: Any) -> dict[str, Any]:
    """A pulse of so many millilitres by time and by fall, then two hours of sleep commanded."""
    made = record(PULSE, {"begin": begin}, n=n, water={"fall_ml": ml}, run={"ran_ms": 50 * ml})
    made["commands"][-1] = "sleep 7200"
    return made


def day_of(*records: dict[str, Any]) -> int:
    """Most millilitres within 24 hours, by the verdict."""
    judge = seen(*records)
    assert ("R3" in broken(judge)) == (judge.most_day_ml > 200)
    return judge.most_day_ml


def test_water_is_the_larger_of_time_and_fall_rounded_up() -> None:
    assert day_of(record(PULSE)) == 40  # 2,000 ms at 20 ml/s, a fall of 38
    assert day_of(record(PULSE, water={"fall_ml": 41})) == 41
    one = dose(1, 0)
    one["run"]["ran_ms"] = 2001
    assert day_of(one) == 41
    del one["water"]["fall_ml"]
    assert day_of(one) == 41
    one["run"]["ran_ms"] = 0
    assert day_of(one) == 0


def test_what_a_pulse_is_seen_to_take_counts_against_the_next() -> None:
    """One reading after it, which may be wrong; nothing could have stopped that pulse."""
    high = record(PULSE, water={"fall_ml": 161})
    assert "R3" not in broken(seen(high))
    hours_2 = record(PULSE, begin={"slept_s": 7200}, water={"fall_ml": 40})
    high["commands"][-1] = "sleep 7200"
    assert broken(seen(high, hours_2))["R3"] == (1, "201 ml in 24 hours, allowed 200 ml")
    high["water"]["fall_ml"] = 160
    assert "R3" not in broken(seen(high, hours_2))


def test_water_leaves_the_sum_after_24_hours_and_not_before() -> None:
    hours_2 = {"slept_s": 7200}
    twelve = [dose(n, 50, **hours_2) for n in range(1, 13)]  # the last 22 h after the first
    assert day_of(*twelve) == 12 * 50
    assert day_of(*twelve, dose(13, 50, **hours_2)) == 12 * 50  # 24 h after the first
    assert broken(seen(*twelve))["R3"] == (5, "250 ml in 24 hours, allowed 200 ml")


def test_only_vouched_sleep_counts_and_at_most_what_was_commanded() -> None:
    assert day_of(*[dose(n, 50, slept_s=DAY_S) for n in range(1, 13)]) == 600  # it was two hours
    late = [dose(n, 50, slept_s=7200, vouched=0) for n in range(1, 20)]
    assert day_of(*late) == 19 * 50


def test_water_is_summed_across_missing_records() -> None:
    """The clock says how long they lasted, where it is trusted; else they count as a day."""

    def at(n: int, hour: int, trusted: int = 1) -> dict[str, Any]:
        return dose(n, 103, utc=[9800 + hour // 24, hour % 24 * 3600, trusted])

    assert day_of(at(1, 0), at(5, 23)) == 206
    assert day_of(at(1, 0), at(5, 24)) == 103
    assert day_of(dose(1, 103, utc=[9800, 1, 1]), at(5, 24)) == 206, "a second less than a day"
    assert day_of(at(1, 23), at(5, 0)) == 206, "a clock that goes back lets no water out"
    assert day_of(at(1, 0, 0), at(5, 1)) == 103
    assert day_of(at(1, 0), at(5, 1, 0)) == 103
    assert day_of(at(1, 0), at(2, 30)) == 206, "no record is missing: sleep counts, not the clock"
    assert broken(seen(at(1, 0), at(5, 23)))["R3"] == (5, "206 ml in 24 hours, allowed 200 ml")


def test_jumps_of_the_clock_are_counted() -> None:
    """An hour off and a tenth of what was counted is none, the oscillator errs; more is one."""

    def at(second: int, trusted: int = 1, **begin: Any) -> dict[str, Any]:
        told = {"utc": [9800, second, trusted], "slept_s": 7200}
        return record({"begin": told | begin}, commands=["off", "sleep 7200"])

    def jumps(*records: dict[str, Any]) -> str:
        return evidence(seen(*records), "R10")

    assert jumps(at(0), at(7200)) == "0 jumps of the clock"
    assert jumps(at(0), at(7200 + 4320)) == "0 jumps of the clock"
    assert jumps(at(0), at(7200 + 4321)) == "1 jump of the clock"
    assert jumps(at(7200), at(0)) == "1 jump of the clock"
    assert jumps(at(0), at(50_000, 0), at(14400)) == "0 jumps of the clock"
    assert jumps(at(0), at(60_000, vouched=0)) == "0 jumps of the clock", "nobody counted"
    assert jumps(at(0), at(60_000, slept_s=100)) == "0 jumps of the clock", "it was cut short"
    assert jumps(at(3600), at(0, vouched=0)) == "0 jumps of the clock"
    assert jumps(at(3601), at(0, vouched=0)) == "1 jump of the clock"


def test_what_is_counted_beside_the_rules() -> None:
    def after_pulse(sleep_s: int) -> dict[str, Any]:
        return record(commands=["off", f"sleep {sleep_s}"])

    looks = seen(*[after_pulse(seconds) for seconds in (60, 540, 540, 541)])
    assert evidence(looks, "R8").startswith("3 looks")
    pressed = seen(
        record(begin={"cause": "button", "button_ms": 300}),
        record(PULSE, begin={"cause": "button", "button_ms": 2500}, plan={"kind": "manual"}),
    )
    assert evidence(pressed, "R12") == "2 presses, 1 watered on request"
    doubted = seen(record(judged={"soil": "jump"}), record(judged={"soil": "unfitted"}), record())
    assert evidence(doubted, "R6") == "1 wake with implausible readings"
    damaged = seen(
        record(begin={"state": "lost"}), record(begin={"limits": "default"}),
        record(begin={"settings": "default"}), record(begin={"calibration": "default"}),
        record(begin={"settings": "previous"}), record(),
    )  # fmt: skip
    assert evidence(damaged, "R11") == "4 wakes with a damaged file"
    assert evidence(seen(record(awake_ms=2999), record(awake_ms=1000)), "R13").endswith("2.9 s")
    assert evidence(seen(record(awake_ms=30300)), "R13").endswith("30.3 s")
    starts = [record(PULSE, values={"battery_mv": mv}) for mv in (3900, 3800, 3850)]
    assert evidence(seen(*starts), "R5").endswith("lowest start 3.800 V")


def test_wet_wakes_are_those_with_a_believed_wet_saucer() -> None:
    wet = {"judged": {"saucer": "good"}, "permissives": {"saucer": 0}}
    unsure = {"judged": {"saucer": "flicker"}, "permissives": {"saucer": 0}}
    dry = {"judged": {"saucer": "good"}, "permissives": {"saucer": 1}}
    none = {"judged": {"saucer": "good"}, "permissives": {}}
    judge = seen(*[record(one) for one in (wet, unsure, dry, wet, none, wet, dry)])
    judge.verdicts()
    assert judge.wet == 3
    assert evidence(judge, "R15").endswith(", 3 wakes wet")


def test_no_pump_under_a_lockout_that_was_there_before() -> None:
    def locked(*names: str) -> dict[str, Any]:
        return record(PULSE, lockouts=list(names))

    quiet = record(lockouts=["dry run"])
    assert broken(seen(record(), locked("dry run"))) == {}, "it latched in this very wake"
    assert broken(seen(quiet, locked())) == {}, "it ended before the pump"
    assert broken(seen(quiet, locked("dry run"))) == {
        "R4": (1, "pump ran under the lockout 'dry run'")
    }
    assert broken(seen(record(lockouts=["new one"]), locked("new one"))).keys() == {"R9"}


def test_lockouts_are_followed_to_their_end() -> None:
    names = [["leak"], ["leak", "dry run"], ["dry run"], [], ["leak"]]
    judge = seen(*[record(lockouts=one) for one in names])
    assert judge.latched == [(0, "leak", 2), (1, "dry run", 3), (4, "leak", None)]
    assert judge.lockouts == {"leak": 2, "dry run": 1}
    assert evidence(judge, "R8") == "0 looks, 2 lockouts"
    assert evidence(judge, "R4") == "1 lockout"
    many = seen(*[record(lockouts=["leak"] if n % 2 else []) for n in range(2004)])
    assert len(many.latched) == verdicts.MOST_LATCHED
    assert many.lockouts == {"leak": 1002}


def test_trips_and_needs_are_counted_with_a_bound_on_their_names() -> None:
    one = record(PULSE, trips=["sag", "no flow"], needs=["fill the tank"])
    judge = seen(one, copy.deepcopy(one))
    assert judge.trips == {"sag": 2, "no flow": 2}
    assert judge.needs == {"fill the tank": 2}
    assert evidence(judge, "R5") == "2 trips, lowest start 3.900 V"
    assert evidence(judge, "R4") == "2 trips"
    for number in range(verdicts.MOST_LATCHED + 5):
        verdicts.book(judge.needs, f"need {number}")
    assert len(judge.needs) == verdicts.MOST_LATCHED + 1
    assert judge.needs["others"] == 6


def answers(*doses: dict[str, Any]) -> Verdicts:
    """Doses, a quiet wake after each whose soil reading is `then`."""
    records = []
    for one in doses:
        then = one.pop("then", 200)
        records += [record(PULSE, {"values": {"soil_ppt": 200}}, one)]
        records += [record({"values": {"soil_ppt": then}})]
    for one in records:
        one["needs"] = ["water by hand"]
    return seen(*records, response_doses=2)


def test_watering_on_without_an_answer() -> None:
    silent: dict[str, Any] = {}
    assert broken(answers({}, {})) == {}
    assert broken(answers({}, {}, {})) == {
        "R7": (4, "watered on after 2 doses without a soil response")
    }
    assert broken(answers({}, {"then": 201}, {}, {})) == {}, "any rise is an answer"
    assert broken(answers({}, {"then": 200}, {})).keys() == {"R7"}
    manual = {"plan": {"kind": "manual"}}
    assert broken(answers({}, {}, manual)) == {}, "a person asked for it"
    assert broken(answers(silent, manual, {}, {})) == {}
    soaked = {"plan": {"phase": "soak"}}
    assert broken(answers({}, soaked, soaked, {})) == {}, "a pulse of a dose is no dose"
    half = {"water": {"given_ul": 19999}}
    assert broken(answers(half, half, half)) == {}, "less than half of it was given"
    assert broken(answers(*[{"water": {"given_ul": 20000}} for _ in range(3)])).keys() == {"R7"}
    tripped = {"trips": ["sag"]}
    assert broken(answers(tripped, {**tripped}, {**tripped})) == {}
    seen_by = {"begin": {"host": ["clear leak"]}}
    assert broken(answers({}, {}, seen_by)) == {}, "a person was there"
    assert broken(answers({}, {"then": None}, {})) == {}, "nothing is known"


def test_plurals() -> None:
    assert [verdicts.many(n, "trip") for n in (0, 1, 2)] == ["0 trips", "1 trip", "2 trips"]
    assert verdicts.many(2, "press", "presses") == "2 presses"
    assert verdicts.many(1, "press", "presses") == "1 press"
