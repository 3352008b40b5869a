"""Each look at the hardware and the condition, on rows by hand: its threshold, to the edge."""

from __future__ import annotations

from typing import Any

import pytest

import rows
from wakecore import rules
from wakewell import words
from wakewell.budget.forecast import Forecast
from wakewell.log.times import DAY_S, Calendar
from wakewell.pot import parts
from wakewell.report import condition, findings
from wakewell.report.findings import ACT, QUIET, UNKNOWN, WATCH

Changes = dict[int, dict[str, Any]]


def log(days: int = 60, changes: Changes | None = None, doses: Any = ()) -> Any:
    return rows.log(rows.wakes(days, changes), doses, rows.pot())


def answers(*rises: float) -> list[Any]:
    """A dose of 100 ml a day, up to the last day but one, with these rises in ppt."""
    first = 59 - len(rises)
    return [
        rows.dose(first + n, round(rise), given_ul=100_000, planned_ul=100_000)
        for n, rise in enumerate(rises)
    ]


@pytest.mark.parametrize(
    ("rises", "state", "said"),
    [
        ([100] * 7, UNKNOWN, "7 answers"),
        ([100] * 8, QUIET, "0.100 %/ml over the last 8 doses, 1.00 of the calibrated; +0 %"),
        ([50] * 12, QUIET, "0.050 %/ml over the last 10 doses, 0.50 of the calibrated"),
        ([49] * 12, WATCH, "0.49 of the calibrated"),
        ([200] * 12, QUIET, "2.00 of the calibrated"),
        ([201] * 12, WATCH, "2.01 of the calibrated"),
        ([150 - 2.4 * n for n in range(20)], QUIET, "; -30 % over the log"),
        ([150 - 2.8 * n for n in range(20)], WATCH, "; -35 % over the log"),
        ([100 + 5 * n for n in range(20)], QUIET, "; +95 % over the log"),
        ([160, 60] * 10, QUIET, "1.10 of the calibrated"),  # it swings, but does not fall
    ],
)  # fmt: skip
def test_probe_drift(rises: list[float], state: str, said: str) -> None:
    found = findings.probe_drift(log(doses=answers(*rises)))
    assert (found.state, said in found.measure or found.measure) == (state, True)
    assert bool(found.do) == (state == WATCH)


def test_probe_drift_counts_readings_above_capacity_and_no_small_doses() -> None:
    def over(count: int, ppt: int) -> findings.Finding:
        return findings.probe_drift(
            log(60, {day: {"soil_ppt": ppt} for day in range(count)}, answers(*[100] * 8))
        )

    assert over(4, 440).state == QUIET  # container capacity of 400 and a tenth
    assert "wakes read" not in over(4, 440).measure
    assert over(3, 441).state == QUIET
    assert "; 3 wakes read a tenth or more above" in over(3, 441).measure
    assert over(4, 441).state == WATCH  # more than one in twenty
    small = [rows.dose(day, 5, given_ul=19_999) for day in range(20)]
    assert findings.probe_drift(log(doses=small)).state == UNKNOWN
    large = [rows.dose(day, 5, given_ul=20_000) for day in range(20)]
    assert findings.probe_drift(log(doses=large)).state == WATCH
    none = [rows.dose(day, None) for day in range(20)]
    assert findings.probe_drift(log(doses=none)).measure == "0 answers"


def runs(*falls: tuple[int, int]) -> Changes:
    """A pulse a day, up to the last: (milliseconds, fall of the level in ml)."""
    first = 60 - len(falls)
    return {first + n: {"ran_ms": ms, "fall_ml": ml} for n, (ms, ml) in enumerate(falls)}


def test_flows_join_falls_that_are_too_small_to_tell() -> None:
    """Forty millilitres are five times the gauge's tolerance of eight."""

    def flows(*falls: tuple[int, int]) -> list[float]:
        return [flow for _, flow in findings.flows(log(60, runs(*falls)))]

    assert flows((2000, 40), (4000, 40)) == [20.0, 10.0]
    assert flows((2000, 39)) == []
    assert flows((1000, 20), (3000, 20)) == [10.0]
    assert flows((30000, 10), (30000, 10), (1000, 1)) == [pytest.approx(1000 * 21 / 61000)]
    assert flows((30000, 10), (30001, 10)) == [pytest.approx(1000 * 20 / 60001)]
    blind = runs((2000, 40))
    blind[59]["fall_ml"] = None
    assert findings.flows(log(60, blind)) == []
    switch = log(60, runs((2000, 40)))
    switch.pots = {rows.IDS: rows.pot(calibration={"float_only": 1})}
    assert findings.flows(switch) == []
    assert findings.flows(rows.log(rows.wakes(60, runs((2000, 40))))) == []
    ((time_s, _),) = findings.flows(log(60, runs((2000, 40))))
    assert time_s == rows.START_S + 59 * DAY_S


