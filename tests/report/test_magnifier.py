"""Every wake under the magnifier: the sentence says what the record says, news first."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import msgspec
import pytest

import rows
from wakecore import rules
from wakecore.plan import LEAST_PULSE_MS
from wakecore.run import OVERRUN_MS, TRIPS, UNREAD
from wakecore.state import PHASES
from wakecore.wake import DRY_RUNS, LONG_PRESS_MS
from wakewell import shipped, words
from wakewell.cli import main
from wakewell.log import series
from wakewell.log.series import PotLog, WakeRow
from wakewell.log.times import Calendar
from wakewell.pot import parts
from wakewell.report import magnifier

LOGS = {
    place.parent.name: place
    for folder in (shipped.CAFE, shipped.TROUBLE)
    for place in folder.glob("*/logs")
}


def read(name: str) -> PotLog:
    place = LOGS[name]
    return series.read(name, place, sorted(place.glob("*.gz")))


@pytest.fixture(scope="module")
def basil() -> PotLog:
    return read("basil")


def told(log: PotLog, before: dict[str, object], now: dict[str, object]) -> tuple[str, bool]:
    """The answer for a quiet wake of that log with some of it changed, after another such."""
    at = next(i for i, w in enumerate(log.wakes) if i and w.kind == "none" and w.phase == "idle")
    first = msgspec.structs.replace(log.wakes[at - 1], **before)
    second = msgspec.structs.replace(log.wakes[at], **now)
    changed = PotLog(log.name, log.place, wakes=[first, second], files=log.files, pots=log.pots)
    return magnifier.answer(second, changed)


@pytest.mark.parametrize("phase", PHASES)
@pytest.mark.parametrize("name", [row[0] for row in rules.LOCKOUTS])
def test_a_lockout_that_begins_comes_first_in_whatever_phase(
    basil: PotLog, name: str, phase: str
) -> None:
    text, watered = told(basil, {}, {"lockouts": (name,), "phase": phase, "failing": ("lockouts",)})
    assert text.startswith(f"stopped because of {words.STOPPED_FOR[name]}; ")
    assert not watered
    assert "the dose is complete" not in text
    still, _ = told(basil, {"lockouts": (name,)}, {"lockouts": (name,), "phase": phase})
    assert not still.startswith("stopped")
    assert "it has stopped" not in text + still, "it may be long ago"


WAYS = {rules.ITSELF: {}, rules.BUTTON: {"button_ms": LONG_PRESS_MS, "cause": "button"}}


@pytest.mark.parametrize(("name", "rule", "way"), rules.LOCKOUTS)
def test_a_lockout_that_ends_comes_first_with_what_ended_it(
    basil: PotLog, name: str, rule: str, way: str
) -> None:
    now = WAYS.get(way, {"host": (f"clear {name}",)})
    text, watered = told(basil, {"lockouts": (name,)}, now)
    assert text.startswith(f"no longer stopped because of {words.STOPPED_FOR[name]}")
    assert not watered
    assert "status check" not in text
    if way == rules.BUTTON:
        assert "the button was held" in text
    if way == rules.CABLE:
        assert "the maker's cable" in text


def test_after_a_gap_nothing_is_said_to_be_new(basil: PotLog) -> None:
    text, _ = told(basil, {}, {"lockouts": ("leak",), "gap": True})
    assert not text.startswith("it has stopped watering")


@pytest.mark.parametrize("trip", [row[0] for row in TRIPS])
def test_a_run_that_showed_no_water_is_a_try(basil: PotLog, trip: str) -> None:
    run = {"kind": "depletion", "dose_ul": 100_000, "pulse_ms": 3000, "ran_ms": 1500}
    text, watered = told(basil, {}, {**run, "given_ul": 30_000, "trips": (trip,)})
    assert watered == (trip not in DRY_RUNS)
    assert text.startswith("watered 30 ml" if watered else "tried to water, and ")
    assert words.TRIPS_WORDS[trip].plain in text


@pytest.mark.parametrize("name", [row[0] for row in rules.PERMISSIVES if row[0] != "lockouts"])
@pytest.mark.parametrize("phase", ["idle", "soak"])
def test_what_held_the_pump_back_is_said(basil: PotLog, name: str, phase: str) -> None:
    now = {"kind": "depletion", "dose_ul": 50_000, "failing": (name,), "phase": phase}
    text, watered = told(basil, {}, now)
    assert words.PERMISSIVES[name].plain in text
    assert not watered


def test_every_row_of_the_core_has_its_words() -> None:
    assert set(words.STOPPED_FOR) == {row[0] for row in rules.LOCKOUTS}


# The wake that is meant, found by what the record itself says of it.


def news(log: PotLog) -> list[tuple[WakeRow, set[str], set[str]]]:
    """(wake, lockouts that began with it, that ended with it) of those where something did."""
    pairs = zip(log.wakes, log.wakes[1:], strict=False)
    found = [(b, {*b.lockouts} - {*a.lockouts}, {*a.lockouts} - {*b.lockouts}) for a, b in pairs]
    return [row for row in found if (row[1] or row[2]) and not row[0].gap]


@pytest.mark.parametrize("name", sorted(set(LOGS) - {"cases"}))
def test_on_every_log_that_ships_news_come_first(name: str) -> None:
    log = read(name)
    for wake, begun, over in news(log):
        text, _ = magnifier.answer(wake, log)
        for lockout in begun:
            assert words.STOPPED_FOR[lockout] in text
        for lockout in over:
            assert words.STOPPED_FOR[lockout] in text
        assert text.startswith(("stopped because of", "no longer stopped because of"))
    for wake in log.wakes:
        text, watered = magnifier.answer(wake, log)
        assert watered == (wake.ran_ms > 0 and not set(wake.trips) & set(DRY_RUNS))


def test_dry_runs_are_not_counted_as_water(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The café's tomato up to its third dry run: the last watering lies before them."""
    log = read("tomato")
    dry = [wake for wake in log.wakes if wake.dry]
    assert len(dry) == 3
    assert sum(d.given_ul for d in log.doses) == sum(w.given_ul for w in log.wakes if not w.dry)
    assert [d.n for d in log.tries] == [w.n for w in dry if w.phase == "idle"]
    cut = PotLog(log.name, log.place, wakes=log.wakes[: log.wakes.index(dry[-1]) + 1])
    cut.files, cut.pots, cut.doses = log.files, log.pots, series.doses(cut)
    last = max(w.n for w in cut.wakes if w.ran_ms and not w.dry and w.phase == "idle")
    assert cut.waterings[-1].n == last < dry[0].n
    shutil.copytree(LOGS["tomato"], tmp_path / "tomato" / "logs")
    page = tmp_path / "out"
    main(["report", str(tmp_path / "tomato"), "--out", str(page), "--wake", str(dry[-1].n)])
    said = capsys.readouterr().out
    why = words.STOPPED_FOR["dry run"]
    assert (
        f"wake {dry[-1].n}: stopped because of {why}; tried to water, and no water was seen: "
        in said
    )


