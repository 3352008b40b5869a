"""Parts of a replay one by one, on records made here: quick, and without a whole log."""

from __future__ import annotations

import argparse
import itertools
import subprocess
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

import makelog
from wakecore import plan, rules
from wakecore.state import State
from wakewell import cli
from wakewell.commands import replay
from wakewell.interpreters import interpreter
from wakewell.portable import run_replay
from wakewell.replay import changes, rejudged, replaying
from wakewell.sequences import candidate


def record(**members: Any) -> dict[str, Any]:
    """A wake in which nothing was done."""
    usual: dict[str, Any] = {
        "n": 5, "commands": ["off", "sleep 86400 button"], "needs": [], "lockouts": [],
        "trips": [], "plan": {"kind": "none", "phase": "idle", "dose_ul": 0, "pulse_ms": 0},
        "water": {"day_ml": 0}, "values": {"soil_ppt": 300, "level_ml": 900},
        "begin": {"utc": [9700, 0, 1], "slept_s": 86400, "vouched": 1}, "stores": [1],
    }  # fmt: skip
    return usual | members


def test_every_member_is_compared_and_elsewhere_every_decision() -> None:
    was = record(values={"soil_ppt": 300, "level_ml": 900}, needs=[])
    now = record(values={"soil_ppt": 301, "level_ml": 900}, needs=["fill the tank"], stores=[0])
    seen = list(replaying.differences(now, was, True))
    assert sorted(seen) == [
        ("needs", [], ["fill the tank"]), ("stores", [1], [0]), ("values.soil_ppt", 300, 301),
    ]  # fmt: skip
    # Under another core only what it decides, and of another pulse what was decided before it
    assert list(replaying.differences(now, was, False)) == [("values.soil_ppt", 300, 301)]
    run = record(commands=["off", "run 1800", "sleep 60"], trips=["sag"], water={"day_ml": 9})
    seen = [name for name, _, _ in replaying.differences(run, record(), False)]
    assert seen == ["commands"]


def test_a_member_that_one_record_lacks_differs_as_a_whole() -> None:
    was, now = record(after={"level": [1, 2]}), record()
    assert list(replaying.differences(now, was, True)) == [("after", {"level": [1, 2]}, None)]
    assert list(replaying.differences(was, now, True)) == [("after", None, {"level": [1, 2]})]


def test_what_became_weaker_and_what_became_stricter_are_told_apart() -> None:
    found = replaying.LogReplay("basil", "core")
    for way, rule in (
        (changes.STRICTER, "R5"), (changes.WEAKER, "R11"), (changes.WEAKER, "R4"),
        (changes.OTHER, ""),
    ):  # fmt: skip
        found.changes[way, rule, "x"] = replaying.Changed(way, rule, "text", 1, "here")
    assert [one.rule for one in found.changed(changes.WEAKER)] == ["R4", "R11"]
    assert [one.rule for one in found.changed(changes.STRICTER)] == ["R5"]


def test_the_other_water_of_a_wake_in_words() -> None:
    dry = record()
    wet = record(
        commands=["off", "run 1800", "sleep 60"],
        plan={"kind": "depletion", "phase": "idle", "dose_ul": 60000, "pulse_ms": 1800},
        water={"day_ml": 50, "given_ul": 41999},
    )
    assert replaying.told(wet, dry) == "no water; recorded: 41 ml"
    assert replaying.told(dry, wet) == "a pulse of 1.8 s; recorded: no water"
    assert replaying.told(wet, wet) == replaying.told(dry, dry) == ""


def test_from_the_first_other_pulse_on_the_water_is_another() -> None:
    wet = record(
        commands=["off", "run 1800", "sleep 60"],
        plan={"kind": "depletion", "phase": "idle", "dose_ul": 60000, "pulse_ms": 1800},
    )
    found = replaying.LogReplay("basil", "core", "other.toml")
    needs = record(values={"soil_ppt": 299, "level_ml": 900})
    replaying.compare(found, needs, record(n=6), "a:1", False, [])
    assert found.holds_until is None
    replaying.compare(found, wet, record(n=7), "a:2", False, [])
    assert found.holds_until == 7
    replaying.compare(found, wet, record(n=8), "a:3", False, [])
    assert (found.holds_until, found.different) == (7, 2)
    same_core = replaying.LogReplay("basil", "core")
    replaying.compare(same_core, wet, record(n=7), "a:2", True, [])
    assert same_core.holds_until is None
    assert same_core.divergent == 1


