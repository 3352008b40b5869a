"""`wakewell replay` on logs: good ones, damaged ones, tampered ones, hostile ones."""

from __future__ import annotations

import gzip
import hashlib
import json
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

import pytest

import makelog
from wakeboard import store
from wakecore import line
from wakecore.wake import RECORD
from wakewell.cli import main
from wakewell.commands import replay
from wakewell.core import core_folder
from wakewell.interpreters import interpreter
from wakewell.portable import run_replay
from wakewell.replay import replaying
from wakewell.shipped import CAFE

NEEDS_MICROPYTHON = pytest.mark.skipif(not interpreter.found(), reason=interpreter.MISSING)
OTHER_CORE = "0123456789ab"
PUMP_WAKE = 10  # wakes 0, 10, 20 ... run the pump


@pytest.fixture(scope="module")
def lines() -> list[bytes]:
    """A log of 70 wakes: snapshots before wakes 0, 32 and 64."""
    return list(makelog.log_lines(makelog.play(makelog.wakes(70))))


@pytest.fixture(scope="module")
def foreign() -> list[bytes]:
    """The same, made by another core."""
    return list(makelog.log_lines(makelog.play(makelog.wakes(70), core=OTHER_CORE)))


Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def run(capfd: pytest.CaptureFixture[str]) -> Run:
    """Exit code, output and errors of `wakewell replay`."""

    def call(*words: str | Path) -> tuple[int, str, str]:
        capfd.readouterr()
        code = main(["replay", *map(str, words)])
        return code, *capfd.readouterr()

    return call


def at_wake(lines: list[bytes], n: int) -> int:
    """Where the line of wake n is."""
    start = f'{{"kind":"wake","n":{n},'.encode()
    return next(i for i, data in enumerate(lines) if data.startswith(start))


def tampered(lines: list[bytes], wake: int, **members: Any) -> list[bytes]:
    """The log with members of that wake replaced, under a good CRC."""
    at = at_wake(lines, wake)
    return [*lines[:at], makelog.changed(lines[at], **members), *lines[at + 1 :]]


def record_of(lines: list[bytes], n: int) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(lines[at_wake(lines, n)])
    return found


def report_of(folder: Path, lines: Iterable[bytes], **options: Any) -> replaying.LogReplay:
    report = replaying.replay_log("pot", [makelog.write(folder, lines)], **options)
    json.dumps(replay.as_json(report))
    assert all(text.isprintable() for text in replay.lines_of(report))
    return report


# Good logs


def test_a_good_log(tmp_path: Path, lines: list[bytes], run: Run) -> None:
    log = makelog.write(tmp_path / "fern" / "logs", lines)
    for place in (log, log.parent, tmp_path / "fern", tmp_path):
        code, out, err = run(place)
        assert (code, err) == (0, "")
        assert "70 of 70 wakes played, all as recorded" in out
        assert out.count(" held ") == 18
    assert out.startswith("fern: 70 wakes, 2022-12-31 to 2023-02-24\n")
    assert "7 waterings in 7 pulses" in out


def test_json_is_one_object(tmp_path: Path, lines: list[bytes], run: Run) -> None:
    makelog.write(tmp_path / "a", lines)
    makelog.write(tmp_path / "b", [b"rubbish", *lines])
    code, out, _ = run(tmp_path, "--json")
    told = json.loads(out)
    assert code == 0
    assert told["good"] is True
    assert [r["name"] for r in told["results"]] == ["a", "b"]
    assert [(r["wakes"], r["played"], r["skipped"]) for r in told["results"]] == [
        (70, 70, 0),
        (70, 70, 1),
    ]
    assert told["results"][0]["pulses"] == 7


def test_nothing_of_the_users_is_touched_and_piped_output_is_plain(
    tmp_path: Path, lines: list[bytes]
) -> None:
    log = makelog.write(tmp_path, [b"rubbish \x1b[31m", *lines])
    (tmp_path / "in-force" / "old.json").write_bytes(b"?")
    before = {p: hashlib.sha256(p.read_bytes()).digest() for p in tmp_path.rglob("*.json*")}
    command = [sys.executable, "-m", "wakewell", "replay", str(log)]
    done = subprocess.run(command, capture_output=True)
    assert (done.returncode, done.stderr) == (0, b"")
    assert b"\x1b" not in done.stdout
    assert b"\r" not in done.stdout.replace(b"\r\n", b"\n")
    assert {p: hashlib.sha256(p.read_bytes()).digest() for p in tmp_path.rglob("*.json*")} == before


# Divergence


