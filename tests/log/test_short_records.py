"""A record that memory was too short for: read, played as far as it goes, told, never all good."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import pytest

import makelog
from wakeboard import short, store
from wakecore import line
from wakewell.cli import main
from wakewell.interpreters import chip32, interpreter
from wakewell.log import record, series
from wakewell.log.fieldlog import FieldLog
from wakewell.radio import letters
from wakewell.replay import replaying
from wakewell.report import findings

SAMPLES, DECISIONS, READINGS, END = short.SAMPLES, short.DECISIONS, short.READINGS, short.END
PULSE = 20  # a wake with a pulse; 21 is a look after it
STEPS = {
    "samples": (SAMPLES,),
    "decisions": (SAMPLES, DECISIONS),
    "readings": (SAMPLES, DECISIONS, READINGS),
}
Write = Callable[..., Path]


def shortened(data: bytes, steps: Sequence[str], **members: Any) -> bytes:
    """That wake's line as a board writes it whose memory fails so often."""
    record = json.loads(data) | members
    del record["crc"]
    for step in steps:
        short.shorten(record, step)
    return line.encode(short.WAKE, record)


@pytest.fixture(scope="module")
def lines() -> list[bytes]:
    return list(makelog.log_lines(makelog.play(makelog.wakes(60))))


def at(lines: Sequence[bytes], n: int) -> int:
    """Where that wake stands."""
    return next(i for i, data in enumerate(lines) if b'"kind":"wake","n":%d,' % n in data)


def with_short(lines: Sequence[bytes], n: int, steps: Sequence[str], **members: Any) -> list[bytes]:
    found = list(lines)
    found[at(lines, n)] = shortened(found[at(lines, n)], steps, **members)
    return found


def broken_off(lines: Sequence[bytes], n: int) -> list[bytes]:
    """A try of that wake that broke off stands before it."""
    whole = lines[at(lines, n)]
    record = json.loads(whole)
    tried = shortened(whole, (*STEPS["readings"], END), state=record["before"], stores=[])
    return [*lines[: at(lines, n)], tried, *lines[at(lines, n) :]]


@pytest.fixture
def folder(tmp_path: Path) -> Write:
    def write(lines: Sequence[bytes]) -> Path:
        place = tmp_path / "pot" / "logs"
        place.mkdir(parents=True, exist_ok=True)
        makelog.write(place, lines)
        return place

    return write


def played(place: Path) -> replaying.LogReplay:
    return replaying.replay_log("pot", sorted(place.glob("*.jsonl")))