@pytest.mark.parametrize(
    ("falls", "state", "said"),
    [
        ([(2000, 40)] * 7, UNKNOWN, "7 flows measured"),
        ([(2000, 40)] * 8, QUIET, "20.0 ml/s lately, +0 % over 8 measured flows"),
        ([(4000, 400 - 3 * n) for n in range(20)], QUIET, "-14 % over 20"),
        ([(4000, 400 - 4 * n) for n in range(20)], WATCH, "-19 % over 20"),
        ([(4000, 400 - 15 * n) for n in range(20)], WATCH, "-71 % over 20"),
        ([(4000, 400 + 4 * n) for n in range(20)], QUIET, "+19 % over 20"),
    ],
)  # fmt: skip
def test_pump_wear(falls: list[tuple[int, int]], state: str, said: str) -> None:
    found = findings.pump_wear(log(60, runs(*falls)))
    assert (found.state, said in found.measure or found.measure) == (state, True)
    if state == WATCH:
        less = said[1:3]
        assert found.plain == f"the pump moves {less} % less water than before"


@pytest.mark.parametrize(
    ("changes", "state", "said"),
    [
        ({}, UNKNOWN, "0 dry runs in 30 days"),
        (runs((2000, 40)), QUIET, "0 dry runs in 30 days"),
        (runs(*[(2000, 100)] * 5, *[(2000, 60)] * 3), QUIET, "; last three flows 0.60 of those"),
        (runs(*[(2000, 100)] * 5, *[(2000, 59)] * 3), WATCH, "; last three flows 0.59 of those"),
        (runs(*[(2000, 100)] * 4, *[(2000, 50)] * 3), QUIET, "0 dry runs"),  # too few to compare
        ({50: {"trips": ("no flow",)}}, QUIET, "1 dry runs"),
        ({50: {"trips": ("no flow",)}, 51: {"trips": ("no load",)}}, ACT, "2 dry runs"),
        ({50: {"trips": ("no flow",)}, 51: {"trips": ("sag",)}}, QUIET, "1 dry runs"),
        ({29: {"trips": ("no flow",)}, 51: {"trips": ("no flow",)}}, QUIET, "1 dry runs"),
        ({30: {"trips": ("no flow",)}, 51: {"trips": ("no flow",)}}, ACT, "2 dry runs"),
    ],
)  # fmt: skip
def test_clogging(changes: Changes, state: str, said: str) -> None:
    found = findings.clogging(log(60, changes))
    assert (found.state, said in found.measure or found.measure) == (state, True)


def falling(ml_day: float, days: int = 60) -> Changes:
    return {day: {"level_ml": round(3000 - ml_day * day)} for day in range(days)}


def test_lost_water() -> None:
    assert findings.lost_water(log(60, falling(5))).state == QUIET  # what leak_ml_day allows
    found = findings.lost_water(log(60, falling(6)))
    assert (found.state, found.measure) == (ACT, "6.0 ± 0.0 ml a day with the pump off")
    assert found.plain == "the tank loses about 6 ml a day by itself"
    assert "more than 5 ml a day" in found.threshold
    assert findings.lost_water(log(10, falling(6, 10))).state == ACT
    assert findings.lost_water(log(9, falling(6, 9))).state == UNKNOWN
    quick = log(20, falling(6, 20))
    for number, wake in enumerate(quick.wakes):
        wake.time_s = rows.START_S + number * 6 * 3600
    assert findings.lost_water(quick).state == UNKNOWN, "less than five days"
    unknown = findings.lost_water(rows.log(rows.wakes(60, falling(6))))
    assert (unknown.state, unknown.rule) == (UNKNOWN, "R8")


def test_water_that_was_pumped_or_filled_in_is_no_leak() -> None:
    pumped = falling(0)
    for day in range(10, 60, 5):
        for later in range(day, 60):
            pumped[later]["level_ml"] -= 100
        pumped[day - 1]["ran_ms"] = 5000
    assert findings.lost_water(log(60, pumped)).measure.startswith("0.0 ")
    filled = falling(10)
    for day in range(30, 60):
        filled[day]["level_ml"] += 300
    assert (
        findings.lost_water(log(60, filled)).plain == "the tank loses about 10 ml a day by itself"
    )
    unread = dict(pumped)
    unread[10] = {"level_ml": None}
    assert findings.lost_water(log(60, unread)).measure.startswith("0.0 ")