def test_a_tampered_decision_is_a_fault_under_the_same_core(
    tmp_path: Path, lines: list[bytes], run: Run
) -> None:
    plan = record_of(lines, 13)["plan"]
    log = makelog.write(tmp_path, tampered(lines, 13, plan=plan | {"dose_ul": 5}))
    code, out, _ = run(log)
    assert code == 1
    assert f"DIVERGES at wake 13 ({log}:{at_wake(lines, 13) + 1}), 1 in all" in out
    told = [text.strip() for text in out.splitlines()]
    assert "plan.dose_ul: recorded 5" in told
    assert "decided 0" in told
    code, out, _ = run(log, "--json")
    (difference,) = json.loads(out)["results"][0]["differences"]
    assert code == 1
    assert (difference["member"], difference["recorded"], difference["decided"]) == (
        "plan.dose_ul",
        5,
        0,
    )


# The rest is what the core was told, or which core it was.
TOLD = ("kind", "core", "begin", "rest", "read", "run", "after", "awake_ms")
DECIDED = [name for name in RECORD if name not in TOLD]


@pytest.mark.parametrize("name", [*DECIDED, "surplus"])
def test_no_decision_can_be_altered_unseen(tmp_path: Path, lines: list[bytes], name: str) -> None:
    was = record_of(lines, PUMP_WAKE).get(name)
    now: Any = "0" * 8
    if name == "told":
        now = {"weight": 1}  # of a probe that the pot does not have
    elif isinstance(was, dict):
        key = sorted(was)[0]
        now = was | {key: was[key] + 1 if isinstance(was[key], int) else "x"}
    elif isinstance(was, list):
        now = [*was, 0 if name == "stores" else "sleep 5 button"]
    elif isinstance(was, int):
        now = was + 1
    report = report_of(tmp_path, tampered(lines, PUMP_WAKE, **{name: now}))
    if name in ("settings", "limits", "calibration", "before"):  # as after a gap
        assert sum(report.unplayed.values()) > 0
    else:
        assert not report.good


def test_another_cores_decision_is_a_listed_difference(
    tmp_path: Path, foreign: list[bytes], run: Run
) -> None:
    code, out, _ = run(makelog.write(tmp_path, foreign))
    assert code == 0
    assert "70 of 70 wakes played, all as recorded" in out
    soil = record_of(foreign, 13)["judged"] | {"soil": "jump"}
    for_both = tampered(tampered(foreign, 13, judged=soil), 14, judged=soil)
    code, out, _ = run(makelog.write(tmp_path, for_both))
    assert code == 1  # it was not believed then, and is now
    assert "2 wakes with other decisions by core" in out
    assert "judged.soil: 2, first at wake 13: 'jump' -> 'good'" in out
    assert "R6   WEAKER  no watering on an implausible probe: the soil was jump, now it is" in out


def test_a_log_of_two_cores_is_held_to_this_one_where_this_one_made_it(
    tmp_path: Path, lines: list[bytes], foreign: list[bytes]
) -> None:
    """After a new core is flashed the board starts cold, so the log has a snapshot there."""
    script = [wake | ({"cause": "power"} if n == 40 else {}) for n, wake in enumerate(_script(70))]
    mine, theirs = (
        list(makelog.log_lines(makelog.play(script, core=core))) for core in (None, OTHER_CORE)
    )
    at = at_wake(mine, 40) - 1
    mixed = theirs[:at] + mine[at:]
    report = report_of(tmp_path, mixed)
    assert (report.played, report.divergent, report.good) == (70, 0, True)
    plan = record_of(mine, 45)["plan"] | {"dose_ul": 5}
    report = report_of(tmp_path, tampered(mixed, 45, plan=plan))
    assert (report.divergent, report.good) == (1, False)
    plan = record_of(mine, 35)["plan"] | {"dose_ul": 5}
    report = report_of(tmp_path, tampered(mixed, 35, plan=plan))  # a dose of nothing: no protection
    assert (report.divergent, report.different, report.good) == (0, 1, True)


def _script(count: int) -> list[dict[str, Any]]:
    return list(makelog.wakes(count))


# Broken requirements: other eyes than the core's look at what was commanded and read


def broken(log: list[bytes]) -> dict[str, dict[str, Any]]:
    pump = record_of(log, PUMP_WAKE)
    commands = pump["commands"]
    return {
        "R1": {"commands": ["rest", *commands[1:]]},
        "R1 pin": {"begin": pump["begin"] | {"pin": 0}},
        "R2": {"run": pump["run"] | {"ran_ms": 5300}},
        "R3": {},  # the pulse before it took 900 ml
        "R4": {"values": pump["values"] | {"level_ml": 10}},
        "R4 unread": {"values": pump["values"] | {"level_ml": None}},
        "R5": {"values": pump["values"] | {"battery_mv": 3400}},
        "R6": {"judged": pump["judged"] | {"soil": "frozen"}},
        "R8": {"commands": [*commands[:-1], "sleep 86400 button"]},
        "R9": {"stores": [0, 1]},
        "R9 unstored": {"commands": [c for c in commands if c != "store"]},
        "R11": {"begin": pump["begin"] | {"limits": "default"}},
        "R12": {"begin": pump["begin"] | {"cause": "button", "button_ms": 300}},
        "R13": {"awake_ms": 400_000},
        "R13 no sleep": {"commands": commands[:-1]},
        "R15": {"judged": pump["judged"] | {"saucer": "absent"}},
        "R15 wet": {"permissives": pump["permissives"] | {"saucer": 0}},
    }


