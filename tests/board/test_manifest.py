"""A version over the air: what a board takes of what is sent, and everything it refuses."""

from __future__ import annotations

import hashlib
import json
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wakeboard import asked, manifest, sealed

KEY, BOARD = bytes(range(32)), "0242ac110002"
NOW = [9500, 3600, 1]
HERE = {"chip": "ESP32", "mpy": 6, "root": "0123456789abcdef"}
NAME = "0123456789ab-01234567"
RECORD: dict[str, Any] = {
    "board": BOARD, "n": 7, "until": [9501, 0], "until_n": 20, "back": 0, "name": NAME,
    "list": "ab" * 32, "size": 4000, **HERE,
}  # fmt: skip


def message(key: bytes = KEY, **changes: Any) -> bytes:
    """A good manifest, but for the changes."""
    return bytes(manifest.make(key, RECORD | changes))


def judge(data: bytes, last_n: int = 6, utc: Any = NOW, wake_n: int = 12) -> Any:
    return manifest.judge(data, KEY, BOARD, last_n, lambda: HERE, utc, wake_n)


def without(name: str) -> bytes:
    """An authentic one without a member, as only a faulty host would make it."""
    body = json.loads(message())
    del body["hmac"], body[name]
    return bytes(sealed.seal(json.dumps(body)[:-1].encode(), KEY))


def test_a_good_one_is_taken_whole() -> None:
    n, record, why = judge(message())
    assert (n, why) == (7, "")
    assert {name: record[name] for name in RECORD} == RECORD
    assert len(message()) < manifest.MOST // 2


def test_a_way_back_needs_no_loader_of_its_own() -> None:
    assert judge(message(back=1, name="", list="", size=0, root="0" * 16, mpy=5))[1] is not None


def test_seen_again_it_is_neither_taken_nor_refused() -> None:
    assert judge(message(), last_n=7) == (7, None, "")


REFUSED = [
    (message(n=5), 0, "older than 6"),
    (message(key=b"x" * 32), 0, "tag does not match"),
    (message()[:-1], 0, "no tag"),
    (message()[:60], 0, "no tag"),
    (message(name=NAME + "x" * 1000), 0, "longer than"),
    (message(board="0242ac110003"), 0, "another board"),
    (bytes(asked.make(KEY, BOARD, 7, [9501, 0], 20, "x", {})), 0, "not of the kind code"),
    (message(chip="ESP32C3"), 7, "another chip"),
    (message(mpy=5), 7, "another MicroPython"),
    (message(root="0" * 16), 7, "another loader: flash it by cable"),
    (message(until=[9499, 86399]), 7, "its time is past"),
    (message(name="../../pot"), 7, "not a whole manifest"),
    (message(name="0123456789ab-0123456g"), 7, "not a whole manifest"),
    (message(list="AB" * 32), 7, "not a whole manifest"),
    (message(back=2), 7, "not a whole manifest"),
    (message(size=manifest.MOST_LIST + 1), 7, "too long"),
    (message(size=0), 7, "too long"),
    (message(n=0), 0, "no number"),
    (message(n=1 << 30), 0, "no number"),
    *((without(name), 7, "") for name in ("chip", "mpy", "root", "until", "until_n", "name")),
]


@pytest.mark.parametrize(("data", "n", "why"), REFUSED)
def test_refused_with_the_reason(data: bytes, n: int, why: str) -> None:
    found_n, record, found = judge(data)
    assert (found_n, record) == (n, None)
    assert found
    assert why in found


def test_an_unsure_clock_is_judged_by_the_number_of_the_record() -> None:
    assert judge(message(), utc=[99999, 0, 0], wake_n=20)[1] is not None
    assert judge(message(), utc=[0, 0, 0], wake_n=21)[2] == "its time is past"


@settings(max_examples=200)
@given(st.integers(0, len(message()) - 1), st.integers(1, 255))
def test_no_byte_can_be_another(at: int, change: int) -> None:
    data = bytearray(message())
    data[at] ^= change
    assert judge(bytes(data))[1] is None


