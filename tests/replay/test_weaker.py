"""Another core on recorded wakes: what it protects from no longer is told by requirement and wake.

Each broken core is a copy with one line changed. Each is met by a log that ships.
"""

from __future__ import annotations

import gzip
import json
import os
import shutil
from pathlib import Path
from typing import Any, NamedTuple

import pytest
import tomlkit

import makelog
from makelog import another_cores
from wakecore import rules
from wakecore.run import TRIPS
from wakewell import shipped
from wakewell.cli import main
from wakewell.core import core_folder
from wakewell.log.fieldlog import FieldLog
from wakewell.replay import changes
from wakewell.sequences import candidate


class Broken(NamedTuple):
    """A change to one file of the core, and a log that ships and meets it."""

    rule: str
    log: str
    file: str
    old: str
    new: str


def row(table: str) -> str:
    """The whole line of a table that begins so."""
    text = (core_folder() / "rules.py").read_text(encoding="utf-8")
    return next(line + "\n" for line in text.splitlines() if line.strip().startswith(table))


BROKEN = {
    "the pulse may be longer": Broken(
        "R2", "hanging", "plan.py", ", limits.pulse_ms)\n", ", 1 << 29)\n"
    ),
    "the day's limit bounds no pulse": Broken(
        "R3", "basil", "plan.py", "muldiv_down(facts.day_left_ml,", "muldiv_down(1000000,"
    ),
    "a day of twelve hours": Broken(
        "R3", "basil", "state.py", "window_s = DAY_S +", "window_s = DAY_S // 2 +"
    ),
    "no trip without flow": Broken(
        "R4", "tomato", "run.py", "if least_fall_ml > cal.tolerance_ml:", "if False:"
    ),
    "no trip without load": Broken("R4", "dry", "run.py", "if cal.dry_ma else", "if False else"),
    "a level not read": Broken("R4", "gauge", "rules.py", row('"level": '), ""),
    "no reserve": Broken("R4", "fern", "rules.py", row('"reserve": '), ""),
    "dry runs lead to nothing": Broken(
        "R4", "tomato", "rules.py", "if state.dry_trips >= limits.dry_trips:", "if False:"
    ),
    "a dry run is forgiven at any other wake": Broken(
        "R4", "tomato", "tank.py", "average(state, level_ml)\n        judge",
        "average(state, level_ml)\n        state.dry_trips = 0\n        judge",
    ),
    "pumps on a low cell": Broken(
        "R5", "strawberry", "rules.py", "f.battery_mv >= f.battery_floor_mv", "f.battery_mv > 0"
    ),
    "a low cell locks nothing": Broken(
        "R5", "cell", "wake.py", "if state.low_wakes >= LOW_WAKES and", "if False and"
    ),
    "no trip when the cell sags": Broken(
        "R5", "cases", "run.py", "limits.sag_mv, 0, 2)", "limits.sag_mv, 0, 999)"
    ),
    "a probe out of its span is believed": Broken(
        "R6", "mint", "judge.py", "if counts < probe.low - probe.margin or", "if False and"
    ),
    "a frozen probe is believed": Broken(
        "R6", "probe", "judge.py", "state.soil_same + 1 >=", "state.soil_same - 99 >="
    ),
    "soil without an answer locks nothing": Broken(
        "R7", "cases", "rules.py", "if state.silent_doses >= limits", "if 0 > limits"
    ),
    "a dose on top of a dose": Broken("R7", "button", "rules.py", row('"settled": '), ""),
    "a leak locks nothing": Broken(
        "R8", "citrus", "tank.py", "if state.leak_looks >= 2:\n            note_leak",
        "if False:\n            note_leak",
    ),
    "a leak five times as large": Broken(
        "R8", "gauge", "tank.py", "expected_ml(state, pot) - scatter_ml",
        "expected_ml(state, pot) - 5 * scatter_ml",
    ),
    "no looks after a pulse": Broken(
        "R8", "basil", "wake.py", "SECOND_LOOK_S = 60, 540", "SECOND_LOOK_S = 86400, 86400"
    ),
    "interruptions lead to nothing": Broken(
        "R9", "hanging", "rules.py", "if state.interrupts >= limits", "if 0 > limits"
    ),
    "interruptions are forgiven as they are counted": Broken(
        "R9", "cell", "wake.py", "state.interrupts = add_capped(state.interrupts, 1, 100)",
        "state.interrupts = 1",
    ),
    "a wet saucer may be watered": Broken("R15", "hose", "rules.py", row('"saucer": '), ""),
    "no trip when the saucer gets wet": Broken(
        "R15", "cases", "run.py", "probe, cal.wet_ppt,", "probe, 1000000,"
    ),
    "a wet saucer locks nothing": Broken(
        "R15", "hose", "wake.py", 'facts.saucer == "wet" and state', "False and state"
    ),
    "nobody is asked to fill the tank": Broken(
        "R16", "fern", "rules.py", "if is_below(f.level_ml, ", "if False and is_below(f.level_ml, "
    ),
    "thirst is not counted": Broken(
        "R16", "mint", "wake.py", "state.thirst = add_capped(state.thirst, 1, 100)", "pass"
    ),
    "what is new waits for the next report": Broken(
        "R17", "cases", "wake.py", "if new or latched or (pressed and", "if (pressed and"
    ),
    "water without a soil response has no bound": Broken(
        "R18", "hose", "plan.py", "return max(1000 * pot.counted_by.dose_ml, answers_ul)",
        "return 1 << 29",
    ),
}  # fmt: skip