CASES = "R1|R1 pin|R2|R3|R4|R4 unread|R5|R6|R8|R9|R9 unstored|R11|R12|R13|R13 no sleep|R15|R15 wet"


@pytest.mark.parametrize("case", CASES.split("|"))
def test_a_broken_requirement_is_told_whichever_core_it_was(
    tmp_path: Path, foreign: list[bytes], run: Run, case: str
) -> None:
    cases = broken(foreign)
    assert set(cases) == set(CASES.split("|"))
    if case == "R3":
        pump = record_of(foreign, PUMP_WAKE)
        same = {name: pump[name] for name in ("run", "after", "plan", "commands", "stores")}
        water = pump["water"] | {"fall_ml": 900}
        foreign = tampered(foreign, PUMP_WAKE - 1, **same, water=water)
    code, out, _ = run(makelog.write(tmp_path, tampered(foreign, PUMP_WAKE, **cases[case])))
    rule = case.split()[0]
    told = [text for text in out.splitlines() if "BROKEN" in text]
    assert code == 1
    assert [text.split()[0] for text in told[:-1]] == [rule]
    assert told[0].endswith(f"at wake {PUMP_WAKE}")
    assert told[-1].strip() == "verdict  a requirement is BROKEN"


def test_watering_on_time_that_nothing_vouches_for_breaks_r3(
    tmp_path: Path, foreign: list[bytes]
) -> None:
    """R10: the wall clock says days have passed, no board vouches for it (two doses, 210 ml)."""
    log = foreign
    for n in range(1, 11):
        log = tampered(log, n, begin=record_of(log, n)["begin"] | {"vouched": 0})
    held = {v.rule: v.held for v in report_of(tmp_path, log).held}
    assert [rule for rule in held if not held[rule]] == ["R3"]


def test_watering_on_and_on_without_an_answer_breaks_r7(tmp_path: Path) -> None:
    """The soil never gets wetter: a fourth dose at response_doses = 3 should not have been."""
    log = list(makelog.log_lines(makelog.play(makelog.wakes(50), core=OTHER_CORE)))
    for n in range(50):
        log = tampered(log, n, values=record_of(log, n)["values"] | {"soil_ppt": 200})
    report = report_of(tmp_path, log)
    assert report.verdicts.doses == 5
    broken = {v.rule: v.wake for v in report.held if not v.held}
    # 81 ml at each dose, and 150 allowed before an answer; dry at four regular wakes in a row
    assert broken == {"R7": 30, "R16": 6, "R18": 20}


def test_pumping_before_commissioning_breaks_r14(tmp_path: Path, foreign: list[bytes]) -> None:
    files = makelog.pot(stage=0)
    makelog.keep_in_force(tmp_path, files)
    record = {"calibration": line.identity(files["calibration"])}
    report = report_of(tmp_path, tampered(foreign, PUMP_WAKE, **record))
    assert [v.rule for v in report.held if not v.held] == ["R14"]


def test_pumping_under_a_lockout_is_told(tmp_path: Path, foreign: list[bytes]) -> None:
    log = foreign
    for n in (9, 10):
        log = tampered(log, n, lockouts=["dry run"])
    report = report_of(tmp_path, log)
    (verdict,) = [v for v in report.held if not v.held]
    assert (verdict.rule, verdict.evidence) == ("R4", "pump ran under the lockout 'dry run'")
    assert report.verdicts.latched == [(9, "dry run", 11)]


# Gaps


def test_after_a_missing_record_play_goes_on_at_the_next_snapshot(
    tmp_path: Path, lines: list[bytes], run: Run
) -> None:
    at = at_wake(lines, 20)
    code, out, _ = run(makelog.write(tmp_path, lines[:at] + lines[at + 1 :]))
    assert code == 0
    assert "58 of 69 wakes played, all as recorded" in out  # 21 to 31 are lost with 20
    assert f"not played  11 wakes, first {tmp_path / '00000001.jsonl'}:{at + 1}: " in out


def test_a_gap_also_under_other_settings(tmp_path: Path, lines: list[bytes], run: Run) -> None:
    (tmp_path / "s.toml").write_text("pulse_ml = 100\nleak_ml_day = 6\n")
    at = at_wake(lines, 20)
    log = makelog.write(tmp_path / "logs", lines[:at] + lines[at + 1 :])
    code, out, _ = run(log, "--settings", tmp_path / "s.toml")
    assert code == 0
    assert "58 of 69 wakes played, all as recorded" in out


