"""What a board tells by radio, as a SenML pack (RFC 8428), sealed; integers throughout.

A pack names the report and its nonce, then for each line of the field log its place in the board's
files, its readings in plain SenML where they are believed and dated, and the line itself as a data
value: a program that knows only SenML reads the values, and one that keeps the log gets its exact
bytes. No input, no output.
"""

import json
from binascii import b2a_base64, crc32

from wakeboard import sealed
from wakecore import line

if False:
    from typing import Any, Iterator

PIECE = 384  # bytes of a line that become base64 together; a multiple of three
UNIX_DAY = 10957  # 2000-01-01, in days since 1970-01-01
# (value of a record, name, SenML unit, decimal places)
READINGS = (
    ("battery_mv", "battery", "V", 3),
    ("soil_ppt", "soil", "/", 3),
    ("level_ml", "tank", "m3", 6),
    ("temperature_mc", "temperature", "Cel", 3),
)


def base_name(board: str) -> str:
    """The base name of a board: its hardware address as in RFC 9039, else its id."""
    if len(board) == 12:
        return "urn:dev:mac:" + board[:6] + "fffe" + board[6:] + ":"
    return board + ":"


def decimal(number: int, places: int) -> str:
    """A whole number of thousandths and the like as a JSON number."""
    sign, number = ("-", -number) if number < 0 else ("", number)
    whole, rest = divmod(number, 10**places)
    text = "%s%d.%0*d" % (sign, whole, places, rest)
    return text.rstrip("0").rstrip(".")


def data_value(data: bytes) -> str:
    """base64url without padding (RFC 8428, section 5)."""
    text = b2a_base64(data).decode().rstrip("\n=")
    return text.replace("+", "-").replace("/", "_")


def head(board: str, n: int, nonce: str, words: "dict[str, Any]") -> bytes:
    """The pack's first bytes. n: the report's number. words: {name: whole number or text}."""
    text = '[{"bn":"%s","n":"report","v":%d},{"n":"nonce","vs":"%s"}' % (base_name(board), n, nonce)
    for name in sorted(words):
        value = words[name]
        form = ',{"n":"%s","v":%d}' if type(value) is int else ',{"n":"%s","vs":"%s"}'
        text += form % (name, value)
    return text.encode()


def readings(record: "dict[str, Any]") -> bytes:
    """The believed readings of a decoded wake as SenML records, b"" if its time is not known."""
    if record.get("kind") != "wake" or not record["begin"]["utc"][2]:
        return b""
    day, second, _ = record["begin"]["utc"]
    text = ""
    for value, name, unit, places in READINGS:
        number = record["values"].get(value)
        if number is not None:
            form = ',{"n":"%s","u":"%s","t":%d,"v":%s}'
            at = (day + UNIX_DAY) * 86400 + second
            text += form % (name, unit, at, decimal(number, places))
    return text.encode()


def summary(data: bytes) -> "dict[str, Any]":
    """What `readings` looks at in the bytes of a wake's line, as a record without the rest, which
    may be long; {} if they are not such a line, or damaged."""
    crc = crc32(memoryview(data)[: -line.TAIL_SIZE])
    if data[-10:-2] != b"%08x" % crc or not data.startswith(b'{"kind":"wake",'):
        return {}
    utc, values = data.find(b'"utc":['), data.find(b'"values":{')
    if utc < 0 or values < 0:
        return {}
    return {
        "kind": "wake",
        "begin": {"utc": json.loads(data[utc + 6 : data.find(b"]", utc) + 1])},
        "values": json.loads(data[values + 9 : data.find(b"}", values) + 1]),
    }


def log_pieces(file: int, offset: int, data: bytes) -> "Iterator[bytes]":
    """A line of the log and the place it begins at: file's number and bytes before it. In pieces,
    for a heap with no block left that holds all of them."""
    yield (',{"n":"log/%d/%d","vd":"' % (file, offset)).encode()
    for at in range(0, len(data), PIECE):
        yield data_value(data[at : at + PIECE]).encode()
    yield b'"}'


def log_line(file: int, offset: int, data: bytes) -> bytes:
    """The same at once."""
    return b"".join(log_pieces(file, offset, data))


def in_force(data: bytes) -> bytes:
    """One of the pot's three files, as the board stores it."""
    return (',{"n":"in-force","vd":"%s"}' % data_value(data)).encode()


def close(body: bytes, key: bytes) -> bytes:
    """The sealed pack."""
    return sealed.seal(body, key, sealed.PACK)
