"""The form of a record: every reader takes the same lines, and the core writes just this form."""

from __future__ import annotations

import ast
import json
import shutil
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import Any

import msgspec
import pytest

import makelog
import wakecore
from wakeboard.short import DECISIONS, MEMBERS, WAKE
from wakeboard.store import STATE_RECORD
from wakecore import line
from wakecore.plan import KINDS
from wakecore.run import CHANNELS
from wakecore.state import PHASES, VERSION
from wakewell import words
from wakewell.log import logs, page, parcel, record
from wakewell.log.fieldlog import FieldLog
from wakewell.log.logs import Skips
from wakewell.pot import pot_folder
from wakewell.radio import handover
from wakewell.radio.store import summary
from wakewell.usb import pull

CAFE = Path(record.__file__).parents[1] / "data" / "cafe"
BASIL = CAFE / "basil"


@pytest.fixture(scope="module")
def lines() -> list[bytes]:
    """A log of 12 wakes after its snapshot."""
    return list(makelog.log_lines(makelog.play(makelog.wakes(12))))


def readers(path: Path, data: bytes) -> dict[str, bool]:
    """Does each reader take the last wake of that log?"""
    path.write_bytes(data)
    wanted = json.loads(data.splitlines()[-1])["n"]
    entries = [one.wake for one in FieldLog([path]).entries() if one.wake]
    newest = pull.last_record(data)
    entry, _ = parcel.shared(path, [path])
    shared = [json.loads(text)["n"] for text in entry["logs/00000001.jsonl"].splitlines()]
    return {
        "replay and report": wanted == entries[-1].n,
        "of a file": wanted in [one.found.n for one, _ in logs.read_file(path, Skips()) if one],  # type: ignore[union-attr]
        "pull": newest is not None and newest.n == wanted,
        "parcel": wanted in shared[-1:],
        "radio": summary(data.splitlines()[-1]) is not None,
    }


@pytest.mark.parametrize(
    ("inside", "members", "taken"),
    [
        ("", {}, True),
        ("", {"of a newer core": 3}, True),
        ("", {"of a newer core": "word"}, True),
        ("plan", {"reason": "a word of a newer core"}, True),
        ("", {"awake_ms": "long"}, False),
        ("", {"needs": ["\u202e"]}, False),
        ("begin", {"radio": 5}, False),
        ("begin", {"radio": "x" * 41}, False),
        ("begin", {"radio_ms": "long"}, False),
        ("begin", {"utc": [1 << 29, 0, 1]}, False),
        ("judged", {"soil": 3}, False),
        ("values", {"soil_ppt": "wet"}, False),
    ],
)
def test_every_reader_takes_the_same_records(
    tmp_path: Path, lines: list[bytes], inside: str, members: dict[str, Any], taken: bool
) -> None:
    whole = json.loads(lines[-1])
    last = makelog.changed(lines[-1], **({inside: whole[inside] | members} if inside else members))
    data = b"".join(text + b"\n" for text in [*lines[:-1], last])
    found = readers(tmp_path / "00000001.jsonl", data)
    assert found == dict.fromkeys(found, taken)


@pytest.mark.parametrize("body", [b'{"a":' * 6000, b'{"kind":"wake","n":' + b"[" * 30000])
def test_a_line_that_is_nested_too_deeply_stops_no_reader(
    tmp_path: Path, lines: list[bytes], body: bytes
) -> None:
    path = tmp_path / "00000001.jsonl"
    path.write_bytes(b"\n".join([*lines[:2], makelog.sealed(body), *lines[2:], b""]))
    log = FieldLog([path])
    assert sum(1 for entry in log.entries() if entry.wake) == 12
    assert [skip.why for skip in log.skips.first] == ["nested too deeply"]


def test_a_damaged_record_of_a_shared_log_is_told_by_its_line(
    tmp_path: Path, lines: list[bytes]
) -> None:
    """What a newer core alone left out of a record cannot be told in the sharing form."""
    path = tmp_path / "00000001.jsonl"
    odd = makelog.changed(lines[4], left_out=["the poem"])
    path.write_bytes(b"\n".join([*lines[:4], odd, *lines[5:], b""]))
    entry, notes = parcel.shared(path, [path])
    assert len(entry["logs/00000001.jsonl"].splitlines()) == len(lines) - 1
    assert "1 lines could not be read and are not in it" in notes


@pytest.mark.parametrize("inside", ["", "begin", "values", "plan", "water"])
def test_a_member_of_a_newer_core_is_not_shared(
    tmp_path: Path, lines: list[bytes], inside: str
) -> None:
    """It may tell whose pot it is, for all that this version knows."""
    whole = json.loads(lines[-1])
    note = {"note": "of Anna"}
    odd = makelog.changed(lines[-1], **({inside: whole[inside] | note} if inside else note))
    path = tmp_path / "00000001.jsonl"
    path.write_bytes(b"\n".join([*lines[:-1], odd, b""]))
    entry, _ = parcel.shared(path, [path])
    assert len(entry["logs/00000001.jsonl"].splitlines()) == len(lines)
    assert b"Anna" not in entry["logs/00000001.jsonl"]


