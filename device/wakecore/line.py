"""One line of JSON, closed by the CRC-32 of the bytes before its last member.

    {"kind":"wake","n":12,...,"crc":"cbf43926"}

Field logs and the three files of a pot use it. The line is made here, not by a JSON
library, because the order of the members must be the same everywhere: members come in
the order given, members of an inner object in the order of their names.
"""

import json
from binascii import crc32

if False:
    from typing import Any, Callable, Mapping, Sequence

MOST_LINE = 32768  # bytes; a longer line is not one of ours
TAIL = b',"crc":"'
TAIL_SIZE = 18  # ,"crc":"01234567"} without the line end
PIECE = 256  # characters, about, of a piece of a line
ITEMS = 16  # of a list, made into text together


def _word(value: "Any") -> str:
    """JSON of a whole number, a string or None."""
    if value is None:
        return "null"
    if type(value) is int:
        return str(value)
    text = value.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + "".join([c if c >= " " else "\\u%04x" % ord(c) for c in text]) + '"'


def _list(value: "Any") -> str:
    """JSON of a list of words, or of a word."""
    if type(value) is list or type(value) is tuple:
        return "[" + ",".join([_word(item) for item in value]) + "]"
    return _word(value)


def _object(value: "Any") -> str:
    """JSON of an object of lists and words, or of one of these."""
    if type(value) is dict:
        return "{" + ",".join(['"%s":%s' % (key, _list(value[key])) for key in sorted(value)]) + "}"
    return _list(value)


def encode(names: "Sequence[str]", record: "Mapping[str, Any]") -> bytes:
    """The line for those members of `record` that `names` lists, in that order, as bytes."""
    body = ",".join(['"%s":%s' % (name, _object(record[name])) for name in names if name in record])
    data = ("{" + body).encode()
    return data + TAIL + b'%08x"}' % crc32(data)


class Pieces:
    """Gathers the text of a line, gives it to `out` in pieces, and keeps the CRC so far."""

    def __init__(self, out: "Callable[[bytes], Any]") -> None:
        self.out = out
        self.parts: list[str] = []
        self.waiting = self.size = self.crc = 0

    def add(self, text: str) -> None:
        """A small part of the line."""
        self.parts.append(text)
        self.waiting += len(text)
        if self.waiting >= PIECE:
            self.hand_on()

    def hand_on(self) -> None:
        """Hand on what has been gathered, as one piece."""
        data = "".join(self.parts).encode()
        self.parts, self.waiting = [], 0
        self.crc = crc32(data, self.crc)
        self.size += len(data)
        self.out(data)

    def items(self, value: "Any") -> None:
        """A list, a few items at a time, or a word."""
        if type(value) is list or type(value) is tuple:
            self.add("[")
            for at in range(0, len(value), ITEMS):
                self.add(("," if at else "") + _list(value[at : at + ITEMS])[1:-1])
            self.add("]")
        else:
            self.add(_word(value))


def write(
    names: "Sequence[str]", record: "Mapping[str, Any]", out: "Callable[[bytes], Any]"
) -> int:
    """Hand the bytes of `encode` to `out`, piece by piece, and return how many they are.

    For a chip whose heap has no free block large enough for the whole line.
    """
    pieces = Pieces(out)
    comma = "{"
    for name in names:
        if name in record:
            value = record[name]
            pieces.add('%s"%s":' % (comma, name))
            comma = ","
            if type(value) is dict:
                pieces.add("{")
                inner = ""
                for key in sorted(value):
                    pieces.add('%s"%s":' % (inner, key))
                    inner = ","
                    pieces.items(value[key])
                pieces.add("}")
            else:
                pieces.items(value)
    if comma == "{":
        pieces.add("{")
    pieces.hand_on()
    out(TAIL + b'%08x"}' % pieces.crc)
    return pieces.size + TAIL_SIZE


def body_of(data: bytes) -> "tuple[bytes | None, str]":
    """(JSON bytes without the crc member, "") from one line without its end, or (None, why not)."""
    if len(data) > MOST_LINE:
        return None, "longer than %d bytes" % MOST_LINE
    if len(data) < TAIL_SIZE + 2 or data[-TAIL_SIZE:-10] != TAIL:
        return None, "no crc at its end"
    body = data[:-TAIL_SIZE]
    if data[-10:] != b'%08x"}' % crc32(body):
        return None, "crc does not match"
    return body + b"}", ""


def decode(data: bytes) -> "tuple[dict[str, Any] | None, str]":
    """(record, "") from one line's bytes, without its line end, or (None, why not).

    The member "crc" is not part of the record.
    """
    body, why = body_of(data)
    if body is None:
        return None, why
    try:
        record = json.loads(body)
    except (ValueError, RuntimeError):  # the second: nested deeper than the stack
        return None, "not JSON"
    if type(record) is not dict:
        return None, "not an object"
    return record, ""


def identity(data: bytes) -> str:
    """The CRC at the end of a line, as text: it names the file that holds the line."""
    return data[-10:-2].decode()