def test_which_wakes_a_word_means() -> None:
    """By number, the last, a date, a day of the week (its latest), a day by its count."""
    log = rows.log(rows.wakes(20), known=rows.pot())
    log.dated = True
    calendar = Calendar("UTC")

    def days(asked: str) -> list[int]:
        return [wake.n for wake in magnifier.wanted(log, asked, calendar)]

    assert days("last") == days(" Last ") == [19]
    assert days("7") == [7]
    assert days("70") == days("٧") == []
    assert days("2026-03-05") == [3]  # the first was on the 2nd, a Monday
    assert days("monday") == [14]
    assert days("sunday") == [13]
    assert days("2026-03-99") == days("someday") == []
    log.wakes.append(rows.wakes(15)[14])
    assert days("monday") == [14, 14]
    log.dated = False
    for wake in log.wakes:
        wake.time_s -= rows.START_S
    calendar = Calendar(dated=False)
    assert days("day 12") == [11]
    assert days("2026-03-05") == []


def test_a_reading_with_what_it_converts_to() -> None:
    """The grown gardens' tables: 1.0 to 2.4 V is 500 to 50 ppt; 1.4 to 2.2 V is 2.8 to 4.4 V."""
    cal = rows.pot().calibration
    soil = magnifier.reading_row("soil", [1_000_000, 7], "good", cal)
    assert (soil["counts"], soil["spread"], soil["value"]) == ("1000000", "7", "50.0 % by volume")
    assert soil["word"] == words.PROBE_WORDS["good"].plain
    assert magnifier.reading_row("battery", [1_800_000, 7], "", cal)["value"] == "3.600 V"
    assert magnifier.reading_row("level", [300_000, 7], "", cal)["value"] == "0 ml"
    switch = rows.pot(calibration={"float_only": 1}).calibration
    says = magnifier.reading_row("level", [300_000, 7], "", switch)["value"]
    assert says == "the water is down to the float switch", "a switch shows no amounts"
    lost = magnifier.reading_row("soil", None, "absent", cal)
    assert (lost["counts"], lost["spread"], lost["value"]) == ("did not answer", "", "")
    assert magnifier.reading_row("soil", [1, 2], "", None)["value"] == ""
    odd = magnifier.reading_row("another", [1, 2], "", cal)
    assert (odd["name"], odd["counts"], odd["value"]) == ("another", "1", "")