@pytest.mark.parametrize(
    ("causes", "state", "said"),
    [
        ({}, QUIET, "none; 0 wakes after an unfinished start"),
        ({59: "power"}, QUIET, "1 power; 0 wakes"),
        ({29: "brownout"}, QUIET, "1 brownout; 0 wakes"),
        ({30: "brownout"}, WATCH, "1 brownout; 0 wakes"),
        ({50: "brownout", 52: "brownout"}, WATCH, "2 brownout"),
        ({50: "brownout", 52: "brownout", 53: "watchdog"}, ACT, "2 brownout, 1 watchdog"),
    ],
)  # fmt: skip
def test_resets(causes: dict[int, str], state: str, said: str) -> None:
    found = findings.resets(log(60, {day: {"cause": cause} for day, cause in causes.items()}))
    assert (found.state, found.measure.startswith(said) or found.measure) == (state, True)


def test_resets_are_told_by_the_commonest() -> None:
    one = findings.resets(log(60, {50: {"cause": "brownout", "boots": 1}}))
    assert one.plain.startswith(f"it {words.CAUSES['brownout'].plain}, once in 30 days; usually ")
    assert one.measure == "1 brownout; 1 wakes after an unfinished start"
    assert one.do.startswith("Charge the battery")
    bites = findings.resets(log(60, {50: {"cause": "watchdog"}, 51: {"cause": "watchdog"}}))
    assert "2 times in 30 days" in bites.plain
    assert bites.do == "Send the log to the maker."


def each(days: Any, **changes: Any) -> Changes:
    return dict.fromkeys(days, changes)


@pytest.mark.parametrize(
    ("changes", "state", "said"),
    [
        (each(range(30, 60), awake_ms=3000), QUIET, "3000 ms lately, 2000 ms at first, lon"),
        (each(range(30, 60), awake_ms=3001), WATCH, "3001 ms lately"),
        (each(range(60), awake_ms=10_000), QUIET, "10000 ms lately, 10000 ms at first"),
        (each(range(60), awake_ms=10_001), WATCH, "10001 ms lately"),
        (each(range(5, 60), ran_ms=1), UNKNOWN, "0 wakes"),
        (each(range(55), phase="soak"), UNKNOWN, "5 wakes"),
        (each(range(26, 60), awake_ms=9000, ran_ms=1), UNKNOWN, "0 wakes"),
        (each(range(31, 60), awake_ms=9000, phase="soak"), UNKNOWN, "1 wakes"),
        (each(range(5, 55), phase="soak"), QUIET, "2000 ms lately, 2000 ms at first"),
        (each(range(4, 55), phase="soak"), UNKNOWN, "5 wakes"),
        (each([59], awake_ms=2900), QUIET, "2000 ms lately, 2000 ms at first, longest 2900 ms"),
    ],
)  # fmt: skip
def test_awake_time(changes: Changes, state: str, said: str) -> None:
    found = findings.awake_time(log(60, changes))
    assert (found.state, found.measure.startswith(said) or found.measure) == (state, True)
    if state == WATCH and said.startswith("3001"):
        assert found.plain == "it stays awake longer than before: 3.0 s instead of 2.0 s"


@pytest.mark.parametrize(
    ("changes", "state", "said"),
    [
        (each(range(60), charge_uah=410), QUIET, "410 µAh a wake, budget 273 µAh"),
        (each(range(60), charge_uah=411), WATCH, "411 µAh a wake, budget 273 µAh"),
        (each(range(26, 60), ran_ms=1), UNKNOWN, "0 wakes"),
        (each(range(56), cause="button"), UNKNOWN, "4 wakes"),
        (each(range(55), cause="button"), QUIET, "290 µAh a wake"),
        (each(range(55), phase="soak"), QUIET, "290 µAh a wake"),
    ],
)  # fmt: skip
def test_charge_of_a_wake(changes: Changes, state: str, said: str) -> None:
    """10 µA for a day and 40 mA for three seconds are 240 and 33 µAh; half over is 410."""
    found = findings.charge(log(60, changes))
    assert (found.state, found.measure.startswith(said) or found.measure) == (state, True)
    if said.startswith("410"):
        assert found.measure.endswith("; 0.4 mAh a day with pumping, of it asleep 0.24")
    thirsty = log(60)
    thirsty.pots = {rows.IDS: rows.pot(calibration={"sleep_ua": 1000})}
    assert findings.charge(thirsty).measure.endswith(", of it asleep 24.00")
    thirsty.pots = {rows.IDS: rows.pot(calibration={"self_ua": 100})}  # 10 and 100 microamps
    assert findings.charge(thirsty).measure.endswith(", of it asleep 2.64")
    # 600,000 microamp-hours a day, 59 days apart but 60 wakes
    large = findings.charge(log(60, each(range(60), charge_uah=600_000))).measure
    assert f"; {600 * 60 / 59:.1f} mAh a day with pumping" in large


