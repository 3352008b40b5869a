"""What comes over the air, as the host reads it. No network, no storage.

A report is a SenML pack (RFC 8428) sealed with the pot's key; `wakeboard.senml` makes it. Nothing
in it is read before its tag is found right.
"""

from __future__ import annotations

import hmac
import re
from binascii import crc32
from typing import Any

import msgspec
from msgspec import UNSET, UnsetType

from wakeboard import sealed, senml
from wakecore import line
from wakewell.log import logs, record
from wakewell.log.record import MOST_NUMBER
from wakewell.radio import homes

MOST = 65536  # bytes of a report
MOST_LINES = 256
BASES = ("bn", "bt", "bu", "bv", "bs", "bver")
PLAIN = frozenset(("n", "u", "t", "ut", "v", "vs", "vb", "vd", "s"))
VALUES = frozenset(("v", "vs", "vb", "vd", "s"))
PADDING = ("", "===", "==", "=")  # of base64, by its length's remainder of four
VERSION = 10  # of SenML, RFC 8428, section 4.1; a greater one is refused, section 4.4
SIZE = line.TAIL_SIZE  # of a line's end: its CRC
LATER = 1 << 28  # a smaller time is counted from now (RFC 8428, section 4.5.3)
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9\-:./_]*")
_PLACE = re.compile(r"log/(\d{1,8})/(\d{1,9})")
_NONCE = re.compile("[0-9a-f]{8,32}")


class SenmlRecord(msgspec.Struct, gc=False, forbid_unknown_fields=True):
    """A record of a pack that has no other labels than those that boards use."""

    n: str = ""
    vd: str | UnsetType = UNSET
    u: str | UnsetType = UNSET
    t: int | float | UnsetType = UNSET
    v: int | float | UnsetType = UNSET
    vs: str | UnsetType = UNSET
    bn: str | UnsetType = UNSET


class Odd(SenmlRecord):
    """Any other record, as it came."""

    labels: dict[str, Any] = {}


_records = msgspec.json.Decoder(list[SenmlRecord])
_pack = msgspec.json.Decoder(list[dict[str, int | float | str | bool]])  # nothing is nested


class LogLine(msgspec.Struct, frozen=True, gc=False):
    """One line of a board's log: what identifies it, its place there, its bytes."""

    kind: str
    n: int
    crc: str  # as it stands at its end
    file: int
    at: int  # bytes before it in that file
    data: bytes


def tells(line: LogLine) -> bool:
    """Is it a wake that tells how the pot is? One shortened to its beginning does not."""
    return line.kind == "wake" and record.has_decisions(line.data)


class BoardReport(msgspec.Struct):
    """One report of one board. damaged: lines of its log that its flash did not keep whole."""

    board: str
    n: int
    nonce: str
    words: dict[str, Any] = {}
    lines: list[LogLine] = []
    in_force: list[bytes] = []
    damaged: list[str] = []
    file: int = 0  # the log is complete here up to this file
    offset: int = 0  # and this many of its bytes
    home: str = ""  # mark of the key it was sealed with


def resolve(pack: Any, now: float) -> list[dict[str, Any]]:
    """A SenML pack's resolved records (RFC 8428, section 4.6). Raises ValueError."""
    if not isinstance(pack, list) or not pack:
        raise ValueError("not a SenML pack")
    base: dict[str, Any] = {}
    simple = True  # no base value but a name: then a record is resolved by its name alone
    prefix = ""
    found = []
    for entry in pack:
        if not isinstance(entry, dict):
            raise ValueError("a record that is not an object")
        made = dict(entry)
        if not PLAIN.issuperset(entry):
            base |= {key: made.pop(key) for key in BASES if key in entry}
            if base.get("bver", VERSION) > VERSION:
                raise ValueError(f"SenML version {base['bver']}, known up to {VERSION}")
            if any(key.endswith("_") for key in made):
                raise ValueError("a label that must be understood and is not")
            prefix, simple = str(base.get("bn", "")), not base.keys() - {"bn", "bver"}
        made["n"] = name = prefix + str(entry.get("n", ""))
        if not _NAME.fullmatch(name):
            raise ValueError("an invalid name")
        at = entry.get("t", 0) if simple else base.get("bt", 0) + entry.get("t", 0)
        made["t"] = at if at >= LATER else now + at
        if not simple:
            if "bu" in base:
                made.setdefault("u", base["bu"])
            for key in ("v", "s"):
                if "b" + key in base and (key in entry or not VALUES & entry.keys()):
                    made[key] = base["b" + key] + entry.get(key, 0)
        if not VALUES.isdisjoint(made):
            found.append(made)
    return found


def mac(key: bytes, data: bytes) -> bytes:
    """HMAC-SHA-256 by the standard library, quicker than the board's own."""
    return hmac.digest(key, data, "sha256")


