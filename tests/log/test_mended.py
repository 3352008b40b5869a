"""Logs that came through mail."""

from __future__ import annotations

import quopri
import textwrap
from collections.abc import Callable
from pathlib import Path

import pytest

from grown import Garden, make
from wakecore import line
from wakewell.log import logs, mended


def wrapped(width: int) -> Callable[[bytes], bytes]:
    """Hard wraps, as some mailers do."""

    def change(data: bytes) -> bytes:
        rows = []
        for row in data.splitlines():
            rows += [row[at : at + width] for at in range(0, len(row), width)]
        return b"\n".join(rows) + b"\n"

    return change


def at_spaces(data: bytes) -> bytes:
    """Wraps at spaces where there are any, else in the middle, and the space is lost."""
    rows = []
    for row in data.decode().splitlines():
        rows += textwrap.wrap(row, 72, break_on_hyphens=False)
    return "\n".join(rows).encode() + b"\n"


CHANGES: dict[str, Callable[[bytes], bytes]] = {
    "as it was": lambda data: data,
    "CRLF": lambda data: data.replace(b"\n", b"\r\n"),
    "wrapped at 76": wrapped(76),
    "wrapped at 998": wrapped(998),
    "wrapped at spaces": at_spaces,
    "quoted": lambda data: b"".join(b"> " + row for row in data.splitlines(keepends=True)),
    "wrapped and quoted, CRLF": lambda data: b"".join(
        b"> " + row + b"\r\n" for row in wrapped(70)(data).splitlines()
    ),
    "quoted-printable": lambda data: quopri.encodestring(data),
    "with a greeting": lambda data: (
        b"Hello,\nhere is the log.\n\n" + wrapped(76)(data) + b"\nBye\n"
    ),
}


@pytest.fixture(scope="module")
def log(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    place = make(tmp_path_factory.mktemp("log"), Garden(days=12))
    return (place / "00000001.jsonl").read_bytes()


@pytest.mark.parametrize("name", CHANGES)
def test_every_record_is_read(name: str, log: bytes, tmp_path: Path) -> None:
    whole, sent = tmp_path / "a.jsonl", tmp_path / "sent.txt"
    whole.write_bytes(log)
    sent.write_bytes(CHANGES[name](log))
    skips = logs.Skips()
    there = [found.found for found, _ in mended.read_file(sent, skips)]
    assert there == [found.found for found, _ in logs.read_file(whole, logs.Skips())]
    assert skips.count == (3 if name == "with a greeting" else 0)


def test_a_fragment_is_named(log: bytes, tmp_path: Path) -> None:
    rows = wrapped(76)(log).splitlines(keepends=True)
    sent = tmp_path / "sent.jsonl"
    lost = rows.index(next(r for r in rows[20:] if r.startswith(b"{"))) + 3
    sent.write_bytes(b"".join(rows[:lost] + rows[lost + 1 :]))
    skips = logs.Skips()
    there = list(mended.read_file(sent, skips))
    assert len(there) == len(log.splitlines()) - 1
    assert skips.count == 1
    assert skips.first[0].line == lost - 2
    assert "fragment" in skips.first[0].why


def test_nothing_is_guessed(log: bytes, tmp_path: Path) -> None:
    sent = tmp_path / "sent.jsonl"
    sent.write_bytes(wrapped(76)(log.replace(b'"soil_ppt":3', b'"soil_ppt":4')))
    skips = logs.Skips()
    there = list(mended.read_file(sent, skips))
    assert skips.count == log.count(b'"soil_ppt":3')
    assert len(there) == len(log.splitlines()) - skips.count


def reasons(tmp_path: Path, text: bytes) -> list[tuple[int, str]]:
    """(line, why) of what is no record."""
    sent = tmp_path / "sent.txt"
    sent.write_bytes(text)
    skips = logs.Skips()
    assert list(mended.read_file(sent, skips)) == []
    return [(one.line, one.why) for one in skips.first]


def test_every_fragment_is_named_by_what_it_lacks(log: bytes, tmp_path: Path) -> None:
    first = log.splitlines()[1]
    half, rest = first[:100], first[100:200]
    assert reasons(tmp_path, b"Hello, all.\n") == [(1, "text around the log")]
    assert reasons(tmp_path, b'at: noon\n"soon"\n') == [
        (1, "text around the log"), (2, "text around the log"),
    ]  # fmt: skip
    assert reasons(tmp_path, b'"n":1,"core"\n\n') == [
        (1, "a fragment: the record has no beginning")
    ]
    one = (1, "a fragment: the record has no end")
    two = (1, "a fragment, lines 1 to 2: the record has no end")
    assert reasons(tmp_path, half + b"\n" + half + b"\n" + rest + b"\n") == [
        one, (2, "a fragment, lines 2 to 3: the record has no end"),
    ]  # fmt: skip
    assert reasons(tmp_path, half + b"\n" + rest + b"\n") == [two]
    assert reasons(tmp_path, half) == [(1, logs.TORN)]
    assert reasons(tmp_path, half + b"\n" + rest) == [two]


def test_what_was_mended_is_said_with_how_many_lines_it_had(log: bytes, tmp_path: Path) -> None:
    first = log.splitlines()[1]
    sent = tmp_path / "sent.txt"

    def told(text: bytes) -> list[str]:
        sent.write_bytes(text)
        skips = logs.Skips()
        assert len(list(mended.read_file(sent, skips))) == 1
        assert skips.count == 0
        return [one.why for one in skips.mends]

    assert told(b"> " + first + b"\n") == ["mended: it was quoted"]
    assert told(first[:300] + b"\n" + first[300:] + b"\n") == ["mended from 2 lines"]
    assert told(first[:300] + b"\n" + first[300:600] + b"\n" + first[600:]) == [
        "mended from 3 lines"
    ]


def broken(texts: list[str], lost: set[int], cut: set[int]) -> tuple[bytes, list[bytes]]:
    """A record with these texts, and its lines after a mailer: broken at the space of some texts,
    which is lost, and in the middle of others."""
    record = {f"t{at}": text for at, text in enumerate(texts)}
    whole = line.encode(list(record), record)
    parts: list[bytes] = [whole]
    for at, text in enumerate(texts):
        last = parts.pop()
        begin = last.index(f'"t{at}":"'.encode()) + len(f'"t{at}":"')
        if at in lost:
            space = begin + text.index(" ")
            parts += [last[:space], last[space + 1 :]]
        elif at in cut:
            parts += [last[: begin + 1], last[begin + 1 :]]
        else:
            parts.append(last)
    return whole, parts


@pytest.mark.parametrize(
    ("lost", "cut"),
    [
        ({19}, set()),  # many whole texts before it
        ({0}, set(range(1, 12))),  # many broken ones after it: they cannot all be tried
        ({0, 1, 2, 3, 4, 5, 6, 7}, {8}),
    ],
)
def test_a_space_lost_in_a_text_that_is_not_known_is_found(lost: set[int], cut: set[int]) -> None:
    whole, parts = broken(["one two"] * 20, lost, cut)
    assert len(parts) == 1 + len(lost) + len(cut)
    assert mended.join(parts) == whole