@pytest.mark.parametrize(
    "path",
    [
        "pot/limits.json", "../pot/limits.json", "wakecore/../../pump.json", "loader.py", "boot.py",
        "chip.py", "loader.mpy", "wakeboard/loader.py", "wakeboard/.mpy", "wakecore/x/y.mpy",
        "/wakecore/run.mpy", "wakecore//run.mpy", "wakecore/Run.mpy", "wakecore/run.mpy\0",
        "wakecore/run mpy", "wakecore", "", "pump.json", "wakeboard/calibration.json",
    ],
)  # fmt: skip
def test_nothing_but_compiled_files_of_the_two_packages_can_travel(path: str) -> None:
    """What `flash` alone may put on a board: hard limits, calibration, the pump's pin, the loader
    and what it needs. The board refuses the list, whoever sealed it."""
    good = manifest.row("ab" * 32, 100, "wakeboard/turn.mpy")
    assert manifest.check_list([good]) == ""
    assert manifest.check_list([good, manifest.row("ab" * 32, 100, path)]) != ""


@pytest.mark.parametrize(
    "rows",
    [
        [],
        [manifest.row("ab" * 32, 100, "wakecore/run.mpy")] * 2,
        [manifest.row("ab" * 32, 100, f"wakecore/{name}.mpy") for name in ("b", "a")],
        [manifest.row("ab" * 32, manifest.MOST_FILE + 1, "wakecore/run.mpy")],
        [manifest.row("ab" * 32, 0, "wakecore/run.mpy")],
        [manifest.row("ab" * 31, 9, "wakecore/run.mpy")],
        [manifest.row("ab" * 32, 32000, f"wakecore/{name}.mpy") for name in "abcdef"],
        [manifest.row("ab" * 32, 9, f"wakecore/m{n:03d}.mpy") for n in range(65)],
        [b"\xff\xfe"],
        [b"\n"],
    ],
    ids=["none", "twice", "out of order", "large file", "empty", "short digest", "large", "many",
         "no text", "blank"],
)  # fmt: skip
def test_a_list_that_is_none(rows: list[bytes]) -> None:
    assert manifest.check_list(rows) != ""


DATA = bytes(range(256)) * 9  # 2304 bytes: three pieces
DIGEST = hashlib.sha256(DATA).hexdigest()


def piece(number: int, **other: Any) -> bytes:
    """That piece of DATA, sealed; other: with something else in its place."""
    at = number * manifest.PIECE
    made: dict[str, Any] = {
        "key": KEY, "board": BOARD, "digest": DIGEST, "number": number,
        "data": DATA[at : at + manifest.PIECE],
    }  # fmt: skip
    return bytes(manifest.seal_piece(*(made | other).values()))


def opened(payload: bytes, number: int) -> bytes | None:
    found = manifest.open_piece(payload, KEY, BOARD, DIGEST, number, len(DATA))
    return None if found is None else bytes(found)


def test_the_pieces_are_the_file() -> None:
    assert b"".join(opened(piece(n), n) or b"" for n in range(3)) == DATA


@pytest.mark.parametrize(
    ("payload", "number"),
    [
        (piece(0), 1), (piece(1), 0), (piece(2), 1), (piece(0, board="another"), 0),
        (piece(0, key=b"x" * 32), 0), (piece(0, digest="ab" * 32), 0), (piece(0)[:-1], 0),
        (piece(0)[1:], 0), (piece(0) + b"x", 0), (b"", 0), (bytes(32), 0), (bytes(4096), 0),
        (piece(2, data=DATA[2048:] + b"more"), 2), (piece(2, data=DATA[2048:-1]), 2),
        (piece(0, data=DATA[:2048]), 0),
    ],
    ids=["first for second", "second for first", "last for second", "another board's", "forged",
         "of another file", "cut", "begun late", "longer", "nothing", "only a tag", "zeros",
         "grown", "shrunk", "oversize"],
)  # fmt: skip
def test_a_piece_that_is_not_that_very_one(payload: bytes, number: int) -> None:
    assert opened(payload, number) is None