def read(data: bytes, key: bytes, board: str) -> tuple[BoardReport | None, str]:
    """A board's report from a message's bytes, or None and why it is none."""
    body, why = sealed.unseal(data, key, MOST, sealed.PACK, mac, hmac.compare_digest)
    if body is None:
        return None, why
    try:
        return _read(decode(body), board, homes.mark_of(key)), ""
    except (ValueError, TypeError, KeyError, ArithmeticError) as error:
        return None, f"not a report: {logs.printable(str(error), 80)}"


def decode(body: bytes) -> list[SenmlRecord]:
    try:
        return _records.decode(body)
    except msgspec.ValidationError:
        usual = set(SenmlRecord.__struct_fields__)
        return [
            msgspec.convert(entry, SenmlRecord) if usual.issuperset(entry) else Odd(labels=entry)
            for entry in _pack.decode(body)
        ]


def _read(pack: list[SenmlRecord], board: str, home: str) -> BoardReport:
    others, places, texts = [], [], []
    for entry in pack:
        if entry.bn is UNSET:
            if (data := entry.vd) is not UNSET:
                place = _PLACE.fullmatch(entry.n)
                if place or entry.n == "in-force":
                    places.append(place)
                    texts.append(data)
                continue
            if entry.u is not UNSET:
                continue  # a reading, for other readers: the log's line has it too
        others.append(entry)
    base = senml.base_name(board)
    words = words_as_usual(others, base) or words_resolved(others, base)
    report = BoardReport(board, -1, "", words, home=home)
    report.n, report.nonce = report.words.pop("report", -1), report.words.pop("nonce", "")
    if type(report.n) is not int or not 0 <= report.n < MOST_NUMBER:
        raise ValueError("no number")
    if not _NONCE.fullmatch(report.nonce):
        raise ValueError("no nonce")
    _lines(report, places, texts)
    return report


def words_as_usual(records: list[SenmlRecord], base: str) -> dict[str, Any]:
    """{name: value} of records as boards write them: one base name, plain names, one value each.
    Empty if they are not so; `resolve` then says what they mean."""
    words: dict[str, Any] = {}
    prefix: str | UnsetType = base
    for entry in records:
        name, value = entry.n, entry.vs if entry.v is UNSET else entry.v
        plain = entry.bn == prefix and entry.u is entry.t is entry.vd is UNSET is not value
        if not (plain and name.isascii() and name.isidentifier() and type(entry) is SenmlRecord):
            return {}
        words[name] = value
        prefix = UNSET
    return words


def words_resolved(records: list[SenmlRecord], base: str) -> dict[str, Any]:
    """The same of any records. Raises ValueError."""
    words = {}
    pack = [one.labels if isinstance(one, Odd) else msgspec.to_builtins(one) for one in records]
    for made in resolve(pack, 0):
        if not made["n"].startswith(base):
            raise ValueError("is from another board")
        name = made["n"].removeprefix(base)
        if _PLACE.fullmatch(name):
            raise ValueError("a line of the log without its bytes")
        if "u" not in made:
            words[name] = made.get("v", made.get("vs"))
    return words


def _lines(report: BoardReport, places: list[re.Match[str] | None], texts: list[str]) -> None:
    """Lines of the log and files in force; a damaged line is noted, and the log goes on."""
    last, size = None, 0
    file, number = "", 0
    for place, data in zip(places, bytes_of(texts), strict=True):
        if place is None:
            report.in_force.append(data)
            continue
        start, crc = record.start(data), f"{crc32(data[:-SIZE]):08x}"
        whole = data[-SIZE:] == line.TAIL + crc.encode() + b'"}' and len(data) <= line.MOST_LINE
        if start and whole:
            kind, n = start
            if file != place[1]:
                file, number = place[1], int(place[1])
            report.lines.append(LogLine(kind, n, crc, number, int(place[2]), data))
        else:
            _, why = line.body_of(data)
            at = f"{int(place[1]):08d}.jsonl, byte {int(place[2])}"
            report.damaged.append(f"{at}: {why or 'not a record'}")
        last, size = place, len(data)
    if last:
        report.file, report.offset = int(last[1]), int(last[2]) + size + 1
    if len(report.lines) > MOST_LINES or len(report.in_force) > 3:
        raise ValueError("too many lines")


def unix_s(day: int, second: int) -> int:
    """Seconds since 1970 of a day and second as a board counts them."""
    return (senml.UNIX_DAY + day) * 86400 + second


def bytes_of(texts: list[str]) -> list[bytes]:
    """Data values: base64url without padding (RFC 8428, section 5). Raises ValueError."""
    whole = []
    for text in texts:
        if "+" in text or "/" in text:
            raise ValueError("not base64url")
        whole.append(text.replace("-", "+").replace("_", "/") + PADDING[len(text) & 3])
    # By msgspec, as strict as binascii and several times quicker
    return msgspec.convert(whole, list[bytes])


def id_of(data: bytes) -> str:
    """The id of one of a pot's three files, "" if the line is none of them."""
    return line.identity(data) if record.file_of(data) else ""