def test_a_report_costs_what_its_radio_was_on_for() -> None:
    """A wake an hour, each after four seconds of radio at 120 mA: 10, 33 and 133 µAh. So much is
    planned, and a wake that uses it is quiet; where the radio was silent it is half as much again.
    """
    known = rows.pot(calibration={"sleep_ua": 10, "awake_ua": 40000, "radio_ua": 120000})
    hourly = {"slept_s": 3600, "sleep_s": 3600, "charge_uah": 177}
    told = log(60, each(range(60), radio_ms=4000, **hourly))
    told.pots = {rows.IDS: known}
    found = findings.charge(told)
    assert (found.state, found.measure.split(";")[0]) == (QUIET, "177 µAh a wake, budget 177 µAh")
    silent = log(60, each(range(60), **hourly))
    silent.pots = told.pots
    found = findings.charge(silent)
    assert (found.state, found.measure.split(";")[0]) == (WATCH, "177 µAh a wake, budget 43 µAh")


def test_storage() -> None:
    assert findings.storage(log()).state == QUIET
    assert findings.storage(log(60, {29: {"stores_failed": 1}})).state == QUIET
    late = findings.storage(log(60, {30: {"stores_failed": 1}, 20: {"stores_failed": 2}}))
    assert late.state == WATCH
    assert late.measure.startswith("3 failed writes, 0 records missing, 0 lines not readable, 0 ")
    assert findings.storage(log(60, {29: {"files": ("state lost",)}})).state == QUIET
    assert findings.storage(log(60, {30: {"files": ("state lost",)}})).state == WATCH


def test_probes_that_are_not_believed() -> None:
    def jumps(count: int, **changes: Any) -> findings.Finding:
        return findings.probe_words(log(60, each(range(60 - count, 60), **changes)))

    assert jumps(0, soil_word="jump").measure == "none in 30 days"
    few = jumps(3, soil_word="jump")  # of thirty
    assert (few.state, few.measure) == (QUIET, "soil jump 3")
    many = jumps(4, level_word="flicker")
    assert (many.state, many.measure) == (WATCH, "level flicker 4")
    assert many.plain.startswith(
        f"the {parts.PROBES['level'].plain} often gives implausible readings: "
    )
    assert many.plain.endswith(words.PROBE_WORDS["flicker"].plain)
    assert jumps(9, battery_word="unfitted").state == QUIET
    assert jumps(9, battery_word="absent").state == WATCH


def test_every_look_says_its_requirement_and_what_to_do_if_there_is_anything() -> None:
    """Quiet and loud alike: drift, wear, clogging, loss, resets, awake, charge, storage, probes."""
    wanted = ["R6", "R4", "R4", "R8", "R9", "R13", "R5", "R11", "R13", "R6"]
    quiet = log(60, runs(*[(2000, 40)] * 9), answers(*[100] * 9))
    falls, rises = [(4000, 400 - 8 * n) for n in range(20)], [20] * 20
    bad = runs(*falls)
    for day in range(40, 60):
        bad[day] |= {"trips": ("no flow",), "cause": "brownout", "soil_word": "jump"}
    for day in range(25, 60):
        bad.setdefault(day, {})
        bad[day] |= {"stores_failed": 1, "level_ml": 3000 - 20 * day}
    for day in range(31, 40):
        bad[day] |= {"awake_ms": 9000, "charge_uah": 900}
    found = findings.findings(quiet), findings.findings(log(60, bad, answers(*rises)))
    for rows_ in found:
        assert [one.rule for one in rows_] == wanted
        assert all(one.threshold for one in rows_)
    assert [one.state for one in found[0]] == [QUIET] * 10
    loud = {one.name for one in found[1] if one.state in (ACT, WATCH)}
    assert loud >= {"awake time", "charge per wake", "clogging", "pump wear", "resets", "storage"}
    for one in (*found[0], *found[1]):
        assert bool(one.do) == (one.state != QUIET), one.name


# --- the condition -------------------------------------------------------------------------------

LAST_S = rows.START_S + 59 * DAY_S


def judged(
    changes: Changes | None = None, found: Any = (), now_day: float | None = None,
    tank_day: float | None = None, battery_day: float | None = None, dated: bool = True,
) -> condition.Condition:  # fmt: skip
    """The condition; days count from the last wake."""
    one = log(60, changes)
    one.dated = dated
    tank, battery = Forecast("tank"), Forecast("battery")
    if tank_day is not None:
        tank.early_s = LAST_S + tank_day * DAY_S
    if battery_day is not None:
        battery.early_s = LAST_S + battery_day * DAY_S
    now_s = None if now_day is None else LAST_S + now_day * DAY_S
    return condition.judge(one, Calendar("UTC"), tank, battery, list(found), now_s)


def tasks(one: condition.Condition) -> list[str]:
    return [task.name for task in one.tasks]