STORY: dict[str, dict[int, dict[str, Any]]] = {
    "a state that was lost": {20: {"state": "lost", "cause": "power"}},
    "a last write that failed": {13: {"stores": [0]}},
    "a last write that failed for days": {n: {"stores": [0]} for n in range(13, 17)},
    "a pulse whose end was not stored": {PUMP_WAKE: {"stores": [1, 0]}},
    "a pulse that could not be begun": {PUMP_WAKE: {"stores": [0, 1]}},
    "a pulse that could neither begin nor end": {PUMP_WAKE: {"stores": [0, 0]}},
    "a slot that was damaged": {20: {"state": "previous", "cause": "power"}},
    "a reset in mid-dose": {PUMP_WAKE: {"run": {"reset_at_ms": 1000}}},
    "two resets in mid-dose": {n: {"run": {"reset_at_ms": 900}} for n in (PUMP_WAKE, 20)},
    "a hang in mid-dose": {PUMP_WAKE: {"run": {"hang_at_ms": 1000}}},
    "a part that failed in mid-dose": {PUMP_WAKE: {"run": {"fault_at_ms": 1000}}},
    "no memory in mid-dose": {PUMP_WAKE: {"run": {"memory_at_ms": 1000}}},
    "files that were lost": {20: {"settings": "default"}, 21: {"settings": "default"}},
}


@pytest.mark.parametrize("name", STORY)
def test_whatever_befell_the_pot_its_log_replays_whole(tmp_path: Path, name: str) -> None:
    script = [wake | STORY[name].get(n, {}) for n, wake in enumerate(_script(70))]
    played = list(makelog.play(script))
    records = sum(out["record"] is not None for out in played)
    report = report_of(tmp_path, makelog.log_lines(played))
    assert (report.wakes, report.played, report.skips.count) == (records, records, 0)
    assert report.good, list(replay.lines_of(report))
    by_another = makelog.log_lines(makelog.play(script, core=OTHER_CORE))
    report = report_of(tmp_path, by_another)
    assert (report.played, report.different, report.good) == (records, 0, True)


@pytest.mark.parametrize("name", STORY)
def test_whatever_befell_the_pot_this_core_is_not_called_another(tmp_path: Path, name: str) -> None:
    """The same core under another name, its snapshots lost but one and every wake by the timer.

    What is played comes out the same; where no record tells the state, nothing is.
    """
    script = [wake | STORY[name].get(n, {}) for n, wake in enumerate(_script(70))]
    for wake in script:
        wake |= {"cause": "timer", "slept_s": 3600, "vouched": 1}
    lines = list(makelog.log_lines(makelog.play(script, core=OTHER_CORE)))
    snapshots = [data for data in lines if data.startswith(b'{"kind":"state"')]
    report = report_of(tmp_path, [data for data in lines if data not in snapshots[1:]])
    assert report.played > 0
    assert (report.different, report.changes, report.skips.count) == (0, {}, 0)


@pytest.mark.parametrize("on", interpreter.KINDS)
def test_whatever_befell_the_pot_micropython_agrees(tmp_path: Path, on: str) -> None:
    """All logs in one start of the interpreter, which takes longer than they do."""
    if not interpreter.found(on):
        pytest.skip(interpreter.missing(on))
    makelog.keep_in_force(tmp_path)
    inputs: list[bytes] = []
    for core in (None, OTHER_CORE):
        for story in STORY.values():
            script = [wake | story.get(n, {}) for n, wake in enumerate(_script(40))]
            log = makelog.write(tmp_path, makelog.log_lines(makelog.play(script, core=core)))
            inputs += replaying.lines_to_play([log], None)
    here = list(run_replay.answers(inputs))
    assert len(here) > 2 * 38 * len(STORY)
    assert sum(answer.startswith(b'{"kind":"wake"') for answer in here) > 0.9 * len(here)
    assert list(interpreter.stream("wakewell.portable.run_replay", inputs, on=on)) == here


def test_ring_files_as_the_board_writes_them(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, run: Run
) -> None:
    monkeypatch.setattr(store, "MOST_FILES", 6)
    board = store.PotFiles(str(tmp_path))
    for out in makelog.play(makelog.wakes(300)):
        assert board.append(RECORD, out["record"], out["before"])
    makelog.keep_in_force(tmp_path / "log")
    assert len(board.log_files()) == 6
    assert board.log_files()[0] > 1  # the oldest are gone
    code, out, _ = run(tmp_path, "--json")
    told = json.loads(out)["results"][0]
    assert code == 0
    assert told["played"] == told["wakes"]
    assert 100 < told["wakes"] < 300
    assert told["skipped"] == 0


