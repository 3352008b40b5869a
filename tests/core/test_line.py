"""One line of JSON with a CRC: what goes in comes out, and nothing damaged is let in."""

from __future__ import annotations

import json
from binascii import crc32
from pathlib import Path
from typing import Any

import core_micropython
import core_pots
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from wakecore import line
from wakewell.interpreters import interpreter

NAMES = st.text(st.characters(min_codepoint=97, max_codepoint=122), min_size=1, max_size=8)
# A record holds whole numbers, strings, None, lists of these and objects of lists and words
WORDS = st.one_of(
    st.none(),
    st.integers(-(1 << 62), 1 << 62),
    st.text(st.characters(codec="utf-8"), max_size=20),
)
LISTS = st.one_of(WORDS, st.lists(WORDS, max_size=6))
OBJECTS = st.one_of(LISTS, st.dictionaries(NAMES, LISTS, max_size=4))
RECORDS = st.dictionaries(NAMES.filter(lambda name: name != "crc"), OBJECTS, min_size=1, max_size=6)


def encode(record: dict[str, Any]) -> bytes:
    data: bytes = line.encode(tuple(record), record)
    return data


def test_crc_is_the_catalogue_value() -> None:
    """CRC-32 of "123456789" is CBF43926: IEEE 802.3, catalogue of parametrised CRCs."""
    assert crc32(b"123456789") == 0xCBF43926
    assert encode({"a": 1}) == b'{"a":1,"crc":"%08x"}' % crc32(b'{"a":1')


@core_micropython.needs_micropython
def test_crc_is_the_catalogue_value_on_micropython(tmp_path: Path) -> None:
    """The same source, the other interpreter."""
    code = "from wakecore import line\nprint('%08X' % line.crc32(b'123456789'))"
    assert core_micropython.run(tmp_path, code).strip() == "CBF43926"


@given(RECORDS)
def test_round_trip(record: dict[str, Any]) -> None:
    data = encode(record)
    assert line.decode(data) == (record, "")
    assert data.endswith(b'"crc":"%s"}' % line.identity(data).encode())


@given(RECORDS)
@example({"run": {"level": list(range(1000)), "ms": []}, "none": {}, "text": "\u00fc\\\n"})
@example({"level": list(range(line.ITEMS)), "ms": list(range(line.ITEMS + 1))})
def test_the_pieces_are_the_line(record: dict[str, Any]) -> None:
    for names in ((*record, "not there"), ()):
        pieces: list[bytes] = []
        size = line.write(names, record, pieces.append)
        assert b"".join(pieces) == line.encode(names, record)
        assert size == len(b"".join(pieces))


def test_no_piece_grows_with_the_lists_of_a_line() -> None:
    """What a short heap has to hold at once: a piece, and the items made into text together."""
    longest = {"run": {name: [-(1 << 30)] * 202 for name in ("level", "battery", "saucer")}}
    pieces: list[bytes] = []
    line.write(("run",), longest, pieces.append)
    most = line.PIECE + line.ITEMS * len("-1073741824,")
    assert max(len(piece) for piece in pieces) <= most


@given(RECORDS)
def test_any_json_reader_reads_it(record: dict[str, Any]) -> None:
    """RFC 8259, by the standard library's reader: one object, the CRC its last member."""
    data = encode(record)
    assert b"\n" not in data
    found = json.loads(data)
    assert list(found)[-1] == "crc"
    assert found == {**record, "crc": line.identity(data)}


@given(RECORDS, st.data())
def test_a_changed_byte_is_never_accepted(record: dict[str, Any], data: st.DataObject) -> None:
    good = encode(record)
    at = data.draw(st.integers(0, len(good) - 1))
    byte = data.draw(st.integers(0, 255).filter(lambda b: b != good[at]))
    found, why = line.decode(good[:at] + bytes([byte]) + good[at + 1 :])
    assert found is None
    assert why


def test_every_byte_of_a_line_counts() -> None:
    """Each of its bytes turned into each other value: 255 changes at every place."""
    good = encode({"kind": "wake", "n": 12, "read": {"soil": [1200000, 40]}})
    for at in range(len(good)):
        for byte in range(256):
            if byte != good[at]:
                assert line.decode(good[:at] + bytes([byte]) + good[at + 1 :])[0] is None


@given(RECORDS, st.data())
def test_a_torn_line_is_never_accepted(record: dict[str, Any], data: st.DataObject) -> None:
    good = encode(record)
    assert line.decode(good[: data.draw(st.integers(0, len(good) - 1))])[0] is None
    assert line.decode(good[data.draw(st.integers(1, len(good))) :])[0] is None


@given(st.binary(max_size=200))
@example(b"")
@example(b"[" * 30000)
@example(b"{" * 40000)
@example(b'{"a":1,"crc":"00000000"}')
def test_bytes_of_any_kind_are_answered(data: bytes) -> None:
    found, why = line.decode(data)
    assert found is None
    assert why
    assert "\n" not in why


@pytest.mark.parametrize(
    "body",
    [
        b'{"a":' + b"[" * 30000,
        b'{"a":' + b"[" * 10000 + b"]" * 10000,
        b'{"a":' + b"9" * 30000,
        b'{"a":1,"a":2',
        b'{"a":NaN',
        b"[1",
        b'{"a":"\xff\xfe"',
        b'{"a":"\x00"',
    ],
    ids=["deep", "deep and closed", "giant", "twice", "NaN", "list", "not UTF-8", "NUL"],
)
def test_a_hostile_line_with_a_good_crc_is_answered(body: bytes, tmp_path: Path) -> None:
    """Whoever can write the CRC can write anything: it may be refused, it may not raise."""
    data = body + line.TAIL + b'%08x"}' % crc32(body)
    found, why = line.decode(data)
    assert (found is None) == bool(why)
    if interpreter.found():
        (tmp_path / "line").write_bytes(data)
        code = "import sys\nfrom wakecore import line\nline.decode(open(sys.argv[1], 'rb').read())"
        core_micropython.run(tmp_path, code, str(tmp_path / "line"))


@core_micropython.needs_micropython
def test_both_interpreters_write_the_same_bytes(tmp_path: Path) -> None:
    records = tmp_path / "records"
    pick = core_pots.Pick(1)
    words = [
        None,
        0,
        -1,
        (1 << 30) - 1,
        -(1 << 40),
        "",
        "soil",
        'a "b" \\ c',
        "\n\t\x1f",
        "°µΩ水🪴",
    ]
    made = []
    for _ in range(300):
        record: dict[str, Any] = {}
        for _ in range(pick.whole(1, 6)):
            some = [pick.one(words) for _ in range(pick.whole(0, 4))]
            inner = {pick.one("xyzabc"): pick.one([pick.one(words), some]) for _ in some}
            record[pick.one("lmnopqrst")] = pick.one([pick.one(words), some, inner])
        made.append(record)
    records.write_text("".join(json.dumps(record, ensure_ascii=False) + "\n" for record in made))
    code = (
        "import json, sys\nfrom wakecore import line\n"
        "for text in open(sys.argv[1]):\n"
        "    record = json.loads(text)\n"
        "    print(line.encode(sorted(record), record).hex())\n"
    )
    there = core_micropython.run(tmp_path, code, str(records)).split()
    here = [line.encode(sorted(record), record).hex() for record in made]
    assert there == here