def test_a_quiet_pot_is_well() -> None:
    one = judged()
    assert (one.word, one.tasks, one.visit, one.visit_s) == (condition.WELL, [], "", None)
    assert one.sentence == "It is watering by itself. Nothing to do."
    far = judged(tank_day=8, battery_day=20)
    assert (far.word, far.tasks, far.visit) == (condition.WELL, [], "in 8 days")
    assert far.sentence == "Nothing to do now. Fill the tank in 8 days."
    later = judged(tank_day=8.5, now_day=1)
    assert later.sentence == "Nothing to do now. Fill the tank in 7 days.", "of the page's own day"


@pytest.mark.parametrize("name", words.NEEDS)
def test_every_need_makes_a_task_for_somebody(name: str) -> None:
    one = judged({-1: {"needs": (name,)}})
    assert tasks(one) == [name]
    routine = ("fill the tank", "charge the battery", "confirm the charge", "unplug the charger")
    assert one.word == (condition.DUE if name in routine else condition.PERSON)
    assert one.visit == ("this week" if name in routine else "now")


def test_a_lockout_comes_first_with_the_day_it_began() -> None:
    changes: Changes = {day: {"lockouts": ("dry run",)} for day in (50, 57, 58, 59)}
    changes[59]["needs"] = ("fill the tank", "clear a lockout", "see why it stays dry")
    one = judged(changes)
    assert tasks(one) == ["dry run", "fill the tank"]
    assert one.word == condition.PERSON
    assert one.tasks[0].why.endswith("(since Tue 28 April 2026)")
    assert one.tasks[0].do == words.LOCKOUTS["dry run"].do
    assert one.sentence.endswith("; 1 more thing to do is listed below.")
    assert (one.visit, one.visit_s) == ("now", LAST_S)


def test_what_a_lockout_says_is_not_said_twice() -> None:
    low: Changes = {59: {"lockouts": ("battery low",), "needs": ("charge the battery",)}}
    assert tasks(judged(low)) == ["battery low"]
    both: Changes = {59: {"lockouts": ("leak",), "needs": ("charge the battery",)}}
    assert tasks(judged(both)) == ["leak", "charge the battery"]
    alone: Changes = {59: {"needs": ("clear a lockout",)}}
    assert tasks(judged(alone)) == ["clear a lockout"]


def test_a_tank_at_its_reserve_needs_a_person() -> None:
    one = judged({59: {"needs": ("fill the tank",), "failing": ("reserve",)}})
    assert one.word == condition.PERSON
    assert one.tasks[0].why == "the tank is down to its reserve, so the pot cannot water"


def test_a_probe_is_told_with_what_is_wrong_with_it() -> None:
    soil = judged({59: {"needs": ("see to the soil probe",), "soil_word": "frozen"}})
    assert soil.tasks[0].why.endswith(": " + words.PROBE_WORDS["frozen"].plain)
    assert soil.tasks[0].cause == (
        words.PROBE_WORDS["frozen"].cause or words.NEEDS["see to the soil probe"].cause
    )
    level = judged({59: {"needs": ("see to the level",), "level_word": "flicker"}})
    assert level.tasks[0].why.endswith(": " + words.PROBE_WORDS["flicker"].plain)


def test_a_finding_to_see_to_is_a_visit_and_one_to_watch_is_not() -> None:
    act = findings.Finding("lost", ACT, "it loses water", "m", "t", "Look.", "R8")
    watch = findings.Finding("worn", WATCH, "it is worn", "m", "t", "Clean.", "R4")
    one = judged(found=[watch, act])
    assert (tasks(one), one.word, one.visit) == (["lost"], condition.DUE, "this week")
    assert one.sentence == "It is watering; a visit is due."
    locked = judged({59: {"lockouts": ("leak",)}}, found=[act])
    assert tasks(locked) == ["leak"], "the lockout of the same requirement says it"
    other = judged({59: {"lockouts": ("dry run",)}}, found=[act])
    assert tasks(other) == ["dry run", "lost"]
    assert other.word == condition.PERSON


def test_a_dose_that_brought_nothing_is_told_with_its_day() -> None:
    def after(*doses: Any, **last: Any) -> condition.Condition:
        one = log(60, {59: last}, doses)
        return condition.judge(one, Calendar("UTC"), Forecast("tank"), Forecast("battery"), [])

    dry = rows.dose(57, given_ul=0, trips=("sag",))
    one = after(rows.dose(50), dry)
    assert (tasks(one), one.word) == (["dry run"], condition.DUE)
    assert one.tasks[0].why == (
        f"it tried to water on Tue 28 April 2026, and {words.TRIPS_WORDS['sag'].plain}"
    )
    untold = after(rows.dose(57, given_ul=0))
    assert untold.tasks[0].do == words.TRIPS_WORDS["no flow"].do
    assert after(dry, rows.dose(58)).tasks == [], "the last one gave water"
    assert tasks(after(dry, lockouts=("leak",))) == ["leak"]