def test_a_run_drawn_by_channel() -> None:
    run = {"ms": [0, 150, 300], "level": [300_000, UNREAD, 2_500_000], "battery": [UNREAD] * 3}
    (level,) = magnifier.run_pictures(run, rows.pot().calibration)
    assert level["text"] == (
        f"{parts.PROBES['level'].plain}: 0 to 4000 ml in 300 ms; 1 samples did not answer"
    )
    (plain,) = magnifier.run_pictures({"ms": [0, 150], "level": [3, 4]}, None)
    assert plain["text"] == f"{parts.PROBES['level'].plain}: 3 to 4 counts in 150 ms"
    assert magnifier.run_pictures({}, None) == magnifier.run_pictures({"ms": []}, None) == []


def why_idle(known: bool = True, **changes: object) -> str:
    """Why the last of some quiet wakes asked for no water."""
    log = rows.log(rows.wakes(3, {-1: changes}), known=rows.pot() if known else None)
    return magnifier.idle(log.wakes[-1], log, (), ())


def test_why_a_wake_asked_for_no_water() -> None:
    """The gardens' refill point is 250 ppt."""
    above = "the soil held 30.0 %, above the refill point of 25.0 %"
    assert why_idle() == above
    again = "; the level fell, so it measures again"
    assert why_idle(failing=("steady",)) == above + again
    assert why_idle(failing=("steady",), lockouts=("leak",)) == above
    assert why_idle(soil_ppt=250) == "the soil held 25.0 %, and no water was needed"
    assert why_idle(soil_ppt=251) == "the soil held 25.1 %, above the refill point of 25.0 %"
    assert why_idle(known=False) == "the soil held 30.0 %, and no water was needed"
    assert why_idle(soil_ppt=None, soil_word="jump") == (
        "the soil probe gives implausible readings: " + words.PROBE_WORDS["jump"].plain
    )
    assert why_idle(failing=("commissioned",)) == words.PERMISSIVES["commissioned"].plain
    look = words.PHASES["first look"].plain
    assert why_idle(phase="first look") == look
    assert why_idle(phase="first look", failing=("steady",)) == look + again
    assert why_idle(phase="first look", level_ml=None) == (
        look + ", and the reading of the level was implausible"
    )
    assert why_idle(phase="soak") == "the soil was wet enough"
    assert why_idle(phase="soak", cause="brownout").endswith(" in the middle of a dose")
    assert why_idle(cause="button", button_ms=100) == "the button was pressed for a status check"
    held = why_idle(cause="button", button_ms=2500, lockouts=("leak",))
    assert held.startswith("the button was held, and it is still stopped because of ")
    assert why_idle(cause="button", button_ms=2500) == "the button was held"


def test_what_a_wake_did_about_water() -> None:
    def did(**changes: object) -> tuple[str, bool]:
        log = rows.log(rows.wakes(3, {-1: changes}), known=rows.pot())
        return magnifier.did(log.wakes[-1], log, (), ())

    gave = {"ran_ms": 2000, "pulse_ms": 2000, "given_ul": 40_000, "kind": "depletion"}
    kind = words.KINDS["depletion"].plain
    assert did(**gave, dose_ul=40_000) == (f"watered 40 ml: {kind}", True)
    assert did(**gave, dose_ul=40_500) == (f"watered 40 ml: {kind}", True)
    assert did(**gave, dose_ul=41_000) == (f"watered 40 ml of 41 ml still planned: {kind}", True)
    sag = words.TRIPS_WORDS["sag"].plain
    assert did(**gave, dose_ul=40_000, trips=("sag",)) == (f"watered 40 ml; cut short: {sag}", True)
    assert did(pulse_ms=2000) == (
        "did not water: it could not record the start first", False,
    )  # fmt: skip
    wish = {"dose_ul": 40_000, "kind": "depletion", "failing": ("reserve",)}
    why = words.PERMISSIVES["reserve"].plain
    assert did(**wish) == (f"did not water, although water was needed: {why}", False)
    assert did(**wish, phase="soak") == (f"gave no more: {why}", False)
    assert did(**wish, phase="soak", cause="button") == (f"did not water: {why}", False)