@pytest.mark.parametrize("steps", STEPS.values(), ids=STEPS)
@pytest.mark.parametrize("n", [PULSE, PULSE + 1], ids=["pulse", "no pulse"])
def test_it_is_played_as_far_as_it_goes(
    n: int, steps: tuple[str, ...], lines: list[bytes], folder: Write,
    capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    if n != PULSE and steps == (SAMPLES,):
        steps = (DECISIONS,)  # no pulse has no samples
    report = played(folder(with_short(lines, n, steps)))
    assert (report.wakes, report.skips.count, report.divergent) == (60, 0, 0)
    assert report.short.count == 1
    lost = READINGS in steps  # then the state is not known until the next snapshot, at wake 32
    assert report.played == (60 - (32 - n) if lost else 60)
    assert main(["replay", str(folder(with_short(lines, n, steps)))]) == 0
    out = capsys.readouterr().out
    assert "all good" not in out
    assert "1 wake with a shortened record" in out
    assert f"shortened  memory was short: wake {n} (" in out


def test_a_wake_that_broke_off_changes_nothing_for_the_next(
    lines: list[bytes], folder: Write
) -> None:
    report = played(folder(broken_off(lines, PULSE)))
    assert (report.wakes, report.played, report.skips.count, report.divergent) == (61, 60, 0, 0)
    assert list(report.unplayed) == ["memory was short and it broke off"]
    assert report.short.count == 1
    assert len(report.lives) == 1


@pytest.mark.parametrize("steps", [*STEPS.values(), (END,)], ids=[*STEPS, "end"])
def test_what_stands_twice_is_taken_once(
    steps: tuple[str, ...], lines: list[bytes], folder: Write, tmp_path: Path
) -> None:
    mine = broken_off(lines, PULSE) if steps == (END,) else with_short(lines, PULSE, steps)
    place = folder(mine)
    first = place / "00000001.jsonl"
    (place / "00000002.jsonl").write_bytes(first.read_bytes())
    log = FieldLog(sorted(place.glob("*.jsonl")))
    taken = [entry for entry in log.entries(brief=True) if entry.record["kind"] == "wake"]
    assert len(taken) == 60 + (steps == (END,))
    assert len(log.lives) == 1
    assert log.lives[0].short.count == 1


def test_samples_left_out_hide_no_other_decision(
    lines: list[bytes], folder: Write, tmp_path: Path
) -> None:
    """The mark excuses nothing that is there."""
    mine = with_short(lines, PULSE, (SAMPLES,))
    record = json.loads(mine[at(mine, PULSE)])
    water = record["water"] | {"counted_ml": record["water"]["counted_ml"] - 1}
    mine[at(mine, PULSE)] = shortened(mine[at(mine, PULSE)], (), water=water)
    assert played(folder(mine)).divergent == 1


def test_a_state_that_its_readings_do_not_lead_to_is_a_divergence(
    lines: list[bytes], folder: Write
) -> None:
    """Without decisions the state's CRC is all that can be compared."""
    record = json.loads(lines[at(lines, PULSE)])
    read = record["read"] | {"level": [record["read"]["level"][0] + 90_000, 10]}
    mine = with_short(lines, PULSE, (SAMPLES, DECISIONS), read=read)
    assert played(folder(mine)).divergent == 1


@pytest.mark.parametrize("what", [[], ["x" * 41], "samples", [1]])
def test_a_mark_that_is_none_is_refused(what: Any, lines: list[bytes], folder: Write) -> None:
    mine = list(lines)
    mine[at(mine, PULSE)] = shortened(mine[at(mine, PULSE)], (), left_out=what)
    report = played(folder(mine))
    assert report.skips.count == 1
    assert "left_out" in report.skips.first[0].why


def test_without_a_mark_nothing_may_be_missing(lines: list[bytes], folder: Write) -> None:
    mine = with_short(lines, PULSE, (SAMPLES, DECISIONS))
    record = json.loads(mine[at(mine, PULSE)])
    del record["left_out"], record["crc"]
    mine[at(mine, PULSE)] = line.encode(short.WAKE, record)
    report = played(folder(mine))
    assert (report.skips.count, report.short.count) == (1, 0)


@pytest.mark.parametrize(
    "on",
    [
        pytest.param("micropython", marks=pytest.mark.skipif(
            not interpreter.found(), reason=interpreter.MISSING)),
        pytest.param("micropython32", marks=pytest.mark.skipif(
            bool(chip32.why_not()), reason=chip32.why_not())),
    ],
)  # fmt: skip
def test_other_interpreters_play_it_alike(on: str, lines: list[bytes], folder: Write) -> None:
    mine = with_short(with_short(lines, PULSE, (SAMPLES,)), 40, (SAMPLES, DECISIONS))
    files = sorted(folder(broken_off(mine, 30)).glob("*.jsonl"))
    assert replaying.agree_on(on, "pot", files, None) == ""


def test_other_settings_are_asked_about_it(
    lines: list[bytes], folder: Write, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    mine = with_short(with_short(lines, PULSE, (SAMPLES,)), 40, (SAMPLES, DECISIONS))
    other = tmp_path / "other.toml"
    other.write_text("dose_ml = 60\n")
    main(["replay", str(folder(broken_off(mine, 30))), "--settings", str(other)])
    out = capsys.readouterr().out
    assert "2 of" not in out.splitlines()[0]
    assert "3 wakes with a shortened record" in out


def test_pages_name_it_and_two_in_a_month_are_a_finding(
    lines: list[bytes], folder: Write, capsys: pytest.CaptureFixture[str]
) -> None:
    mine = with_short(lines, 40, (SAMPLES,))
    place = folder(mine)
    log = series.read("pot", place, sorted(place.glob("*.jsonl")))
    assert (log.short.count, log.missing) == (1, 0)
    assert findings.memory(log).state == findings.QUIET
    assert any("wake 40 (" in text for text in series.told(log))
    mine = with_short(mine, 50, STEPS["readings"])
    place = folder(mine)
    log = series.read("pot", place, sorted(place.glob("*.jsonl")))
    assert (log.short.count, log.missing, len(log.wakes)) == (2, 0, 59)
    found = findings.memory(log)
    assert found.state == findings.WATCH
    assert "2 of its records" in found.plain
    assert "maker" in found.do


def test_cut_says_that_it_cannot(
    lines: list[bytes], folder: Write, capsys: pytest.CaptureFixture[str]
) -> None:
    place = folder(with_short(with_short(lines, PULSE, (SAMPLES,)), 40, STEPS["decisions"]))
    for first, last, n in ((18, 24, 20), (38, 44, 40)):
        assert main(["cut", str(place), str(first), str(last)]) == 2
        assert f"wake {n}: samples" in capsys.readouterr().err
    assert main(["cut", str(place), "41", "44"]) == 0, "its state is known again"


def test_a_parcel_keeps_the_mark(lines: list[bytes], folder: Write, tmp_path: Path) -> None:
    place = folder(with_short(with_short(lines, PULSE, (SAMPLES,)), 40, STEPS["readings"]))
    out = tmp_path / "sent"
    assert main(["parcel", str(place), "--share", "--file", str(out)]) == 0
    (parcel,) = tmp_path.glob("sent*")
    report = json.loads(_replayed(parcel))["results"][0]
    assert (report["shortened"], report["skipped"], report["wakes"]) == (2, 0, 60)


def _replayed(path: Path) -> str:
    import contextlib
    import io

    with contextlib.redirect_stdout(io.StringIO()) as out:
        assert main(["replay", str(path), "--json"]) == 0
    return out.getvalue()


def test_a_lockout_is_known_from_the_record_before(tmp_path: Path) -> None:
    """The cable's lockouts outlast a lost state (R8), also where the newest record tells none."""
    board = store.PotFiles(str(tmp_path))
    outs = list(makelog.play(makelog.wakes(3)))
    leaks = outs[1]["record"] | {"lockouts": ["leak"]}
    brief = dict(outs[2]["record"])
    for step in STEPS["readings"]:
        short.shorten(brief, step)
    del brief["lockouts"]
    for one in (outs[0]["record"], leaks, brief):
        assert board.append(short.WAKE, one, outs[0]["before"])
    assert board.load_state()[0].lockouts


def test_a_report_whose_newest_wake_is_brief_says_what_the_one_before_said(
    lines: list[bytes],
) -> None:
    whole = lines[at(lines, 40)]
    brief = shortened(lines[at(lines, 41)], STEPS["decisions"])
    said = [
        letters.tells(letters.LogLine("wake", n, "", 1, 0, data))
        for n, data in ((40, whole), (41, brief))
    ]
    assert said == [True, False]
    samples = shortened(whole, (SAMPLES,))
    assert letters.tells(letters.LogLine("wake", 40, "", 1, 0, samples))
    assert isinstance(record.read(samples).found, record.Wake)
    assert isinstance(record.read(brief).found, record.Brief)