def test_what_runs_out_within_a_week_is_a_task() -> None:
    one = judged(tank_day=7, battery_day=3)
    assert [task.do for task in one.tasks] == [
        "Charge the battery (away from the water) within 3 days.",
        "Fill the tank within 7 days.",
    ]
    assert (one.word, one.visit, one.visit_s) == (
        condition.DUE, "in 3 days", LAST_S + 3 * DAY_S,
    )  # fmt: skip
    assert judged(tank_day=7.1).tasks == []
    asked = judged({59: {"needs": ("fill the tank", "charge the battery")}}, (), None, 1, 1)
    assert tasks(asked) == ["fill the tank", "charge the battery"], "asked for already"
    confirmed = judged({59: {"needs": ("confirm the charge",)}}, battery_day=1)
    assert tasks(confirmed) == ["confirm the charge"]


def test_what_ran_out_since_is_told_as_now() -> None:
    one = judged(tank_day=3, now_day=4)
    assert [task.do for task in one.tasks] == ["Fill the tank now."]
    assert (one.word, one.visit) == (condition.DUE, "now")
    assert [t.do for t in judged(tank_day=3, now_day=3).tasks] == ["Fill the tank today."]
    assert [t.do for t in judged(tank_day=3, now_day=2).tasks] == ["Fill the tank by tomorrow."]
    undated = judged(tank_day=3, now_day=40, dated=False)
    assert undated.old_s == 0


def test_a_log_older_than_a_week_says_nothing_of_today() -> None:
    week = judged(now_day=7)
    assert (week.word, week.old_s) == (condition.WELL, 7 * DAY_S)
    one = judged(now_day=7.1)
    assert (one.word, one.heard, one.visit) == (condition.SILENT, condition.WELL, "now")
    assert [task.do for task in one.tasks] == [
        "Look at the plant, and water it by hand if the soil is dry.",
        "Read its log again with the cable.",
    ]
    assert one.sentence == "Last heard on Thu 30 April 2026, 7 days ago; then it was watering."


def test_a_pot_that_tells_by_radio_is_silent_once_its_report_is_overdue() -> None:
    def after(days: float, radio_wakes: int, **last: Any) -> condition.Condition:
        one = rows.log(
            rows.wakes(60, {59: last}), (), rows.pot(settings={"radio_wakes": radio_wakes})
        )
        one.dated = True
        none = Forecast("tank"), Forecast("battery")
        return condition.judge(one, Calendar("UTC"), *none, [], LAST_S + days * DAY_S)

    # Two reports that failed and six hours, as a reminder has it
    assert after(2.2, 1).word == condition.WELL
    one = after(2.3, 1)
    assert one.word == condition.SILENT
    assert "Press its button" in one.tasks[1].do
    assert after(20, 10).word == condition.WELL
    assert after(20.3, 10).word == condition.SILENT
    asked = after(2.3, 10, needs=("fill the tank",))  # it tells once a day what it needs
    assert (asked.word, asked.heard) == (condition.SILENT, condition.DUE)
    assert [task.name for task in asked.tasks] == ["", "", "fill the tank"]


def test_no_news_is_told_whatever_was_last_heard() -> None:
    one = judged({59: {"lockouts": ("saucer wet",), "soil_ppt": 200}}, now_day=515)
    assert (one.word, one.heard) == (condition.SILENT, condition.PERSON)
    assert one.sentence == "Last heard on Thu 30 April 2026, 515 days ago; then it needed help."
    assert tasks(one) == ["", "", "saucer wet"], "no amount of water from so long ago"


# --- water by hand -------------------------------------------------------------------------------

# Container capacity 400, filled to 0.95 of it: from 200 to 380 at 1 ml for each part
DRY = {"soil_ppt": 200}
REFILL, FILLS_ML = 250, 180


@pytest.mark.parametrize("name", words.LOCKOUTS)
def test_a_dry_pot_that_is_locked_out_is_watered_by_hand_first(name: str) -> None:
    one = judged({59: {"lockouts": (name,), **DRY}})
    assert tasks(one) == ["water by hand", name]
    feel = ", if the soil feels dry" if name == "no response" else ""
    assert one.tasks[0].do == f"Water it by hand now, about {FILLS_ML} ml{feel}."
    assert one.tasks[0].why.startswith("the soil holds 20.0 % of water by volume; it should ")
    assert one.sentence == "The soil is dry, and the pot cannot water it enough."
    assert one.tasks[1].why == f"{words.LOCKOUTS[name].plain} (since Thu 30 April 2026)"
    assert (one.word, one.visit) == (condition.PERSON, "now")
    assert tasks(judged({59: {"lockouts": (name,)}})) == [name], "moist enough for now"