@pytest.fixture
def log(tmp_path: Path) -> Path:
    """A log of three wakes, the first of which runs the pump."""
    return makelog.write(tmp_path, makelog.log_lines(makelog.play(makelog.wakes(3))))


def test_a_log_without_the_files_in_force_is_none_that_can_be_used(
    log: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.main(["replay", str(log)]) == 0
    assert "keep the folder" not in capsys.readouterr().err
    for path in (log.parent / "in-force").iterdir():
        path.unlink()
    assert cli.main(["replay", str(log)]) == 2
    said = capsys.readouterr().err
    assert "none of 3 wakes could be played" in said
    assert "; keep the folder in-force/ that came with the log beside it" in said


def test_wakes_that_no_snapshot_begins_ask_for_no_files(
    log: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    lines = log.read_bytes().splitlines(keepends=True)
    log.write_bytes(b"".join(lines[2:]))
    assert cli.main(["replay", str(log)]) == 2
    said = capsys.readouterr().err
    assert "the state it began with is not known" in said
    assert "keep the folder" not in said


def test_each_life_of_a_log_is_played_once(log: Path) -> None:
    found = [(log.parent, [log])]
    reports = [one for _, _, one in itertools.islice(replaying.each_life(found, None, {}), 3)]
    assert [report.played for report in reports] == [3]
    answer = replay.as_json(reports[0])
    assert (answer["life"], answer["played"], answer["good"]) == (1, 3, True)


def test_another_interpreter_gets_every_file_once_and_every_wake(
    log: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    went: list[bytes] = []

    def stream(_: str, inputs: Iterator[bytes], on: str) -> Iterator[bytes]:
        assert on == "micropython"
        went.extend(inputs)
        return iter(run_replay.answers(iter(went)))

    monkeypatch.setattr(interpreter, "stream", stream)
    assert replaying.agree_on("micropython", "basil", [log], None) == ""
    kinds = [data[:5] for data in went]
    assert kinds == [b"core ", b"wake ", *[b"file "] * 3, *[b"wake "] * 3]
    monkeypatch.setattr(interpreter, "stream", lambda *_, **__: iter([b"x" * 999]))
    said = replaying.agree_on("micropython", "basil", [log], None)
    assert said.startswith("basil: record 1: b'xxx")
    assert len(said) < 700


def test_with_rules_from_elsewhere_the_same_is_asked(monkeypatch: pytest.MonkeyPatch) -> None:
    ran: list[list[str]] = []
    monkeypatch.setattr(candidate, "environment", lambda _: {})
    monkeypatch.setattr(
        subprocess, "run", lambda command, env: ran.append(command) or SimpleNamespace(returncode=3)
    )
    usual = {"demo": False, "json": False, "page": None, "settings": None, "on": None, "paths": []}
    for changes_ in ({}, {"settings": "other.toml", "on": "micropython", "json": True}):
        asked = argparse.Namespace(core="there", states=None, **usual | changes_)
        assert replay.with_core(asked) == 3
    plain, full = (command[command.index("replay") + 1 : -3] for command in ran)
    assert plain == []
    assert full == ["--json", "--settings", "other.toml", "--on", "micropython"]


# A state of another core, from what its records tell


def test_what_was_recorded_is_decided_for_a_while() -> None:
    before = plan.pulse_ms, rules.judge_permissives
    wet = {"kind": "depletion", "phase": "idle", "dose_ul": 60000, "pulse_ms": 1800}
    run = record(permissives={"reserve": 1}, plan=wet, commands=["off", "run 1800", "sleep 60"])
    with rejudged.decided_as(run):
        assert rules.judge_permissives(None) == ({"reserve": 1}, True)
        assert plan.pulse_ms(0, None, None) == 1800
        assert plan.demand(None, None, None) == (plan.KINDS.index("depletion"), 60000)
    with rejudged.decided_as(record(permissives={"reserve": 1})):
        assert rules.judge_permissives(None) == ({"reserve": 1}, False)
    assert (plan.pulse_ms, rules.judge_permissives) == before


def righted(last: dict[str, Any], made: dict[str, Any], now: dict[str, Any]) -> tuple[State, State]:
    """(what became of a state that slept for an hour and knew nothing, the state before)."""
    state, before = State(), State()
    before.sleep_s = 3600
    before.since_dose_s = 500
    rejudged.put_right(state, last, made, before, now)
    return state, before


@pytest.mark.parametrize(
    ("command", "sleep_s", "masked"),
    [("sleep 60", 60, 1), ("sleep 86400 button", 86400, 0), ("off", 0, 1)],
)
def test_the_sleep_and_its_button_are_the_recorded_ones(
    command: str, sleep_s: int, masked: int
) -> None:
    state, _ = righted(record(commands=["off", command]), record(), record())
    assert (state.sleep_s, state.button_masked) == (sleep_s, masked)


@pytest.mark.parametrize("reported", [True, False])
def test_the_report_that_is_awaited_is_the_recorded_one(reported: bool) -> None:
    """What came of it is in the next record: a report that only this core made did not fail."""
    commands = ["off", "report", "sleep 60"] if reported else ["off", "sleep 60"]
    for awaited in (0, 1):
        state = State()
        state.reporting = awaited
        rejudged.put_right(state, record(commands=commands), record(), State(), record())
        assert state.reporting == reported


def test_other_water_than_was_recorded_is_put_right() -> None:
    run = {"commands": ["off", "run 1800", "sleep 60"], "begin": {"slept_s": 0, "vouched": 1}}
    given = record(**run, water={"day_ml": 45, "counted_ml": 45})
    soak = record(plan={"kind": "depletion", "phase": "soak", "dose_ul": 20000, "pulse_ms": 0})
    state, before = righted(given, record(), soak)
    assert (sum(state.mls), state.since_dose_s, state.pulses) == (45, 0, 1)
    assert before.since_dose_s == 500, "no time passed"
    assert state.plan_ul == 20000
    assert rejudged.PHASES[state.phase] == "soak"
    state, _ = righted(record(**run, water={"day_ml": 0}), record(), record())
    assert (sum(state.mls), state.since_dose_s) == (0, 500), "nothing was counted"
    assert (state.open_ms, state.given_ul, state.proof_ml, state.proof_ul) == (0, 0, 0, 0)
    # Its begin slept an hour, and so much passed
    late = record(**run | {"begin": {"slept_s": 9999, "vouched": 1}})
    assert righted(late, record(), record())[1].since_dose_s == 500 + 3600
    unsure = record(**run | {"begin": {"slept_s": 9999, "vouched": 0}})
    assert righted(unsure, record(), record())[1].since_dose_s == 500


class Played:
    """A player that only remembers what it was given."""

    def __init__(self) -> None:
        self.in_force, self.asked = None, dict[str, bytes]()
        self.snapshot: Any = None
        self.state: Any = None
        self.slots: list[tuple[int, str, bytes]] = []
        self.ended, self.began = "", list[int]()

    def play(self, record: Any, state: Any, pot: Any) -> dict[str, Any]:
        self.began.append(state.plan_ul)
        return {}


def rejudge(player: Played, known: dict[str, bytes]) -> rejudged.Rejudge:
    return rejudged.Rejudge(player, known.get)  # type: ignore[arg-type]


def test_a_state_that_is_known_is_the_one_a_wake_begins_with() -> None:
    player, state = Played(), State()
    data = state.to_bytes()
    known = rejudge(player, {"ab": data})
    assert known.steer(record(before="ab")) is True
    assert player.state.crc == state.crc
    assert player.slots == [(-1, "ab", data)]
    player.slots = [(3, "cd", b"older")]
    known.steer(record(before="ab"))
    assert player.slots == [(3, "cd", b"older")], "what is in the slots already stays there"


def test_a_state_that_is_not_known_is_put_right_by_the_records() -> None:
    player = Played()
    player.state = State()
    unknown = rejudge(player, {})
    assert unknown.steer(record(before="ab")) is False, "no wake was played before it"
    unknown.last = record(commands=["off", "sleep 60"]), record(), State()
    assert unknown.steer(record(before="ab")) is False
    assert player.state.sleep_s == 60


def test_a_pulse_in_a_soak_has_what_the_record_says_is_left_of_the_dose() -> None:
    player = Played()
    for phase in ("soak", "idle"):
        left = {"kind": "depletion", "phase": phase, "dose_ul": 20000, "pulse_ms": 0}
        rejudge(player, {}).as_it_was(record(plan=left, permissives={}), State(), None)
    assert player.began == [20000, 0]