def test_what_was_pulled_twice_is_played_once(tmp_path: Path, lines: list[bytes]) -> None:
    first = makelog.write(tmp_path, lines[:60])
    second = tmp_path / "00000002.jsonl"
    second.write_bytes(b"".join(data + b"\n" for data in lines[30:]))
    report = replaying.replay_log("pot", [first, second])
    assert (report.played, report.skips.count, report.good) == (70, 29, True)
    assert report.skips.first[0].why == "wake 29 again, after wake 57"


# Other settings, another core


def test_other_settings_and_from_where_on_the_answer_no_longer_holds(
    tmp_path: Path, lines: list[bytes], run: Run
) -> None:
    log = makelog.write(tmp_path, lines)
    asked = tmp_path / "later.toml"
    asked.write_text("depletion_ppt = 700  # water later\npulse_ml = 100\n")
    code, out, _ = run(log, "--settings", asked)
    assert code == 0
    assert f"with other decisions by settings {asked}:" in out
    assert (
        "what if  wake 0 (2022-12-31) is the first with another decision: no water; recorded" in out
    )
    assert "until then no water yet; from then on the readings followed other water" in out
    assert "plan.kind: 1, first at wake 0: 'depletion' -> 'none'" in out
    assert "from wake 0 on the water would be different" in out
    assert "1 replayed, nothing bad found, but 1 wake with other decisions" in out
    asked.write_text("pulse_ml = 100\nbattery_warn_mv = 4200\n")
    code, out, _ = run(log, "--settings", asked)
    assert code == 0
    assert "70 of 70 wakes played, all as recorded" in out  # a warning is no decision
    asked.write_text("pulse_ml = 100\nfall_ppt_day = 120\n")
    code, out, _ = run(log, "--settings", asked)
    assert "70 of 70 wakes played, all as recorded" in out  # no soil falls by that much
    asked.write_text("pulse_ml = 30\n")
    code, out, _ = run(log, "--settings", asked, "--json")
    told = json.loads(out)["results"][0]
    assert (code, told["holds_until"], told["settings_asked"]) == (0, 0, str(asked))
    # No pulse of 30 ml was ever run: how it would have gone is not known, so not told.
    first = {d["member"] for d in told["differences"] if d["wake"] == 0}
    assert first == {"plan.pulse_ms", "commands"}


def test_settings_as_a_board_stores_them(tmp_path: Path, lines: list[bytes], run: Run) -> None:
    log = makelog.write(tmp_path, lines)
    files = makelog.pot()
    stored = tmp_path / "in-force" / f"{line.identity(files['settings'])}.json"
    code, out, _ = run(log, "--settings", stored)
    assert code == 0
    assert "70 of 70 wakes played, all as recorded" in out


BAD_SETTINGS = {
    "": "no value in it",
    "pulse_m = 3\n": ":1: pulse_m = 3: not a name of the settings; nearest known name pulse_ml",
    "\npulse_ml = 0\n": ":2: pulse_ml = 0: allowed 1 to 500",
    "pulse_ml = 3.5\n": ":1: pulse_ml = 3.5: allowed 1 to 500",
    "pulse_ml = \n": ":1: ",
    "battery_clear_mv = 3000\n": "battery_clear_mv",
    '{"kind":"settings"}': "no crc at its end",
    "{" + "[" * 20_000: "no crc at its end",
}


def test_settings_that_are_not_there(tmp_path: Path, lines: list[bytes], run: Run) -> None:
    asked = tmp_path / "june.toml"
    log = makelog.write(tmp_path, lines)
    one_line(run(log, "--settings", asked), f"{asked}: no such file; give a settings.toml")


@pytest.mark.parametrize("text", BAD_SETTINGS)
def test_bad_settings_are_one_line_and_exit_2(
    tmp_path: Path, lines: list[bytes], run: Run, text: str
) -> None:
    asked = tmp_path / "s.toml"
    asked.write_text(text)
    one_line(run(makelog.write(tmp_path, lines), "--settings", asked), str(asked))
    assert BAD_SETTINGS[text] in run(tmp_path, "--settings", asked)[2]


@pytest.mark.parametrize("nested", [b"[" * 10_000, b'{"a":' * 2000])
def test_settings_nested_under_a_good_crc(
    tmp_path: Path, lines: list[bytes], run: Run, nested: bytes
) -> None:
    asked = tmp_path / "s.json"
    asked.write_bytes(makelog.sealed(b'{"kind":"settings","version":1,"soak_s":' + nested))
    one_line(run(makelog.write(tmp_path, lines), "--settings", asked), str(asked))


def another_core(folder: Path, **changes: str) -> Path:
    """A copy of the core with lines changed: file name without .py, "old -> new"."""
    copy = folder / "wakecore"
    shutil.copytree(core_folder(), copy, ignore=shutil.ignore_patterns("__pycache__"))
    for name, change in changes.items():
        old, new = change.split(" -> ")
        path = copy / f"{name}.py"
        text = path.read_text()
        assert old in text
        path.write_text(text.replace(old, new))
    return folder