@pytest.mark.parametrize("name", [row[0] for row in rules.PERMISSIVES])
def test_a_dry_pot_that_may_not_pump_is_watered_by_hand_first(name: str) -> None:
    one = judged({59: {"failing": (name,), **DRY}})
    assert (tasks(one)[:1] == ["water by hand"]) == (name not in ("settled", "steady", "day"))


def test_the_refill_point_itself_is_dry() -> None:
    at = {"lockouts": ("leak",), "soil_ppt": REFILL}
    assert tasks(judged({59: at})) == ["water by hand", "leak"]
    assert tasks(judged({59: {**at, "soil_ppt": REFILL + 1}})) == ["leak"]


def test_one_cause_makes_one_task() -> None:
    """A leak is told by its lockout, and a lost probe is why the pot stays dry."""
    leak = {"lockouts": ("leak",), "needs": ("see to the pot", "see why the tank empties")}
    assert tasks(judged({59: {**leak, "soil_ppt": 400}})) == ["leak"]
    dry = ("see to the soil probe", "see why it stays dry")
    assert tasks(judged({-1: {"needs": dry}})) == ["see to the soil probe"]
    assert tasks(judged({-1: {"needs": dry[1:]}})) == ["see why it stays dry"]


def test_a_pot_whose_soil_is_not_known_is_felt_first() -> None:
    lost = {"soil_ppt": None, "soil_word": "absent", "needs": ("see to the soil probe",)}
    lost["failing"] = ("soil",)
    one = judged({59: lost})
    assert tasks(one) == ["water by hand", "see to the soil probe"]
    assert one.tasks[0].do.startswith("Feel the soil. If it is dry, water it by hand now, about ")
    assert one.sentence.startswith("The pot cannot water by itself, and does not know whether ")
    assert tasks(judged({59: {**lost, "soil_word": "cold"}})) == ["see to the soil probe"], "frost"
    upkeep = rows.log(rows.wakes(60, {59: lost}), (), rows.pot(settings={"upkeep_ml": 50}))
    told = condition.judge(upkeep, Calendar("UTC"), Forecast("tank"), Forecast("battery"), [])
    assert tasks(told) == ["see to the soil probe"], "its upkeep doses go on"
    assert "; meanwhile the pot gives 50 ml every " in told.tasks[0].why
    assert ", and the tank is enough for that until " in told.tasks[0].why


def test_a_dry_pot_whose_last_try_brought_no_water() -> None:
    one = rows.log(
        rows.wakes(60, {59: DRY}), [rows.dose(59, given_ul=0, trips=("no flow",))], rows.pot()
    )
    told = condition.judge(one, Calendar("UTC"), Forecast("tank"), Forecast("battery"), [])
    assert (tasks(told), told.word) == (["water by hand", "dry run"], condition.PERSON)


def test_water_asked_for_by_the_pot_itself_is_told_once_with_its_amount() -> None:
    one = judged({59: {"needs": ("see to the level", "water by hand"), **DRY}})
    assert tasks(one) == ["water by hand", "see to the level"]
    moist = judged({59: {"needs": ("water by hand",)}})
    assert moist.tasks[0].do.startswith("Water it by hand now, about ")
    unknown = rows.log(rows.wakes(60, {59: {"needs": ("water by hand",)}}))
    told = condition.judge(unknown, Calendar("UTC"), Forecast("tank"), Forecast("battery"), [])
    assert told.tasks[0].do == "Feel the soil. If it is dry, water it by hand now."


@pytest.mark.parametrize("upkeep_ml", [0, 50])
@pytest.mark.parametrize("name", [*words.NEEDS, *words.LOCKOUTS])
def test_one_page_says_one_thing_of_how_the_plant_gets_water(name: str, upkeep_ml: int) -> None:
    member = "lockouts" if name in words.LOCKOUTS else "needs"
    known = rows.pot(settings={"upkeep_ml": upkeep_ml})
    lost = {"soil_ppt": None, "soil_word": "absent", "failing": ("soil",)}
    for needs in ((), ("water by hand",), ("see to the soil probe", "water by hand")):
        last = {**(lost if "see to the soil probe" in needs else DRY), "needs": needs}
        last[member] = (*last.get(member, ()), name)
        one = rows.log(rows.wakes(60, {59: last}), (), known)
        told = condition.judge(one, Calendar("UTC"), Forecast("tank"), Forecast("battery"), [])
        said = " ".join(f"{task.do} {task.why}." for task in told.tasks)
        gives, until = said.count("meanwhile the pot gives"), said.count("Until then water by hand")
        assert gives + until <= 1
        assert not (gives and "cannot water by itself" in said)
        assert not (until and tasks(told)[0] == "water by hand")