def test_a_pot_is_handed_over_whose_newest_record_is_shortened(
    tmp_path: Path, lines: list[bytes]
) -> None:
    plain = json.loads(lines[-1])
    for name in MEMBERS[DECISIONS]:
        plain.pop(name, None)  # not every record has each
    plain["left_out"] = [DECISIONS]
    last = pull.last_record(lines[-2] + b"\n" + line.encode(WAKE, plain) + b"\n")
    assert isinstance(last, record.Brief)
    shutil.copytree(BASIL, tmp_path / "basil")
    rows = handover.sheet(pot_folder.load(tmp_path / "basil"), last, date(2026, 5, 4))
    assert f"  last read   wake {last.n}: its record is shortened, its memory was short" in rows


def test_what_a_pot_read_last_is_told_in_the_units_that_people_read(
    tmp_path: Path, lines: list[bytes]
) -> None:
    last = pull.last_record(lines[-1] + b"\n")
    assert isinstance(last, record.Wake)
    shutil.copytree(BASIL, tmp_path / "basil")
    rows = handover.sheet(pot_folder.load(tmp_path / "basil"), last, date(2026, 5, 4))
    (told,) = (row for row in rows if row.startswith("  last read"))
    assert f"soil probe {last.values.soil_ppt / 10:g} % by volume" in told
    assert f"battery reading {last.values.battery_mv / 1000:g} V" in told
    assert f"level gauge {last.values.level_ml} ml" in told
    assert "_" not in told


# The four places that write the form down: the core, the board, the core's types, and record.py


def names(form: type[Any]) -> list[str]:
    return [name for name, _, _ in record.members(form)]


def test_the_members_are_those_that_a_board_writes_in_their_order() -> None:
    assert ["kind", *names(record.Wake)] == list(WAKE)
    assert ["kind", *names(record.Snapshot)] == list(STATE_RECORD)


def parts_of(part: type[msgspec.Struct], whole: type[msgspec.Struct]) -> Iterator[tuple[str, Any]]:
    """(name, type) of each member that the whole form lacks, or has of another type."""
    known = {name: record.inner_form(hint) for name, hint, _ in record.members(whole)}
    for name, hint, _ in record.members(part):
        kind = record.inner_form(hint)
        if kind is Any:
            kind = known.get(name)
        if record.is_form(kind) and record.is_form(known.get(name)):
            yield from parts_of(kind, known[name])
        elif kind != known.get(name) and kind is not record.RunGist:
            yield name, kind


@pytest.mark.parametrize("part", [record.Brief, record.Gist, record.HeardWake])
def test_a_form_that_holds_a_part_of_a_wake_has_its_members(part: type[msgspec.Struct]) -> None:
    """Written once more because reading less takes less time: of the same names and types."""
    assert list(parts_of(part, record.Wake)) == []


def test_a_record_without_decisions_lacks_just_what_a_board_leaves_out() -> None:
    assert set(names(record.Wake)) - set(names(record.Brief)) == {"commands"}
    needed = {name for name, _, always in record.members(record.Brief) if always}
    left_out = set().union(*MEMBERS.values()) | {"stores", "awake_ms", "trips", "lockouts"}
    assert set(names(record.Brief)) - needed == left_out - {"commands"}


@pytest.mark.parametrize(
    ("form", "of_the_core"),
    [
        (record.Begin, "Begin"),
        (record.Plan, "Plan"),
        (record.Water, "Water"),
        (record.Wake, "Record"),
    ],
)
def test_the_members_are_those_of_the_cores_types(form: type[Any], of_the_core: str) -> None:
    """wakecore/typed.pyi, by its syntax tree."""
    path = Path(wakecore.__file__).parent / "typed.pyi"
    tree = ast.parse(path.read_text(encoding="utf-8"))
    (found,) = (
        one for one in tree.body if isinstance(one, ast.ClassDef) and one.name == of_the_core
    )
    there = {one.target.id for one in found.body if isinstance(one, ast.AnnAssign)}  # type: ignore[union-attr]
    if form is record.Wake:  # left_out is the board's, and kind tells the forms apart
        there = there - {"kind"} | {"left_out"}
    assert set(names(form)) == there


def test_what_may_be_absent_says_when_and_nothing_else_does() -> None:
    for form in (record.Begin, record.Converted, record.Plan, record.Water, record.Wake):
        for name, hint, always in record.members(form):
            said = record.said_of(hint)
            assert said.text, f"{form.__name__}.{name}"
            assert bool(said.absent) == (not always), f"{form.__name__}.{name}"


# The page


def test_the_page_of_the_log_has_every_member_as_it_is() -> None:
    text = page.PAGE.read_text(encoding="utf-8")
    assert page.filled(text) == text, "write it anew: python -m wakewell.log.page"
    there = {found[2] for found in page.MARK.finditer(text)}
    assert there == set(page.tables())


def test_the_page_names_the_version_of_the_form() -> None:
    assert f"version {VERSION} of the form" in " ".join(page.PAGE.read_text("utf-8").split())


def test_the_samples_of_a_pulse_are_the_cores_channels() -> None:
    assert list(record.RUN) == ["ran_ms", *CHANNELS]


def test_the_words_told_of_a_member_are_the_cores() -> None:
    said = {name: record.said_of(hint).text for name, hint, _ in record.members(record.Plan)}
    for word in PHASES:
        assert word in said["phase"]
    for word in KINDS:
        assert word in said["kind"]
    (judged,) = (hint for name, hint, _ in record.members(record.Wake) if name == "judged")
    for word in words.PROBE_WORDS:
        assert word in record.said_of(judged).text, word
    (cause,) = (hint for name, hint, _ in record.members(record.Begin) if name == "cause")
    for word in words.CAUSES:
        assert word in record.said_of(cause).text, word
