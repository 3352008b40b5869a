"""A version of the code that somebody sends over the air: what says it, and what it comes in.

The manifest is one line of JSON, sealed (see `ordered`): the board, chip and form of compiled files
it is for, the files in the root of the flash it was made with, until when it may be taken, and the
SHA-256 of the list. The list names each file of the version with its SHA-256, and a file comes in
pieces, each sealed by itself: no byte of a stranger reaches the flash. Only compiled files of the
two packages can be in it. No input, no output, no clock.
"""

import hashlib
from binascii import hexlify

from wakeboard import ordered, sealed
from wakecore import line
from wakecore.number import is_whole

if False:
    from typing import Any, Callable, Iterable

KIND = "code"
VERSION = 1
MOST = 1024  # bytes of a manifest
NAMES = ("kind", "version", "board", "n", "until", "until_n", "chip", "mpy", "root", "back") + (
    ("name", "list", "size")
)
ROOT = ("loader.py", "main.py", "boot.py", "chip.py")  # in the root of the flash, in no version
PACKAGES = ("wakeboard", "wakecore")
MOST_LIST = 8192  # bytes
MOST_FILES = 64
MOST_FILE = 32768  # bytes
MOST_CODE = 163840  # bytes of all of them: twice today's
PIECE = 1024  # bytes of a file that come together
TAG_SIZE = 32
HEX = "0123456789abcdef"
LETTERS = "0123456789_abcdefghijklmnopqrstuvwxyz"


def make(key: bytes, record: "dict[str, Any]") -> bytes:
    """The message (host). record: all of NAMES but the first two."""
    whole = {"kind": KIND, "version": VERSION}
    whole.update(record)
    return sealed.seal(line.encode(NAMES, whole)[: -line.TAIL_SIZE], key)


def root_id(digests: "list[str]") -> str:
    """What stands for the files of ROOT: 16 digits over the SHA-256 of each, in that order."""
    return hexlify(hashlib.sha256("".join(digests).encode()).digest()).decode()[:16]


def is_hex(text: "Any", size: int) -> bool:
    """Is it so many hexadecimal digits?"""
    if type(text) is not str or len(text) != size:
        return False
    return not [c for c in text if c not in HEX]


def is_name(text: "Any") -> bool:
    """Is it the name of a version: id of its core, a dash, eight digits of its files' hash?"""
    if type(text) is not str or len(text) != 21 or text[12] != "-":
        return False
    return is_hex(text[:12], 12) and is_hex(text[13:], 8)


def judge(
    data: bytes,
    key: bytes,
    board: str,
    last_n: int,
    here: "Callable[[], dict[str, Any]]",
    utc: list[int],
    wake_n: int,
) -> "tuple[int, dict[str, Any] | None, str]":
    """(n, record, "") if it is to be fetched, else (n, None, why not); as `asked.judge`.

    here: gives {"chip", "mpy", "root"} of this board; called for a new manifest only.
    """
    n, record, why = opened(data, key, board, last_n)
    if record is not None:
        why = wrong(record, here()) or ordered.late(record, utc, wake_n)
    return n, None if why else record, why


def opened(
    data: bytes, key: bytes, board: str, last_n: int
) -> "tuple[int, dict[str, Any] | None, str]":
    """(n, record, "") if it is authentic, ours and new, else as `judge`."""
    return ordered.opened(data, key, board, last_n, (KIND,), VERSION, MOST)


def wrong(record: "dict[str, Any]", here: "dict[str, Any]") -> str:
    """Why an authentic manifest is none for this board, "" if it is. A way back names a version
    that is on the board already, so what it was made with does not matter."""
    back = record.get("back")
    if back == 1 and type(back) is int:
        return ""
    for name, why in (
        ("chip", "made for another chip"),
        ("mpy", "compiled for another MicroPython"),
        ("root", "made for another loader: flash it by cable"),
    ):
        if record.get(name) != here[name]:
            return why
    if back != 0 or not is_name(record.get("name")) or not is_hex(record.get("list"), 64):
        return "not a whole manifest"
    if not is_whole(record.get("size"), 1, MOST_LIST):
        return "its list is too long"
    return ""


def row(digest: str, size: int, path: str) -> bytes:
    """One line of the list (host)."""
    return ("%s %d %s\n" % (digest, size, path)).encode()


def read_row(text: bytes) -> "tuple[str, int, str] | None":
    """(SHA-256, bytes, path) of one line of the list; None if a board takes no such file."""
    try:
        words = text.decode().rstrip("\n").split(" ")
        size = int(words[1])
    except (ValueError, IndexError):
        return None
    if len(words) != 3 or not is_hex(words[0], 64) or not 0 < size <= MOST_FILE:
        return None
    package, _, name = words[2].partition("/")
    stem = name[:-4]
    plain = 0 < len(stem) < 32 and not [c for c in stem if c not in LETTERS]
    if package not in PACKAGES or not plain or name[-4:] != ".mpy":
        return None
    return words[0], size, words[2]


def check_list(lines: "Iterable[bytes]") -> str:
    """Why such a list is none, "" if it is: files that a board takes, each once, not too many."""
    count = total = 0
    last = ""
    for text in lines:
        found = read_row(text)
        if found is None:
            return "holds what no version may hold"
        if found[2] <= last:
            return "names a file twice, or out of order"
        last = found[2]
        count += 1
        total += found[1]
    if not count or count > MOST_FILES or total > MOST_CODE:
        return "too large"
    return ""


def topic(digest: str, number: int) -> str:
    """Where a piece is to be had, below the board's own place."""
    return "code/%s/%d" % (digest[:16], number)


def _tag(key: bytes, board: str, digest: str, number: int, data: bytes) -> bytes:
    mac = sealed.Mac(key)
    mac.update(("piece %s %s %d " % (board, digest, number)).encode())
    mac.update(data)
    return mac.digest()


def seal_piece(key: bytes, board: str, digest: str, number: int, data: bytes) -> bytes:
    """A piece of the file with that SHA-256 (host): its bytes, then the tag."""
    return data + _tag(key, board, digest, number, data)


def open_piece(
    payload: bytes, key: bytes, board: str, digest: str, number: int, size: int
) -> "bytes | None":
    """The bytes of a piece, None if it is not that very one. size: of the file."""
    data = payload[:-TAG_SIZE]
    if len(data) != min(PIECE, size - number * PIECE):
        return None
    if not sealed.same(payload[-TAG_SIZE:], _tag(key, board, digest, number, data)):
        return None
    return data