RIGHT = {
    "R4": "the pump moves as much water as before; the water flows freely",
    "R5": "it uses as much charge as planned",
    "R6": "the soil probe reacts as calibrated; the readings of its probes are plausible",
    "R8": "the tank loses nothing by itself",
    "R9": "it has not restarted by itself",
    "R11": "its storage works",
}
NOTHING_WRONG = {
    "see to the soil probe": ("the soil probe reacts as ", "the readings of its probes are "),
    "see to the level": ("the readings of its probes are ", "the tank loses nothing"),
    "see to the battery": ("the readings of its probes are ",),
    "see to the hose": ("the water flows freely",),
    "see why the tank empties": ("the tank loses nothing",),
    "no response": ("the soil probe reacts as ", "the water flows freely"),
    "dry run": ("the water flows freely", "the pump moves as much"),
    "leak": ("the tank loses nothing",),
    "battery low": ("it uses as much charge",),
    "interrupted": ("it has not restarted",),
    "state lost": ("its storage works",),
    "files damaged": ("its storage works",),
}


@pytest.mark.parametrize("name", NOTHING_WRONG)
def test_nothing_is_called_right_that_the_page_asks_to_see_to(name: str) -> None:
    member = "lockouts" if name in words.LOCKOUTS else "needs"
    last = rows.log(rows.wakes(60, {59: {member: (name,)}})).wakes[-1]
    quiet = [findings.Finding("", QUIET, said, "", "", "", rule) for rule, said in RIGHT.items()]
    left = "; ".join(f.plain for f in quiet if not condition.contradicted(f, last, ()))
    assert left
    assert not [said for said in NOTHING_WRONG[name] if said in left]


def test_readings_that_were_implausible_a_few_times_are_told() -> None:
    found = findings.probe_words(log(60, {50: {"soil_word": "absent"}}))
    assert (found.state, found.plain) == (
        QUIET,
        "all readings of its probes but 1 in 30 days are plausible",
    )


def test_a_probe_that_is_asked_for_is_not_told_of_twice() -> None:
    bad = each(range(50, 60), soil_ppt=None, soil_word="span")
    found = findings.probe_words(log(60, bad))
    last = log(60, {**bad, 59: {**bad[59], "needs": ("see to the soil probe",)}}).wakes[-1]
    assert (found.state, condition.told_of(found, last)) == (WATCH, True)
    assert not condition.told_of(found, log(60, bad).wakes[-1])


def test_frost_is_waited_for_and_no_probe_pushed() -> None:
    cold = {"soil_ppt": None, "soil_word": "cold", "needs": ("see to the soil probe",)}
    (task,) = judged({59: cold | {"failing": ("soil",)}}).tasks
    assert task.do == "Wait until the soil is warmer, or move the pot to a warmer place."


def test_what_a_silent_pot_said_last_is_told_as_that() -> None:
    hose = {"lockouts": ("no response",), "needs": ("see to the hose",), **DRY}
    one = judged({59: hose}, now_day=40, tank_day=10)
    assert one.word == condition.SILENT
    look, read, *others = one.tasks
    assert look.do == "Look at the plant, and water it by hand if the soil is dry."
    assert read.do == "Read its log again with the cable."
    assert [task.why for task in others] == [
        "by its last record, of Thu 30 April 2026: it has stopped watering because the soil did "
        "not get wetter after it was watered (since Thu 30 April 2026)",
        "by its last record, of Thu 30 April 2026: the last watering did not reach the soil",
        "it may have run out by now",
    ]


def test_the_amount_is_the_pots_own() -> None:
    def much(soil_ppt: int, **calibration: int) -> int:
        return condition.fill_ml(rows.pot(calibration=calibration), soil_ppt)

    # Capacity 400, filled to FILL of it, so many microlitres for each part
    pot = rows.pot()
    target = pot.calibration.capacity_ppt * pot.settings.fill_ppt // 1000
    assert much(target - 100, ul_per_ppt=1000) == 100
    assert much(target - 100, ul_per_ppt=1044) == 100
    assert much(target - 100, ul_per_ppt=7010) == 700
    assert much(target + 5, ul_per_ppt=1000) == 10
    assert much(200, ul_per_ppt=0) == pot.settings.dose_ml


def test_each_wake_is_held_against_the_capacity_of_its_own_calibration() -> None:
    other = ("settings id", "limits id", "another calibration")
    one = log(60, each(range(8), soil_ppt=441), answers(*[100] * 8))
    one.pots[other] = rows.pot(calibration={"capacity_ppt": 500})
    for wake in one.wakes[4:]:
        wake.ids = other
    assert "; 4 wakes read a tenth or more above" in findings.probe_drift(one).measure
