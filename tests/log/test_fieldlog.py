"""One reader: what replay plays is what a report shows, and lines of two boards are told apart."""

from __future__ import annotations

import gzip
import json
import textwrap
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import makelog
from wakecore import line
from wakewell.cli import main
from wakewell.log import logs, obeyed, series
from wakewell.log.fieldlog import MOST_LIVES, FieldLog
from wakewell.replay import replaying


def played(count: int, start: int = 0) -> list[bytes]:
    return list(makelog.log_lines(makelog.play(makelog.wakes(count, start))))


@pytest.fixture(scope="module")
def cafe() -> list[bytes]:
    """The log that came with a copied folder."""
    return played(19)


@pytest.fixture(scope="module")
def own() -> list[bytes]:
    """What the pot itself wrote since."""
    return played(33, start=7)


def days_off(data: bytes, days: int, trusted: int = 1) -> bytes:
    """The same wake so many days earlier, by a clock that is trusted or not."""
    record = json.loads(data)
    if record["kind"] != "wake":
        return data
    day, second, _ = record["begin"]["utc"]
    return makelog.changed(data, begin={**record["begin"], "utc": [day - days, second, trusted]})


def write(folder: Path, **files: list[bytes]) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    makelog.keep_in_force(folder)
    for name, lines in files.items():
        path = folder / (name.removeprefix("f").replace("_", "-") + ".jsonl")
        path.write_bytes(b"".join(data + b"\n" for data in lines))
    return folder


def files(folder: Path) -> list[Path]:
    return sorted(folder.glob("*.jsonl"))


def numbers(lines: list[bytes]) -> list[int]:
    return [r["n"] for r in map(json.loads, lines) if r["kind"] == "wake"]


def shown(folder: Path) -> series.PotLog:
    return series.read("pot", folder, files(folder))


# How a copied log and the pot's own come to lie in one folder: appended by `listen`; the first
# file set aside by `pull`, of which the copy has a second one.
LAYOUTS = ["appended", "set aside", "copied twice"]


def mixed(folder: Path, layout: str, cafe: list[bytes], own: list[bytes]) -> Path:
    if layout == "appended":
        return write(folder, f00000001=[*cafe, *own])
    if layout == "set aside":
        return write(folder, f00000001_1=cafe[:9], f00000001=own, f00000002=cafe[9:])
    return write(folder, f00000001=[*cafe, *cafe, *own], f00000002=cafe)


@pytest.mark.parametrize("layout", LAYOUTS)
def test_a_copied_log_and_the_pots_own_are_told_apart(
    layout: str, cafe: list[bytes], own: list[bytes], tmp_path: Path
) -> None:
    folder = mixed(tmp_path / "pot" / "logs", layout, cafe, own)
    reports = [replaying.replay_log("pot", files(folder), life=life) for life in (0, 1)]
    assert [report.wakes for report in reports] == [19, 33]
    assert all(report.good and report.played == report.wakes for report in reports)
    twice = 2 * 19 if layout == "copied twice" else 0
    assert (reports[0].skips.count, reports[1].skips.count) == (twice, 0)
    log = shown(folder)
    assert [w.n for w in log.wakes] == numbers(own)
    assert len(log.others) == 1
    assert log.others[0].startswith("19 wakes, 0 to 18, 00000001")


@pytest.mark.parametrize("name", ["00000001.jsonl.gz", "00000007.jsonl", "00000002.jsonl.gz"])
def test_the_pots_own_log_is_shown_wherever_the_copied_one_stands(
    name: str, own: list[bytes], tmp_path: Path
) -> None:
    """A copied log, packed or from a later place of its ring, is older by its dates."""
    folder = write(tmp_path / "pot" / "logs", f00000001=own)
    old = [days_off(data, 400) for data in played(19)]
    text = b"".join(data + b"\n" for data in old)
    (folder / name).write_bytes(gzip.compress(text) if name.endswith(".gz") else text)
    ((_, found),) = logs.find_logs(folder)
    log = series.read("pot", folder, found)
    assert [w.n for w in log.wakes] == numbers(own)
    assert log.others[0].startswith("19 wakes, 0 to 18, ")
    assert replaying.newest_life("pot", found).wakes == len(numbers(own))
    newest = obeyed.newest_wake(folder)
    assert newest is not None
    assert newest.n == numbers(own)[-1]