def test_another_core_lists_what_it_decides_otherwise(
    tmp_path: Path, lines: list[bytes], run: Run
) -> None:
    log = makelog.write(tmp_path / "logs", lines)
    core = another_core(tmp_path / "new", wake="FIRST_LOOK_S, SECOND_LOOK_S = 60 -> "
                        "FIRST_LOOK_S, SECOND_LOOK_S = 61")  # fmt: skip
    code, out, err = run(log, "--core", core)
    assert (code, err) == (0, "")
    assert "7 wakes with other decisions by core" in out
    assert "commands: 7, first at wake 0: " in out
    assert "'sleep 60 button'] -> " in out
    code, out, _ = run(log, "--core", core / "wakecore", "--json")
    told = json.loads(out)
    assert (code, told["results"][0]["different"]) == (0, 7)
    assert told["core"] not in told["results"][0]["recorded_by"]


def test_the_same_core_from_elsewhere_makes_the_same(
    tmp_path: Path, lines: list[bytes], run: Run
) -> None:
    log = makelog.write(tmp_path / "logs", lines)
    code, out, _ = run(log, "--core", another_core(tmp_path / "copy"))
    assert code == 0
    assert "70 of 70 wakes played, all as recorded" in out


@NEEDS_MICROPYTHON
def test_another_core_on_micropython(tmp_path: Path, lines: list[bytes], run: Run) -> None:
    log = makelog.write(tmp_path / "logs", lines)
    core = another_core(tmp_path / "new", plan="LEAST_PULSE_MS = 200 -> LEAST_PULSE_MS = 4100")
    code, out, _ = run(log, "--core", core, "--on", "micropython")
    assert code == 0
    assert "'run 4050'" in out
    assert "micropython  the same bytes" in out