@pytest.fixture(autouse=True)
def _no_trial(monkeypatch: pytest.MonkeyPatch) -> None:
    """That a core loads is tried before it is used, in a process of its own: all of these do."""
    monkeypatch.setattr(
        candidate, "environment", lambda folder: {**os.environ, "PYTHONPATH": folder}
    )


SHIPPED = {
    path.parent.name: path
    for folder in (shipped.CAFE, shipped.TROUBLE)
    for path in folder.glob("*/logs")
}

# The log of cases is as long as all others: what these cores lack, they lack around these
ABOUT = {"sag", "wet", "no response"}
NEAR = 5  # wakes before and after


@pytest.fixture(scope="module")
def met(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """The logs that ship, of the log of cases what lies near a trip or lockout of ABOUT.

    A snapshot stands before each of its wakes: what is kept plays as in the whole, though it may
    be told as several lives.
    """
    short = tmp_path_factory.mktemp("cases") / "logs"
    shutil.copytree(SHIPPED["cases"], short)
    (path,) = short.glob("*.gz")
    lines = gzip.decompress(path.read_bytes()).splitlines(keepends=True)
    kept: set[int] = set()
    before: set[str] = set()
    for at, record in enumerate(map(json.loads, lines)):
        if record["kind"] == "wake":
            now = {*(record["trips"] or ()), *(record["lockouts"] or ())} & ABOUT
            if now - before:
                kept |= {*range(at - 1 - 2 * NEAR, at + 1 + 2 * NEAR)}
            before = now
    near = (data for at, data in enumerate(lines) if at in kept)
    path.write_bytes(gzip.compress(b"".join(near), 1))
    return {**SHIPPED, "cases": short}


def changed_core(folder: Path, file: str, old: str, new: str) -> Path:
    """A copy of the core with one text replaced."""
    shutil.copytree(
        core_folder(), folder / "wakecore", ignore=shutil.ignore_patterns("__pycache__")
    )
    path = folder / "wakecore" / file
    text = path.read_text(encoding="utf-8")
    assert text.count(old) == 1, f"{file} has changed: {old}"
    path.write_text(text.replace(old, new), encoding="utf-8")
    return folder


def replayed(capfd: pytest.CaptureFixture[str], *words: str | Path) -> tuple[int, Any]:
    """(exit code, the one log's object) of `wakewell replay --json`."""
    code, results = each_replayed(capfd, *words)
    return code, results[0]


def each_replayed(capfd: pytest.CaptureFixture[str], *words: str | Path) -> tuple[int, Any]:
    """(exit code, an object for each life of the log) of `wakewell replay --json`."""
    capfd.readouterr()
    code = main(["replay", *map(str, words), "--json"])
    return code, json.loads(capfd.readouterr().out)["results"]


@pytest.mark.parametrize("name", BROKEN)
def test_a_protection_that_no_longer_acts_is_a_finding(
    tmp_path: Path, capfd: pytest.CaptureFixture[str], met: dict[str, Path], name: str
) -> None:
    broken = BROKEN[name]
    core = changed_core(tmp_path, broken.file, broken.old, broken.new)
    # A report that waits is found among many wakes only
    log = SHIPPED[broken.log] if broken.rule == "R17" else met[broken.log]
    code, results = each_replayed(capfd, log, "--core", core)
    weaker = [row for found in results for row in found["weaker"]]
    assert code == 1
    assert broken.rule in {row["rule"] for row in weaker}
    assert all(found["not_played"] == {} for found in results)
    recorded = {
        entry.wake.n for entry in FieldLog(sorted(log.glob("*.gz"))).entries() if entry.wake
    }
    assert all(row["wake"] in recorded and row["count"] > 0 for row in weaker)


def test_the_line_says_which_requirement_and_wake_and_the_last_is_not_all_good(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    """The core without its dry-run trip, on the café's tomato and its clogged hose."""
    broken = BROKEN["no trip without flow"]
    core = changed_core(tmp_path, broken.file, broken.old, broken.new)
    assert main(["replay", str(SHIPPED["tomato"]), "--core", str(core)]) == 1
    out = capfd.readouterr().out
    assert (
        "R4   WEAKER  dry-run protection: trip no flow stopped the pump, now it does not, " in out
    )
    assert "first at wake 232" in out
    assert "all good" not in out.replace("NOT all good", "")


def test_every_requirement_with_a_protection_in_the_pump_has_a_broken_core_here() -> None:
    met = {broken.rule for broken in BROKEN.values()}
    assert met >= {"R2", "R3", "R4", "R5", "R6", "R7", "R8", "R9", "R15", "R16", "R17", "R18"}
    assert set(SHIPPED) >= {broken.log for broken in BROKEN.values()}


def test_the_requirement_of_each_row_is_the_cores_own() -> None:
    """What is said here of a row is what the core's own tables say of it."""
    assert {row[0]: row[1] for row in rules.PERMISSIVES} == changes.PERMISSIVES
    assert {row[0]: row[1] for row in rules.LOCKOUTS} == changes.LOCKOUTS
    assert {row[0]: row[1] for row in TRIPS} == changes.STOPS


def test_a_core_that_fails_on_a_wake_is_a_finding(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    """On a board such a wake ends in a reset, so that no later one gets any further."""
    core = changed_core(
        tmp_path, "tank.py", "    wanted_ml = state.proof_ul // share", "    wanted_ml = 1 // 0"
    )
    code, found = replayed(capfd, SHIPPED["basil"], "--core", core)
    assert code == 1
    assert {(row["rule"], row["wake"]) for row in found["weaker"]} == {("R13", 7)}
    assert "fails: ZeroDivisionError" in next(iter(found["not_played"]))


STRICTER = {
    "a higher rest voltage": (
        "strawberry", "judge.py", "max(settings.battery_mv if settings.id else 0, ", "max(3800, ",
    ),
    "a smaller leak": (
        "gauge", "tank.py", "expected_ml(state, pot) - scatter_ml", "expected_ml(state, pot) - 2",
    ),
    "a larger reserve": (
        "fern", "judge.py", "max(settings.reserve_ml, limits.reserve_ml)", "600",
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", STRICTER)
def test_a_stricter_core_is_listed_and_no_finding(
    tmp_path: Path, capfd: pytest.CaptureFixture[str], name: str
) -> None:
    log, *change = STRICTER[name]
    code, found = replayed(capfd, SHIPPED[log], "--core", changed_core(tmp_path, *change))
    assert found["weaker"] == []
    assert found["stricter"]
    assert code == 0


def test_the_same_core_is_neither_on_every_log_that_ships(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    """A name that nobody uses makes it another core by its id: every wake is judged anew."""
    core = changed_core(tmp_path, "number.py", '"""\n\n', '"""\n\nNOBODYS = 0\n\n')
    assert main(["replay", "--demo", "--core", str(core), "--json"]) == 0
    told = json.loads(capfd.readouterr().out)["results"]
    assert {r["name"] for r in told} == set(SHIPPED)
    for found in told:
        assert (found["weaker"], found["stricter"], found["different"]) == ([], [], 0)
        assert found["played"] == found["wakes"]
        assert found["core"] not in found["recorded_by"]


def test_without_the_core_that_recorded_it_the_records_themselves_say_how_it_was(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    """The log of another core that is not at hand: snapshots and records must do.

    The same core again decides the same; the one without a trip is found out all the same.
    """
    log = tmp_path / "pot" / "logs"
    shutil.copytree(SHIPPED["tomato"], log)
    another_cores(log)
    assert main(["replay", str(log), "--json"]) == 0
    (found,) = json.loads(capfd.readouterr().out)["results"]
    assert (found["weaker"], found["different"]) == ([], 0)
    broken = BROKEN["no trip without flow"]
    core = changed_core(tmp_path / "core", broken.file, broken.old, broken.new)
    code, found = replayed(capfd, log, "--core", core)
    assert code == 1
    assert "R4" in {row["rule"] for row in found["weaker"]}


OTHER_WATER = {
    "it waters at a drier soil": (
        "fields.py", "settings.depletion_ppt, 1000)", "settings.depletion_ppt, 900)"
    ),
    "its pulses are shorter": ("plan.py", "settings.pulse_ml * 1000,", "settings.pulse_ml * 900,"),
}  # fmt: skip


@pytest.mark.parametrize(
    ("name", "log", "known"),
    [
        (name, log, (row + column) % 2 == 0)
        for row, name in enumerate(OTHER_WATER)
        for column, log in enumerate(("citrus", "fern", "hose"))
    ],
)
def test_a_core_that_only_waters_otherwise_is_not_called_weaker(
    tmp_path: Path, capfd: pytest.CaptureFixture[str], name: str, log: str, known: bool
) -> None:
    """Neither with the states of the core that made the log, nor from the records alone."""
    place = tmp_path / "pot" / "logs"
    shutil.copytree(SHIPPED[log], place)
    if not known:
        another_cores(place)
    core = changed_core(tmp_path / "core", *OTHER_WATER[name])
    code, found = replayed(capfd, place, "--core", core)
    assert found["different"] > 0
    assert found["weaker"] == []
    assert code == 0


def asked_about(folder: Path, pot: str, **values: int) -> Path:
    """A settings file of a café pot with some values changed."""
    settings = tomlkit.parse((shipped.CAFE / pot / "settings.toml").read_text(encoding="utf-8"))
    settings.update(values)
    path = folder / "asked.toml"
    path.write_text(tomlkit.dumps(settings), encoding="utf-8")
    return path


@pytest.mark.parametrize(
    "pot", sorted(path.name for path in shipped.CAFE.iterdir() if path.is_dir())
)
def test_what_follows_from_other_water_is_no_decision_of_other_settings(
    tmp_path: Path, capfd: pytest.CaptureFixture[str], pot: str
) -> None:
    """Watering at a drier soil: one wake differs first, and no leak is seen that never was."""
    asked = asked_about(tmp_path, pot, depletion_ppt=600)
    code, found = replayed(capfd, SHIPPED[pot], "--settings", asked)
    first = found["first_otherwise"]
    assert code == 0
    assert (found["weaker"], found["stricter"]) == ([], [])
    assert found["different"] == 1
    assert first["wake"] == found["holds_until"]
    assert first["text"].startswith("no water; recorded: ")
    assert found["held_waterings"] == 0


def test_the_water_up_to_where_it_can_be_compared(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    """A reserve of 200 ml more in the fern's tank stops it at its first low tank."""
    asked = asked_about(tmp_path, "fern", reserve_ml=500)
    code, found = replayed(capfd, SHIPPED["fern"], "--settings", asked)
    runs = [
        entry.record
        for entry in FieldLog(sorted(SHIPPED["fern"].glob("*.gz"))).entries()
        if entry.wake and "run" in entry.record
    ]
    before = [record for record in runs if record["n"] < found["holds_until"]]
    assert code == 0
    assert {row["rule"] for row in found["stricter"]} >= {"R4"}
    assert 0 < len(before) < len(runs)
    assert found["held_ul"] == sum(record["water"]["given_ul"] for record in before)
    assert found["held_waterings"] == sum(r["plan"]["phase"] == "idle" for r in before)


def test_settings_that_weaken_a_protection_are_a_finding(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    """The reserve set lower: starts that the fern's empty tank forbade would be let through, and
    one on the first reading of the tank filled again (R8)."""
    asked = asked_about(tmp_path, "fern", reserve_ml=130, pulse_ml=10)
    code, found = replayed(capfd, SHIPPED["fern"], "--settings", asked)
    assert code == 1
    assert {row["rule"] for row in found["weaker"]} == {"R4", "R8"}
    # A log that lies by itself: of one in its pot's folder replay also says what would follow, from
    # a twin fitted to it (tests/tuning)
    alone = shutil.copytree(SHIPPED["fern"], tmp_path / "alone")
    assert main(["replay", str(alone), "--settings", str(asked)]) == 1
    assert capfd.readouterr().out.rstrip().splitlines()[-1].startswith("1 replayed, NOT all good: ")


RESET = 9  # the wake of the first dose in `unrecorded`


def unrecorded(folder: Path, older: bool = True) -> Path:
    """A log in which the board was reset in its first dose: that wake has no record.

    older: of a board that wrote no snapshot for it.
    """
    script = list(makelog.wakes(75, start=1))
    script[RESET]["run"] = {"reset_at_ms": 1500}
    script[RESET + 1] |= {"cause": "timer", "boots": 1, "slept_s": 60, "vouched": 1}
    lines = list(makelog.log_lines(makelog.play(script, core="0123456789ab")))
    snapshot = b'{"kind":"state","n":%d,' % RESET
    assert sum(data.startswith(snapshot) for data in lines) == 1
    makelog.write(folder, [data for data in lines if not (older and data.startswith(snapshot))])
    return folder


@pytest.mark.parametrize("asked", [False, True])
def test_a_pulse_that_was_never_recorded_makes_no_core_weaker(
    tmp_path: Path, capfd: pytest.CaptureFixture[str], asked: bool
) -> None:
    """The wake after it counts its water; from which state it did so, no record tells.

    It and those up to the next snapshot are told as not played, neither good nor a finding.
    """
    log = unrecorded(tmp_path / "pot" / "logs")
    words: list[str | Path] = [log]
    if asked:
        words += ["--settings", tmp_path / "asked.toml"]
        (tmp_path / "asked.toml").write_text("pulse_ml = 100\n")
    code, found = replayed(capfd, *words)
    assert (found["weaker"], found["stricter"], found["different"]) == ([], [], 0)
    assert found["not_played"] == {"the state it began with is not known": 32 - RESET}
    assert code == 0
    assert main(["replay", *map(str, words)]) == 0
    last = capfd.readouterr().out.rstrip().splitlines()[-1]
    assert f"nothing bad found, but {32 - RESET} wakes not played" in last


def test_a_weaker_core_is_found_after_a_pulse_that_was_never_recorded(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    broken = BROKEN["no looks after a pulse"]
    core = changed_core(tmp_path / "core", broken.file, broken.old, broken.new)
    log = unrecorded(tmp_path / "pot" / "logs")
    code, found = replayed(capfd, log, "--core", core)
    assert code == 1
    assert {row["rule"] for row in found["weaker"]} == {"R8"}
    assert all(row["wake"] >= 32 for row in found["weaker"])


def test_a_snapshot_tells_of_a_pulse_that_was_never_recorded(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    """As a board writes it before the first record after such a pulse: every wake is judged."""
    log = unrecorded(tmp_path / "pot" / "logs", older=False)
    code, found = replayed(capfd, log)
    assert (code, found["weaker"], found["different"], found["not_played"]) == (0, [], 0, {})
    change = "wake.py", "if not state.open_ms:", "if True:"
    code, found = replayed(capfd, log, "--core", changed_core(tmp_path / "core", *change))
    assert code == 1
    assert ("R3", RESET) in {(row["rule"], row["wake"]) for row in found["weaker"]}