def test_a_packed_file_comes_before_the_plain_one_of_its_name(
    cafe: list[bytes], own: list[bytes], tmp_path: Path
) -> None:
    """Without dates the pot's own log is the one that stands last."""
    undated = [[days_off(data, 0, trusted=0) for data in lines] for lines in (cafe, own)]
    folder = write(tmp_path / "pot" / "logs", f00000001=undated[1])
    packed = gzip.compress(b"".join(data + b"\n" for data in undated[0]))
    (folder / "00000001.jsonl.gz").write_bytes(packed)
    ((_, found),) = logs.find_logs(folder)
    assert [w.n for w in series.read("pot", folder, found).wakes] == numbers(own)


def test_both_are_named_and_judged_by_the_command(
    cafe: list[bytes], own: list[bytes], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = mixed(tmp_path / "pot" / "logs", "appended", cafe, own)
    assert main(["replay", str(folder)]) == 0
    out = capsys.readouterr().out
    assert "life     1 of 2: 19 wakes, 0 to 18, 00000001.jsonl:2 to 00000001.jsonl:20" in out
    assert "life     2 of 2: 33 wakes, 0 to 32, 00000001.jsonl:22 to 00000001.jsonl:55" in out
    assert "2 replayed" in out
    assert main(["report", str(folder), "--form", "csv", "--out", str(tmp_path / "o")]) in (0, 1)
    told = capsys.readouterr().out
    assert (
        "left out  another board, or this one before it started afresh: 19 wakes, 0 to 18" in told
    )
    assert (tmp_path / "o" / "pot.csv").read_bytes().count(b"\n") == 34


def test_a_fault_of_either_life_is_found(
    cafe: list[bytes], own: list[bytes], tmp_path: Path
) -> None:
    """Neither hides behind the other."""
    for at, lines in ((5, cafe), (5, own)):
        bad = list(lines)
        bad[at] = makelog.changed(bad[at], commands=["on", *json.loads(bad[at])["commands"]])
        both = [bad, own] if lines is cafe else [cafe, bad]
        folder = mixed(tmp_path / str(lines is cafe) / "logs", "appended", *both)
        assert main(["replay", str(folder)]) == 1


def test_cut_takes_the_life_it_is_asked_for(
    cafe: list[bytes], own: list[bytes], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = mixed(tmp_path / "logs", "appended", cafe, own)
    texts = []
    for words in ([], ["--life", "2"], ["--life", "1"]):
        assert main(["cut", str(folder), "3", "9", *words]) == 0
        texts.append(capsys.readouterr().out)
    assert texts[0] == texts[1] != texts[2]
    assert main(["cut", str(folder), "3", "9", "--life", "3"]) == 2
    assert "allowed 1 to 2" in capsys.readouterr().err


def test_a_wake_once_more_after_a_failed_store_is_shown_and_played(tmp_path: Path) -> None:
    script = list(makelog.wakes(20))
    script[8]["stores"] = [0, 0, 0]
    lines = list(makelog.log_lines(makelog.play(script)))
    assert sorted(numbers(lines)) != sorted(set(numbers(lines)))
    folder = write(tmp_path, f00000001=lines)
    report = replaying.replay_log("pot", files(folder))
    assert (report.wakes, report.skips.count) == (len(numbers(lines)), 0)
    assert [w.n for w in shown(folder).wakes] == numbers(lines)


def test_lines_heard_out_of_order_are_no_other_life(cafe: list[bytes], tmp_path: Path) -> None:
    swapped = [*cafe[:6], cafe[7], cafe[6], *cafe[8:]]
    folder = write(tmp_path, f00000001=swapped)
    log = FieldLog(files(folder))
    taken = [e.wake.n for e in log.entries() if e.wake]
    assert len(log.lives) == 1
    assert (len(taken), log.skips.count) == (18, 1)
    assert log.skips.first[0].why == "wake 5 out of order, after wake 6"


def test_mended_lines_are_counted_and_every_fragment_is_named(
    own: list[bytes], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Broken late in the file, where nothing before it was: each is found, by file and lines."""
    rows: list[str] = [data.decode() for data in own[:20]]
    for number, data in enumerate(own[20:]):
        parts = textwrap.wrap(data.decode(), 76, break_on_hyphens=False)
        rows += parts[:-2] if number == 4 else parts
    folder = tmp_path / "pot" / "logs"
    write(folder, f00000001=[row.encode() for row in rows])
    report = replaying.replay_log("pot", files(folder))
    assert report.skips.mended == len(own) - 20 - 1
    assert report.skips.count == 1
    skip = report.skips.first[0]
    begun = next(i for i, row in enumerate(rows, 1) if own[24].decode().startswith(row[:60]))
    end = begun + len(textwrap.wrap(own[24].decode(), 76, break_on_hyphens=False)) - 3
    assert (skip.line, skip.why) == (
        begun,
        f"a fragment, lines {begun} to {end}: the record has no end",
    )
    log = shown(folder)
    assert (log.skips.mended, log.skips.count) == (report.skips.mended, 1)
    assert main(["replay", str(folder)]) == 0
    out = capsys.readouterr().out
    assert f"mended   {report.skips.mended} in all" in out
    assert f"core     recorded by {json.loads(own[1])['core']} (" in out


def test_a_wake_in_another_order_or_with_one_member_more_is_the_same_wake(
    own: list[bytes], tmp_path: Path
) -> None:
    """JSON gives no order to the members of an object (RFC 8259, section 4), and a later board
    may say more than this reader knows."""
    at = next(i for i, data in enumerate(own) if b'"kind":"wake"' in data and i > 3)
    record = line.decode(own[at])[0]
    assert record is not None
    more = record | {"later": 1}
    there = list(FieldLog(files(write(tmp_path / "a", f00000001=own))).entries())
    for number, data in enumerate(
        (line.encode(sorted(record), record), line.encode(list(more), more))
    ):
        assert data != own[at]
        lines = [*own[:at], data, *own[at + 1 :]]
        log = FieldLog(files(write(tmp_path / f"b{number}", f00000001=lines)))
        assert [entry.wake for entry in log.entries()] == [entry.wake for entry in there]
        assert log.skips.count == 0


def test_lives_are_bounded(cafe: list[bytes], own: list[bytes], tmp_path: Path) -> None:
    firsts = []
    for number in range(MOST_LIVES + 20):
        firsts.append(makelog.changed(own[1], before=f"{number:08x}", state=f"{number + 999:08x}"))
    folder = write(tmp_path, f00000001=firsts)
    log = FieldLog(files(folder))
    assert len([e for e in log.entries() if e.wake]) == MOST_LIVES
    assert log.skips.count == 20


PIECES = st.lists(
    st.tuples(st.sampled_from("co"), st.integers(0, 30), st.integers(1, 12)), min_size=1, max_size=6
)


@settings(
    max_examples=40,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(PIECES)
def test_replay_and_report_read_the_same(
    cafe: list[bytes], own: list[bytes], tmp_path: Path, pieces: list[tuple[str, int, int]]
) -> None:
    """Any pieces of two logs in any order: every line is taken once, or told; both agree."""
    lines: list[bytes] = []
    for which, start, count in pieces:
        lines += (cafe if which == "c" else own)[start : start + count]
    if not any(b'"kind":"wake"' in data for data in lines):
        return
    folder = write(tmp_path, f00000001=lines)
    log = FieldLog(files(folder))
    taken = [e for e in log.entries() if e.wake]
    assert len(taken) + log.skips.count == len(numbers(lines))
    assert len({(e.data, e.life) for e in taken}) == len(taken)
    reports = [
        replaying.replay_log("pot", files(folder), life=life) for life in range(len(log.lives))
    ]
    assert sum(report.wakes for report in reports) == len(taken)
    assert all(not report.divergent for report in reports)
    mine = shown(folder)
    assert [w.place for w in mine.wakes] == [e.place for e in taken if e.life == log.own]
    assert len(mine.others) == len(log.lives) - 1


def test_the_page_names_what_was_left_out(
    cafe: list[bytes], own: list[bytes], tmp_path: Path
) -> None:
    rows = [*cafe, b"rubbish", *own[:9], own[9][:300], own[9][300:], *own[10:]]
    folder = write(tmp_path / "pot" / "logs", f00000001=rows)
    assert main(["report", str(folder), "--out", str(tmp_path / "o")]) in (0, 1)
    page = (tmp_path / "o" / "pot.html").read_text(encoding="utf-8")
    broken = len(cafe) + 11
    assert "1; 00000001.jsonl:21: text around the log" in page
    assert f"1; 00000001.jsonl:{broken}: mended from 2 lines" in page
    assert "19 wakes, 0 to 18, 00000001.jsonl:2 to 00000001.jsonl:20" in page
    assert json.loads(own[1])["core"] in page