@pytest.mark.parametrize("place", ["/a", "/zz"])
def test_micropython_finds_the_core_in_force_first(
    place: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Wherever it lies: the board's own folder holds a wakecore too."""
    monkeypatch.setattr(interpreter.wakecore, "__file__", f"{place}/wakecore/__init__.py")
    assert interpreter.environment()["MICROPYPATH"].split(":")[0] == place


def test_a_core_that_is_none_is_one_line(tmp_path: Path, lines: list[bytes], run: Run) -> None:
    log = makelog.write(tmp_path / "logs", lines)
    one_line(run(log, "--core", tmp_path), "no wakecore folder there")
    core = another_core(tmp_path / "torn", plan="def demand -> dfe demand")
    one_line(run(log, "--core", core), "cannot be used: SyntaxError")
    core = another_core(tmp_path / "old", rules="LOCKOUTS = ( -> LATCHES = (")
    one_line(run(log, "--core", core), "cannot be used: ")


# Input that cannot be used


def one_line(done: tuple[int, str, str], *words: str) -> None:
    """Exit code 2, one clear line that has these words, nothing that looks like a traceback."""
    code, out, err = done
    assert code == 2
    assert "Traceback" not in out + err
    assert err.startswith("wakewell replay: ")
    assert err.count("\n") == 1
    assert err.rstrip("\n").isprintable()
    for word in words:
        assert word in err


def test_nothing_given_or_nothing_there(tmp_path: Path, run: Run) -> None:
    one_line(run(), "nothing to replay")
    one_line(run(tmp_path), "no log here; a log's name ends in .jsonl or .jsonl.gz")
    one_line(run(tmp_path / "nope.jsonl"), "nope.jsonl: no such file or folder")
    one_line(run("x" * 5000), "cannot be read: File name too long")


UNUSABLE = {
    "empty": b"",
    "blank": b"\n\n",
    "binary": bytes(range(256)) * 50,
    "zeros": bytes(40_000),
    "text": b"Dear all, please find attached\n",
    "foreign JSON": b'{"kind":"wake"}\n',
    "not UTF-8": b"\xff\xfe\n",
    "huge": b"x" * 3_000_000,
    "gzip of nothing": b"\x1f\x8b",
    "deep": makelog.sealed(b"[" * 20_000),
}


@pytest.mark.parametrize("name", UNUSABLE)
def test_a_file_that_is_no_log(tmp_path: Path, run: Run, name: str) -> None:
    path = tmp_path / "a.jsonl"
    path.write_bytes(UNUSABLE[name])
    one_line(run(path), f"{path}: no wake in it")
    code, out, _ = run(path, "--json")
    assert code == 2
    assert json.loads(out)["good"] is False


def test_one_bad_log_does_not_hide_the_good_ones(
    tmp_path: Path, lines: list[bytes], run: Run
) -> None:
    makelog.write(tmp_path / "a", [])
    makelog.write(tmp_path / "b", lines)
    code, out, err = run(tmp_path)
    assert code == 2
    assert "\nb       70 " in out
    assert err == f"wakewell replay: {tmp_path / 'a'}: no wake in it\n"


def test_from_the_shell_there_is_never_a_traceback(tmp_path: Path, lines: list[bytes]) -> None:
    """A real process, odd names, a terminal that speaks ASCII only."""
    names = [b"caf\xc3\xa9.jsonl", b"\xff\xfe.jsonl", b"a\x1b[2Jb.jsonl"]
    makelog.keep_in_force(tmp_path)
    environment = {**os.environ, "PYTHONIOENCODING": "ascii"}
    for name in names:
        path = os.path.join(os.fsencode(tmp_path), name)
        command = [os.fsencode(sys.executable), b"-m", b"wakewell", b"replay", path]
        try:
            Path(os.fsdecode(path)).write_bytes(b"rubbish\n")
        except OSError:
            continue  # this file system has no such names
        done = subprocess.run(command, capture_output=True, env=environment)
        one_line((done.returncode, done.stdout.decode(), done.stderr.decode()), "no wake in it")
        Path(os.fsdecode(path)).write_bytes(b"rubbish\n" + b"".join(d + b"\n" for d in lines))
        done = subprocess.run(command, capture_output=True, env=environment)
        assert (done.returncode, done.stderr) == (0, b"")


def test_in_force_missing(tmp_path: Path, lines: list[bytes], run: Run) -> None:
    log = makelog.write(tmp_path, lines)
    identity = line.identity(makelog.pot()["limits"])
    (tmp_path / "in-force" / f"{identity}.json").unlink()
    one_line(
        run(log),
        "none of 70 wakes could be played",
        f"limits {identity} is not at hand",
        "keep the folder in-force/ that came with the log beside it",
    )


def test_in_force_damaged(tmp_path: Path, lines: list[bytes], run: Run) -> None:
    log = makelog.write(tmp_path, lines)
    identity = line.identity(makelog.pot()["settings"])
    path = tmp_path / "in-force" / f"{identity}.json"
    path.write_bytes(path.read_bytes().replace(b"100", b"101"))
    one_line(run(log), f"settings {identity}: crc does not match")


def test_in_force_of_a_part_missing_is_counted(tmp_path: Path, run: Run) -> None:
    """Settings changed at wake 30; those before are lost."""
    other = makelog.pot({"soak_s": 60})
    script = _script(60)
    first = list(makelog.log_lines(makelog.play(script[:30], other)))
    again = list(makelog.log_lines(makelog.play(script)))
    log = makelog.write(tmp_path, first + again[at_wake(again, 30) :])
    code, out, _ = run(log)
    assert code == 0
    assert "28 of 60 wakes played, all as recorded" in out  # from the snapshot at 32
    assert "not played  30 wakes" in out
    assert f"settings {line.identity(other['settings'])} is not at hand" in out
    assert "not played  2 wakes" in out


# Hostile records under a good CRC

WRONG = [None, True, -1, 1 << 29, 10**400, "x", "\x1b[2J", "\ud800", [], [[1]], [None] * 3, {}]
WRONG += [{"a": {"b": 1}}, {"a": []}, ["a", "b", "c"], {"\n": 1}, json.loads("[" * 500 + "]" * 500)]


@pytest.fixture(scope="module")
def few() -> dict[str | None, list[bytes]]:
    """By the core: a log that begins with the state of its pump's wake and ends two wakes later."""
    made: dict[str | None, list[bytes]] = {}
    for core in (None, OTHER_CORE):
        played = list(makelog.play(makelog.wakes(PUMP_WAKE + 3), core=core))
        made[core] = list(makelog.log_lines(played[PUMP_WAKE:]))
    return made


@pytest.mark.parametrize("core", [None, OTHER_CORE])
@pytest.mark.parametrize("place", ["", "begin", "run", "plan", "water", "values", "judged", "read"])
def test_no_wrong_value_anywhere_raises(
    tmp_path: Path, few: dict[str | None, list[bytes]], core: str | None, place: str
) -> None:
    log = few[core]
    pump = record_of(log, PUMP_WAKE)
    del pump["crc"]
    mutants = []
    inside = pump[place] if place else pump
    for name in inside:
        for value in WRONG:
            changed = inside | {name: value}
            whole = pump | {place: changed} if place else changed
            mutants.append(makelog.sealed(json.dumps(whole, separators=(",", ":"))[:-1].encode()))
        whole = {k: v for k, v in inside.items() if k != name}
        whole = pump | {place: whole} if place else whole
        mutants.append(makelog.sealed(json.dumps(whole, separators=(",", ":"))[:-1].encode()))
    at = at_wake(log, PUMP_WAKE)
    before, after = log[:at], log[at + 1 :]
    unseen = 0
    for mutant in mutants:
        report = report_of(tmp_path, [*before, mutant, *after])
        assert report.wakes + report.skips.count == 3
        unseen += report.played == 3 and not report.divergent and not report.different
    # What a decision does not depend on: begin's clock and host, a value true for 1.
    assert unseen <= len(mutants) // 3


@NEEDS_MICROPYTHON
def test_hostile_records_on_micropython(tmp_path: Path, lines: list[bytes], run: Run) -> None:
    log = list(lines)
    pump = record_of(lines, PUMP_WAKE)
    del pump["crc"]
    for member in ("begin", "run", "rest", "judged", "commands", "n", "water"):
        for value in ([[1]], {"a": {"b": 1}}, 1 << 40, "\x1b"):
            data = json.dumps(pump | {member: value}, separators=(",", ":"))[:-1].encode()
            log.insert(at_wake(log, PUMP_WAKE), makelog.sealed(data))
    code, out, _ = run(makelog.write(tmp_path, log), "--on", "micropython")
    assert "micropython  the same bytes" in out
    assert code in (0, 1)


def test_a_damaged_snapshot_is_counted(tmp_path: Path, lines: list[bytes], run: Run) -> None:
    unknown = "a snapshot of a state this core does not know"
    for members, why in (
        ({"ages_s": [1]}, unknown),
        ({"fields": {"phase": 9}}, unknown),
        ({"mls": "x"}, "mls = x is not made of whole numbers"),
        ({"fields": None}, "fields = None is of the wrong kind"),
    ):
        damaged = makelog.changed(lines[0], **members)
        code, out, _ = run(makelog.write(tmp_path, [damaged, *lines[1:]]))
        assert code == 0
        assert f":1: {why}" in out
        assert "38 of 70 wakes played, all as recorded" in out


def test_names_of_trips_and_lockouts_that_only_another_core_knows(
    tmp_path: Path, foreign: list[bytes], run: Run
) -> None:
    log = tampered(foreign, PUMP_WAKE, trips=["hail"], lockouts=["flood"])
    code, out, _ = run(makelog.write(tmp_path, log))
    assert code == 1  # what it protected from, this core does not
    assert "trip hail stopped the pump, now it does not: 1 wake, first at wake 10" in out
    assert "lockout flood was in force, now it is not: 1 wake, first at wake 10" in out
    assert "trip     hail (R?): 1" in out
    assert "lockout  flood (R?) at wake 10, ended at wake 11" in out


def test_thousands_of_lockouts_are_counted_in_bounded_memory(
    tmp_path: Path, foreign: list[bytes]
) -> None:
    log = foreign
    for n in range(70):
        log = tampered(log, n, lockouts=[f"{n} {i}" for i in range(50)])
    report = report_of(tmp_path, log)
    assert sum(report.verdicts.lockouts.values()) == 3500
    assert len(report.verdicts.latched) == 1000
    assert len(report.verdicts.lockouts) <= 1001


# --- several logs at a glance --------------------------------------------------------------------


def test_the_demo_set_is_one_table(capsys: pytest.CaptureFixture[str]) -> None:
    """Six rows and a last line, each figure as the log's own lines tell it."""
    assert main(["replay", "--demo", "--each"]) == 0
    each = capsys.readouterr().out
    assert main(["replay", "--demo"]) == 0
    head, *rows, blank, last = capsys.readouterr().out.splitlines()
    assert head.split() == ["pot", "wakes", "waterings", "trips", "lockouts", "verdict"]
    assert (len(rows), blank) == (6, "")
    assert last == each.splitlines()[-1]
    for row in rows:
        name, wakes, waterings, trips, lockouts, verdict = row.split(maxsplit=5)
        assert verdict == "all held, as recorded"
        full = re.search(rf"(?s)^{name}: {wakes} wakes.*?^  (\d+) waterings? in (.*?)$", each, re.M)
        assert full is not None
        assert full[1] == waterings
        assert re.search(rf"; {trips} trips?, {lockouts} lockouts?$", full[2])
    assert max(map(len, [head, *rows])) <= 80


def test_one_that_is_not_as_recorded_is_told_in_full(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for name in ("fern", "mint"):
        shutil.copytree(CAFE / name, tmp_path / name)
    with gzip.open(tmp_path / "mint" / "logs" / "00000001.jsonl.gz", "ab") as file:
        file.write(b"damaged\n")
    assert main(["replay", str(tmp_path)]) == 0
    out = capsys.readouterr().out
    assert re.search(r"(?m)^fern .* all held, as recorded$", out)
    assert re.search(r"(?m)^mint .* nothing bad found, but 1 line skipped$", out)
    assert "mint: 218 wakes" in out
    assert "fern: " not in out
    assert main(["replay", str(tmp_path / "fern")]) == 0
    assert "  R1   held" in capsys.readouterr().out, "one log is told in full"