def test_why_a_dose_that_nothing_held_back_was_not_given() -> None:
    """The gardens' pot: 30 ml/s at most, so 10.5 ml in the least pulse and its overrun."""
    known = rows.pot()
    least_ms = LEAST_PULSE_MS + OVERRUN_MS
    least_ml = -(-known.limits.flow_max_ul_s * least_ms // 1_000_000)  # rounded up

    def why(**changes: object) -> str:
        log = rows.log(rows.wakes(3, {-1: changes}), known=known)
        return magnifier.too_little(log.wakes[-1], log)

    left = "the remaining amount was too small to pump"
    assert why() == left
    day = "the rest of the 24-hour limit is less than one pulse"
    assert why(day_ml=known.limits.day_ml - least_ml) == left
    assert why(day_ml=known.limits.day_ml - least_ml + 1) == day
    start_ml = series.start_of(known)
    assert why(level_ml=start_ml + 1) == why(level_ml=None) == left
    assert why(level_ml=start_ml) == "the water above the tank's reserve is less than one pulse"


def test_a_wake_laid_out(basil: PotLog) -> None:
    """What it planned and what is on record, of a wake that watered and of one that ran dry."""
    wake = next(w for w in basil.wakes if w.ran_ms and w.place in basil.kept)
    found = magnifier.magnify(basil, wake, basil.kept[wake.place], Calendar("UTC"))
    pot = basil.pot_of(wake)
    assert pot is not None
    assert dict(found.plan)["still to give"] == f"{wake.dose_ul / 1000:.1f} ml"
    assert dict(found.plan)["refill point"] == magnifier.percent(series.refill_of(pot))
    assert dict(found.plan)["a dose fills to"] == magnifier.percent(series.target_of(pot))
    recorded = dict(found.recorded)
    assert recorded["water given, best estimate"] == f"{wake.given_ul / 1000:.1f} ml"
    assert recorded["pump ran"] == f"{wake.ran_ms / 1000:.2f} s"
    dry = msgspec.structs.replace(wake, trips=("no flow",))
    assert (
        magnifier.given_text(dry)
        == f"no water seen; {wake.given_ul / 1000:.1f} ml by its running time"
    )


# --- the wakes of a watering in one row ----------------------------------------------------------


def gathered(*changes: dict[str, Any]) -> list[Any]:
    """Rows of these wakes; every number is the one before and one."""
    log = rows.log(rows.wakes(len(changes), dict(enumerate(changes))), (), rows.pot())
    close = [
        magnifier.Magnified(wake, f"day {wake.n}", *magnifier.answer(wake, log))
        for wake in log.wakes
    ]
    return magnifier.gathered(close, log)


PULSE = {"ran_ms": 2000, "given_ul": 40000, "pulse_ms": 2000, "kind": "depletion", "dose_ul": 80000}
SOAK = PULSE | {"phase": "soak"}
LOOK = {"phase": "first look"}


def test_a_watering_is_one_row_that_holds_its_wakes() -> None:
    found = gathered({}, PULSE, SOAK, LOOK, {"phase": "second look"}, {})
    assert [len(one.parts) for one in found] == [0, 4, 0]
    assert found[1].when == "day 1"
    assert found[1].answer == "watered 80 ml in 2 pulses: the soil was dry, so it was filled up"


def test_what_began_in_a_watering_is_told_in_its_row() -> None:
    (one,) = gathered(PULSE, LOOK, {"phase": "second look", "lockouts": ("leak",)})
    assert one.answer.startswith("watered 40 ml in 1 pulse: ")
    assert f"stopped because of {words.STOPPED_FOR['leak']}" in one.answer
    cut = gathered(PULSE, SOAK | {"trips": ("sag",)}, LOOK)[0].answer
    assert f"; cut short: {words.TRIPS_WORDS['sag'].plain}" in cut
    dry = PULSE | {"trips": ("no flow",), "given_ul": 40000}
    (tried,) = gathered(dry, LOOK)
    assert tried.answer.startswith("tried to water, and no water was seen")
    (half,) = gathered(PULSE, dry | {"phase": "soak"})
    assert half.answer.startswith("watered 40 ml in 2 pulses; cut short: ")
    assert "no water was seen" in half.answer


def test_a_row_that_begins_within_a_watering_says_so() -> None:
    (one,) = gathered(SOAK, LOOK)
    assert one.answer.startswith("end of a watering: watered 40 ml in 1 pulse")
    (one,) = gathered(LOOK, {"phase": "second look"})
    assert one.answer == "end of a watering"
    (one,) = gathered(LOOK, {"phase": "second look", "lockouts": ("leak",)})
    assert one.answer.startswith("end of a watering; stopped because of a leak")
