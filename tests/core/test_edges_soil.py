"""R6, R7, R16, R18: readings, the soil and its answers, who asks for how much, thirst."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

from core_edges import facts, kept, play, played, pot, probe

from wakecore import fields, judge, number, plan, rules, wake


def test_each_word_of_a_reading_on_both_sides() -> None:
    found = probe(points=[100, 0, 500, 1000], rails=[0, 600], spread=5)[0]
    assert judge.judge(None, [300, 0]) == "unfitted"
    assert judge.judge(found, None) == "absent"
    for reading, word in (
        ([0, 0], "railed"), ([1, 0], "span"), ([600, 0], "railed"), ([599, 0], "span"),
        ([300, 5], "good"), ([300, 6], "flicker"), ([80, 0], "good"), ([79, 0], "span"),
        ([520, 0], "good"), ([521, 0], "span"),
    ):  # fmt: skip
        assert judge.judge(found, reading) == word, reading
    assert judge.value(found, [300, 0], "good") == 500
    assert judge.value(found, [300, 0], "flicker") is None


def test_soil_cold_frozen_and_jump_on_both_sides() -> None:
    made = pot({"frozen_wakes": 5, "fall_ppt_day": 150}, {"cold_mc": 2000})
    dry = 2000000 - 2 * 100 * 1000  # 100 ppt, 2000 counts for one
    for mc, word in ((2000, "good"), (1999, "cold"), (None, "cold")):
        assert judge.judge_soil([dry, 9], mc, kept(), made) == word
    bare = pot(probes=())
    assert judge.judge_soil([dry, 9], None, kept(), bare) == "good"
    for same, spread, counts, word in (
        (4, 0, dry, "frozen"), (3, 0, dry, "good"), (4, 1, dry, "good"), (4, 0, dry + 1, "good"),
    ):  # fmt: skip
        was = kept(soil_counts=dry, soil_same=same)
        assert judge.judge_soil([counts, spread], 9000, was, made) == word, (same, spread)
    for last, ago_s, word in (
        (250, 0, "good"), (251, 0, "jump"), (251, 86399, "jump"), (251, 86400, "good"),
        (400, 86400, "good"), (401, 86400, "jump"), (401, 172800, "good"), (-1, 0, "good"),
    ):  # fmt: skip
        was = kept(soil_ppt=last, soil_s=ago_s)
        assert judge.judge_soil([dry, 9], 9000, was, made) == word, (last, ago_s)
    assert judge.judge_soil(None, 9000, kept(), made) == "absent"


def test_what_is_remembered_of_soil() -> None:
    was = kept(soil_counts=7, soil_same=3, soil_ppt=100, soil_s=50)
    judge.remember_soil(was, None, "absent", None)
    judge.remember_soil(was, [9, 0], "railed", None)
    judge.remember_soil(was, [9, 0], "unfitted", None)
    assert (was.soil_counts, was.soil_same, was.soil_ppt, was.soil_s) == (7, 3, 100, 50)
    judge.remember_soil(was, [7, 0], "good", 120)
    assert (was.soil_counts, was.soil_same, was.soil_ppt, was.soil_s) == (7, 4, 120, 0)
    judge.remember_soil(was, [7, 1], "good", 0)
    assert (was.soil_counts, was.soil_same, was.soil_ppt) == (7, 1, 0)
    judge.remember_soil(was, [8, 0], "flicker", None)
    assert (was.soil_counts, was.soil_same, was.soil_ppt) == (8, 1, 0)
    was.soil_same = 1000
    judge.remember_soil(was, [8, 0], "good", 5)
    assert was.soil_same == 1000


def test_the_response_stays_near_the_calibrated_one() -> None:
    for base, learned, response in (
        (0, 700, 0), (1000, 0, 1000), (1000, 249, 250), (1000, 250, 250), (1000, 4000, 4000),
        (1000, 4001, 4000), (3, 0, 3), (2, 1, 1), (1, 9, 4),
    ):  # fmt: skip
        cal: Any = SimpleNamespace(ul_per_ppt=base)
        found = judge.response_ul_per_ppt(kept(learned_ul_per_ppt=learned), cal)
        assert found == response, (base, learned)


def test_an_answer_on_both_sides() -> None:
    settings: Any = SimpleNamespace(response_ppt=10, dose_ml=80)
    unknown: Any = SimpleNamespace(ul_per_ppt=0)
    known: Any = SimpleNamespace(ul_per_ppt=1000)

    def asked(
        cal: Any, given_ul: int, rise: int, before: int = 200, exhausted: bool = False, dry: int = 1
    ) -> tuple[Any, ...]:
        was = kept(
            before_ppt=before, peak_ppt=before + rise, given_ul=given_ul, silent_doses=1,
            unanswered_ul=99, asked=dry,
        )  # fmt: skip
        seen = kept(before_ppt=before, peak_ppt=before, given_ul=given_ul, unanswered_ul=99)
        judge.follow_answer(seen, before + rise, cal, settings)
        judge.learn(was, cal, settings, exhausted)
        assert seen.unanswered_ul == (0 if was.silent_doses == 0 else 99), "R18: answered or not"
        assert was.unanswered_ul == 99, "what was given since the answer was seen counts"
        return was.silent_doses, was.learned_ul_per_ppt, was.before_ppt, was.peak_ppt

    closed = (-1, -1)
    assert asked(unknown, 40000, 10) == (0, 0, *closed)
    assert asked(unknown, 40000, 9) == (2, 0, *closed)
    assert asked(unknown, 39999, 9) == (1, 0, 200, 209), "too small a dose: left open"
    assert asked(unknown, 39999, 10) == (0, 0, *closed), "but a rise answers"
    assert asked(known, 9000, 9) == (1, 0, 200, 209), "too small, and 9 ppt expected: open"
    assert asked(known, 9000, 10) == (0, 0, *closed), "but a rise answers"
    assert asked(known, 5000, 10) == (0, 0, *closed), "up to twice what was expected"
    assert asked(known, 4999, 11) == (1, 0, *closed), "more is a can: no answer, asked anew"
    assert asked(known, 4999, 9) == (1, 0, 200, 209), "less is noise: open"
    assert asked(known, 9001, 4) == (2, 0, *closed), "10 ppt can be seen"
    assert asked(known, 9001, 5) == (0, 0, *closed), "half of what was expected will do"
    wide: Any = SimpleNamespace(ul_per_ppt=20000)
    assert asked(wide, 39999, 1) == (1, 0, 200, 201)
    assert asked(wide, 40000, 1) == (0, 0, *closed), "a whole dose is judged by what it should do"
    assert asked(wide, 40000, 0) == (2, 0, *closed)
    assert asked(known, 40000, 10) == (0, 0, *closed)
    assert asked(known, 40000, 9) == (2, 0, *closed)
    assert asked(known, 12000, 6) == (0, 0, *closed)
    assert asked(known, 12000, 5) == (2, 0, *closed)
    # From 20 up to twice the expected it learns a quarter of the difference
    assert asked(known, 40000, 20) == (0, 1250, *closed)
    assert asked(known, 40000, 19) == (0, 0, *closed)
    assert asked(known, 40000, 80) == (0, 875, *closed)
    assert asked(known, 40000, 81) == (0, 0, *closed)
    assert asked(known, 40000, 10, before=0) == (0, 0, *closed), "as dry as can be"
    # Nothing more may be given: the question is judged as it stands (R18)
    assert asked(unknown, 39999, 9, exhausted=True) == (2, 0, *closed)
    assert asked(unknown, 39999, 10, exhausted=True) == (0, 0, *closed)
    # A dose that nobody's dry soil asked for: silence is no fault, a rise is an answer (R7)
    assert asked(known, 40000, 0, dry=0) == (1, 0, *closed)
    assert asked(unknown, 100, 0, dry=0) == (1, 0, *closed)
    assert asked(known, 40000, 40, dry=0) == (0, 0, *closed), "and nothing is learned"


def test_refill_and_target() -> None:
    for capacity, wilting, depletion, fill, refill, target in (
        (400, 100, 500, 950, 250, 380), (400, 100, 50, 1000, 385, 400),
        (401, 100, 500, 500, 250, 201),
    ):  # fmt: skip
        settings: Any = SimpleNamespace(depletion_ppt=depletion, fill_ppt=fill)
        cal: Any = SimpleNamespace(capacity_ppt=capacity, wilting_ppt=wilting)
        assert fields.refill_ppt(settings, cal) == refill
        assert fields.target_ppt(settings, cal) == target
    assert plan.water_ul(100, 101, 7) == 7
    assert plan.water_ul(101, 101, 7) == plan.water_ul(102, 101, 7) == 0
    made = pot()
    for kind, soil, filled in (
        (plan.DEPLETION, 380, True), (plan.SET, 380, True), (plan.SET, 379, False),
        (plan.MANUAL, 380, False), (plan.UPKEEP, 380, False), (plan.SET, None, False),
    ):  # fmt: skip
        assert plan.is_target_reached(kind, soil, made) is filled


def test_who_asks_for_how_much() -> None:
    upkeep = {"upkeep_ml": 30, "upkeep_days": 4}
    known, unknown = pot(upkeep), pot(upkeep, calibration={"ul_per_ppt": 0})
    first = pot(upkeep, calibration={"stage": 1})
    day_s = 86400

    def ask(made: Any, since_s: int = 0, **changes: Any) -> tuple[int, int]:
        asking: Any = SimpleNamespace(
            **{"manual": False, "due": True, "soil_ppt": 250, "soil_dry": True, **changes}
        )
        found: tuple[int, int] = plan.demand(asking, kept(since_dose_s=since_s), made)
        return found

    assert ask(known) == (plan.DEPLETION, 130000)
    assert ask(known, soil_ppt=251, soil_dry=False) == (plan.NONE, 0)
    assert ask(known, soil_ppt=100) == (plan.DEPLETION, 150000), "the largest dose"
    assert ask(unknown) == (plan.SET, 80000)
    assert ask(known, due=False) == (plan.NONE, 0)
    assert ask(known, manual=True, due=False, soil_ppt=None) == (plan.MANUAL, 80000)
    assert ask(known, 4 * day_s, soil_ppt=None) == (plan.UPKEEP, 30000)
    assert ask(known, 4 * day_s - 1, soil_ppt=None) == (plan.NONE, 0)
    assert ask(known, 9 * day_s, soil_ppt=300, soil_dry=False) == (plan.NONE, 0)
    assert ask(first, 4 * day_s) == (plan.UPKEEP, 30000)
    assert ask(first, 4 * day_s - 1) == (plan.NONE, 0)
    assert ask(pot(), 9 * day_s, soil_ppt=None, soil_dry=False) == (plan.NONE, 0)


def test_a_dose_begins_with_a_question() -> None:
    """Every dose awaits an answer (R18); silence is held against those of dry soil (R7)."""

    made = pot()

    def begin(kind: int, soil_ppt: int | None = 240, **changes: Any) -> Any:
        counts = {"interrupts": 1, "dry_trips": 2, "silent_doses": 1, "unanswered_ul": 9}
        was = kept(**{"given_ul": 7, "look_ml": 900, "pulses": 3, **counts, **changes})
        now: Any = SimpleNamespace(level_ml=800, soil_ppt=soil_ppt)
        wake.begin_dose(was, now, made, kind, 50000)
        assert (was.plan_kind, was.plan_ul, was.pulses) == (kind, 50000, 0)
        assert {name: getattr(was, name) for name in counts} == counts, "a dose forgives nothing"
        assert was.look_ml == 900
        return was.given_ul, was.before_ppt, was.peak_ppt, was.asked

    assert begin(plan.SET) == begin(plan.DEPLETION) == (0, 240, 240, 1)
    assert begin(plan.MANUAL) == begin(plan.UPKEEP) == (0, 240, 240, 0)
    assert begin(plan.UPKEEP, soil_ppt=None) == (0, -1, -1, 0)
    open_one = {"before_ppt": 100, "peak_ppt": 120}
    assert begin(plan.SET, **open_one, asked=1) == (7, 100, 120, 1), "it adds to the question"
    assert begin(plan.MANUAL, **open_one, asked=1) == (7, 100, 120, 1)
    assert begin(plan.MANUAL, **open_one, asked=0) == (7, 100, 120, 0)
    assert begin(plan.SET, **open_one, asked=0) == (0, 240, 240, 1), "dry soil asks anew"
    assert begin(plan.MANUAL, before_ppt=0, peak_ppt=0, asked=1) == (7, 0, 0, 1)
    answered = {**open_one, "given_ul": 20000, "asked": 1}
    was = kept(**answered, silent_doses=2)
    wake.begin_dose(was, SimpleNamespace(soil_ppt=240), made, plan.MANUAL, 50000)  # type: ignore[arg-type]
    assert (was.silent_doses, was.given_ul, was.before_ppt, was.asked) == (0, 0, 240, 0), "anew"


def test_how_much_a_press_asks_for_after_silence() -> None:
    """The set dose; or a pulse, or what the least answer takes, where that is less (R18)."""
    for dose_ml, pulse_ml, answer_ppt, ul_per_ppt, learned, more_ul in (
        (80, 40, 10, 0, 0, 80000), (80, 40, 10, 1000, 0, 40000), (80, 40, 50, 1000, 0, 50000),
        (80, 40, 10, 5000, 7000, 70000), (80, 40, 10, 5000, 9000, 80000),
        (80, 100, 10, 1000, 0, 80000), (1, 40, 10, 1000, 0, 4000),
    ):  # fmt: skip
        made = pot(
            {"response_ppt": answer_ppt, "dose_ml": dose_ml, "pulse_ml": pulse_ml},
            {"dose_ml": 150}, {"ul_per_ppt": ul_per_ppt},
        )  # fmt: skip
        assert plan.one_more_ul(kept(learned_ul_per_ppt=learned), made) == more_ul
    made = pot({"dose_ml": 3}, {"dose_ml": 3}, {"ul_per_ppt": 0})
    assert plan.one_more_ul(kept(), made) == 3000, "no more than all that is allowed"
    made = pot({"dose_ml": 300}, {"dose_ml": 150}, {"ul_per_ppt": 0})
    assert plan.one_more_ul(kept(), made) == 150_000, "nor where settings and limits do not match"


def test_soil_that_is_seen_to_get_wetter_lets_a_press_try_again() -> None:
    """By the least answer, from the lowest since the press (R18)."""
    made = pot({"response_ppt": 10})

    def look(soil_ppt: Any, tried_ppt: int) -> int:
        was = kept(tried_ppt=tried_ppt)
        reading = None if soil_ppt is None else [made.calibration.soil.points[0][0] + 1, 1]
        judged = {"soil": "good" if soil_ppt else "absent"}
        now: Any = facts(soil_ppt=soil_ppt, judged=judged, phase_before=0)
        wake.look_at_soil(was, now, made, reading, True, 1000)
        return int(was.tried_ppt)

    assert look(240, 1000) == -1, "the probe is back"
    assert look(249, 240) == 240
    assert look(250, 240) == -1
    assert look(230, 240) == 230
    assert look(None, 240) == 240
    assert look(500, -1) == -1


def test_a_can_of_water_answers_no_dose_that_a_press_made() -> None:
    """A rise of more than twice the expected and the least answer, not seen at once (R18)."""
    made = pot({"response_ppt": 10, "dose_ml": 80}, {}, {"ul_per_ppt": 1000})
    settings, cal = made.settings, made.calibration

    def after(rise: int, soon: bool = False, **changes: Any) -> tuple[int, int, int, int]:
        was = kept(
            **{"before_ppt": 200, "peak_ppt": 200, "given_ul": 40000, "unanswered_ul": 99}
            | {"tries": 1, "tried_ppt": 200, "silent_doses": 2} | changes
        )  # fmt: skip
        judge.follow_answer(was, 200 + rise, cal, settings, soon)
        follows = was.unanswered_ul, was.tries, was.tried_ppt
        judge.learn(was, cal, settings, True)
        assert was.before_ppt == -1
        return (*follows, was.silent_doses)

    assert after(9) == (99, 1, 200, 3)
    assert after(10) == after(90) == (0, 0, -1, 0)
    assert after(91) == (99, 1, 200, 2), "neither silent nor an answer"
    assert after(91, soon=True)[:3] == (0, 0, -1)
    assert after(91, tries=0, tried_ppt=-1) == (0, 0, -1, 0)


def test_how_much_may_go_without_an_answer() -> None:
    """The largest dose, or three times what the least answer takes, whichever is more (R18)."""
    for dose_ml, answer_ppt, ul_per_ppt, learned, bound_ul in (
        (150, 10, 1000, 0, 150000), (150, 50, 1000, 0, 150000), (150, 51, 1000, 0, 153000),
        (150, 200, 0, 0, 150000), (150, 10, 5000, 6000, 180000), (150, 10, 5001, 0, 150030),
    ):  # fmt: skip
        made = pot({"response_ppt": answer_ppt}, {"dose_ml": dose_ml}, {"ul_per_ppt": ul_per_ppt})
        was = kept(unanswered_ul=1000, learned_ul_per_ppt=learned)
        assert plan.bound_ul(was, made) == bound_ul
        assert plan.left_ul(was, made) == bound_ul - 1000
        was.unanswered_ul = bound_ul + 1
        assert plan.left_ul(was, made) == 0
    assert plan.least_ul(pot()) == 4000, "200 ms at 20 ml a second"
    top = pot({"response_ppt": 200}, {}, {"ul_per_ppt": 100000})
    most_ul = plan.bound_ul(kept(learned_ul_per_ppt=number.SMALL_MAX), top)
    assert most_ul == 3 * 200 * 400000 <= number.SMALL_MAX


def test_a_question_asked_of_the_driest_soil() -> None:
    settings: Any = SimpleNamespace(response_ppt=10, dose_ml=80)
    cal: Any = SimpleNamespace(ul_per_ppt=0)
    for peak, silent in ((0, 2), (10, 0)):
        was = kept(before_ppt=0, peak_ppt=peak, given_ul=80000, silent_doses=1)
        judge.learn(was, cal, settings, False)
        assert was.silent_doses == silent


def test_a_pot_that_thirsts_says_so() -> None:
    """Three regular wakes in want of water, and the owner is told (R16)."""
    dry = {"soil": [1600000, 9], "battery": [1950000, 9]}
    low = {"counts": dry, "level_ml": 81, "slept_s": 86400}

    def asking(*wakes: dict[str, Any]) -> list[int]:
        told = [set(one["needs"]) for one in play(*wakes)]
        both = {"see why it stays dry", "water by hand"}
        assert all(both <= needs or not both & needs for needs in told)
        return [int(both <= needs) for needs in told]

    assert asking(*[low] * 4) == [0, 0, 1, 1]
    press = {**low, "cause": "button", "button_ms": 50, "slept_s": 1}
    assert asking(low, low, press, low, low) == [0, 0, 0, 1, 1], "a press is no regular wake"
    moist = {**low, "counts": {"soil": [1240000, 9], "battery": [1950000, 9]}}
    assert asking(low, low, moist, low, low, low) == [0, 0, 0, 0, 0, 1]
    lost = {**low, "counts": {"soil": None, "battery": [1950000, 9]}}
    assert asking(lost, lost, lost) == [0, 0, 1], "nor does anybody know that it is moist"


def test_when_a_plant_is_in_want_of_water() -> None:
    made = pot(calibration={"wilting_ppt": 100})

    def look(ppt: int | None, regular: bool = True, pulse_ms: int = 0, **changes: Any) -> Any:
        was = kept(
            **{
                "thirst": 1,
                "unmet": 0,
                **{
                    k: changes.pop(k)
                    for k in ("thirst", "unmet", "dry_trips", "cold_ppt")
                    if k in changes
                },
            }
        )
        dry, elapsed_s = ppt is not None and ppt <= 250, changes.pop("elapsed_s", 86400)
        now = facts(soil_ppt=ppt, soil_dry=dry, **changes)
        wake.look_at_thirst(was, now, made, regular, pulse_ms, elapsed_s)
        return was.thirst, was.unmet

    assert look(250) == look(None) == (2, 1)
    assert look(250, pulse_ms=1) == look(101, pulse_ms=1) == (2, 0)
    assert look(100, pulse_ms=1) == (2, 1), "wilting: one dose is not enough to say well"
    assert look(250, regular=False) == look(None, regular=False) == (1, 0)
    assert look(251) == look(251, unmet=1) == (0, 0)
    assert look(251, regular=False) == (0, 0)
    assert look(251, regular=False, unmet=1) == (1, 1), "part of the dose is missing"
    assert look(None, soil_cold=True) == (1, 0), "cold soil hardly drinks"
    refill_ppt = fields.refill_ppt(made.settings, made.calibration)
    cold = {"soil_cold": True, "soil_ignored": True}
    assert look(None, **cold) == look(None, cold_ppt=-1, **cold) == (1, 0)
    assert look(None, cold_ppt=refill_ppt, **cold) == (1, 0), "dry, and in the cold it may wait"
    half_ppt = (refill_ppt + 100) // 2
    assert look(None, cold_ppt=half_ppt + 1, **cold) == (1, 0)
    assert look(None, cold_ppt=half_ppt, **cold) == look(None, cold_ppt=0, **cold) == (2, 1)
    assert look(None, cold_ppt=100, regular=False, **cold) == (1, 0)
    assert look(None, cold_ppt=refill_ppt + 1, unmet=1, **cold) == (0, 0), "watered by hand"
    assert look(None, cold_ppt=refill_ppt + 1, regular=False, **cold) == (1, 0)
    assert look(None, cold_ppt=100, soil_cold=True) == (1, 0), "the probe itself is lost"
    assert look(250, thirst=100) == (100, 1)
    # A dose may still arrive, unless none was given
    assert look(250, since_dose_s=6749) == (1, 1)
    assert look(250, since_dose_s=6750) == (2, 1), "a quarter of the settling is no excuse"
    assert look(250, since_dose_s=6749, elapsed_s=0) == (2, 1), "no time passes, none settles"
    assert look(250, since_dose_s=6749, elapsed_s=1) == (1, 1)
    assert look(250, since_dose_s=6749, lockouts=1) == (2, 1)
    assert look(250, since_dose_s=6749, dry_trips=1) == (2, 1)


def test_what_becomes_of_the_soil() -> None:
    made = pot({"settle_s": 1000, "response_ppt": 10}, {"response_doses": 2}, {"ul_per_ppt": 0})

    def look(ppt: int | None, regular: bool = True, elapsed_s: int = 9, **changes: Any) -> Any:
        usual = {"before_ppt": 200, "peak_ppt": 205, "given_ul": 80000, "since_dose_s": 1000}
        was = kept(**{**usual, "soil_ppt": 77, "soil_counts": 4, "soil_same": 2, **changes})
        now: Any = SimpleNamespace(
            soil_ppt=ppt, judged={"soil": "good" if ppt is not None else "absent"},
            soil_unchanged=False, phase_before=0, soil_ignored=False,
        )  # fmt: skip
        wake.look_at_soil(was, now, made, [4, 0], regular, elapsed_s)
        return was

    was = look(206)
    assert (was.silent_doses, was.before_ppt, was.soil_ppt, was.soil_same) == (1, -1, 206, 3)
    assert look(210).silent_doses == 0
    assert look(204, peak_ppt=210).silent_doses == 0, "the highest since counts"
    was = look(210, regular=False)
    assert (was.before_ppt, was.peak_ppt, was.soil_ppt, was.soil_same) == (200, 210, 77, 2)
    assert look(206, since_dose_s=999).before_ppt == 200
    was = look(None)
    assert (was.before_ppt, was.peak_ppt, was.soil_ppt) == (200, 205, 77)
    was = look(206, elapsed_s=0)
    assert (was.soil_ppt, was.soil_same) == (77, 2), "no time has passed for sure"
    assert look(206, elapsed_s=0, soil_ppt=-1).soil_ppt == 206
    assert look(206, elapsed_s=0, soil_ppt=0).soil_ppt == 0
    was = look(206, silent_doses=1)
    rules.latch_counts(was, made.limits)
    assert was.lockouts == rules.BITS["no response"]
    assert look(206, silent_doses=0).lockouts == 0
    was = look(0, before_ppt=0, peak_ppt=0)
    assert (was.before_ppt, was.silent_doses) == (-1, 1)
    assert look(206, before_ppt=-1).peak_ppt == 205


def test_soil_in_the_cold_is_followed_until_it_freezes() -> None:
    made = pot({"fall_ppt_day": 152, "wake_s": 43200})
    counts_of = {ppt: [counts, 0] for counts, ppt in made.calibration.soil.points}
    (wet, dry), most = sorted(counts_of, reverse=True)[:2], 38  # half of 152 in half a day

    def look(cold_ppt: int, believed: int, elapsed_s: int = 43200, **changes: Any) -> int:
        was = kept(cold_ppt=cold_ppt, soil_ppt=believed)
        usual = {"soil_ppt": None, "judged": {"soil": "cold"}, "soil_ignored": True}
        now: Any = SimpleNamespace(**{**usual, "phase_before": 0, **changes})
        wake.look_at_soil(was, now, made, counts_of[dry], changes.get("regular", True), elapsed_s)
        return was.cold_ppt

    assert look(dry + most, wet) == look(0, wet) == look(wet, -1, elapsed_s=10**6) == dry
    assert look(dry + most + 1, wet) == -1, "so fast only freezing soil gets dry"
    assert look(dry + 2 * most, wet, elapsed_s=86400) == dry
    assert look(dry + 2 * most + 1, wet, elapsed_s=86400) == -1
    assert look(-1, wet) == look(-1, 0) == -1, "once frozen, until it is believed again"
    assert look(-1, -1) == dry, "never believed: followed from the first reading on"
    assert look(5, wet, soil_ppt=300, soil_ignored=False) == 300
    assert look(5, wet, soil_ignored=False) == 5, "a lost probe tells nothing"
    assert look(5, wet, elapsed_s=0) == 5


def test_soil_that_stands_still_starts_no_dose_whoever_vouches_for_the_time() -> None:
    made = pot(probes=())
    for elapsed_s, regular, standing in ((0, True, True), (1, True, True), (1, False, False)):
        was = kept(soil_counts=4, soil_same=2)
        now: Any = SimpleNamespace(
            soil_ppt=300, judged={"soil": "good"}, soil_unchanged=None, soil_ignored=False
        )
        wake.look_at_soil(was, now, made, [4, 0], regular, elapsed_s)
        assert bool(now.soil_unchanged) is standing, (elapsed_s, regular)


def test_a_regular_wake_that_waters_has_no_doubt_left() -> None:
    """The looks after its dose may doubt anew, as often as after any other (R8)."""
    was = kept(doubts=2, sleep_s=86400)
    counts = {"soil": [1600000, 9], "battery": [1950000, 9]}
    played(was, counts=counts, level_ml=900, cause="timer", slept_s=86400)
    assert (was.pulses, was.doubts) == (1, 0)
