"""The head of a posted report, read as narrowly as pots write it (RFC 9112).

What two readers might understand differently is refused: the length of a body is told once, in
plain digits, and in no other way. No input, no output.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

MOST_HEAD = 4096  # bytes; a pot's has about two hundred
END = b"\r\n\r\n"
_LINE = re.compile(rb"([A-Z]{1,16}) (\S{1,300}) HTTP/1\.([01])")
_FIELD = re.compile(rb"([!#$%&'*+.^_`|~0-9A-Za-z-]+):[ \t]*([ -~\t]*)")  # sections 5 and 5.1
_LENGTH = re.compile(rb"[0-9]{1,20}")
BAD, NO_METHOD, NO_LENGTH, TOO_LONG_A_NAME = 400, 405, 411, 414


@dataclass(frozen=True)
class Head:
    """What is posted, and where to. length: bytes of the body that follows."""

    target: str
    length: int
    stays: bool = True  # the caller may ask again
    waits: bool = False  # it waits for our answer before it sends the body


def read(data: bytes) -> Head | int:
    """The head in these bytes, END the last of them, or the status that it is refused with."""
    first, *rows = data.removesuffix(END).split(b"\r\n")
    line = _LINE.fullmatch(first)
    if line is None:
        return TOO_LONG_A_NAME if len(first) > 300 else BAD
    fields: dict[bytes, list[bytes]] = {}
    for row in rows:
        field = _FIELD.fullmatch(row)
        if field is None:  # continued lines, a bare line end, a space before the colon
            return BAD
        fields.setdefault(field[1].lower(), []).append(field[2].rstrip(b" \t"))
    lengths = fields.get(b"content-length", [])
    chunked = b"transfer-encoding" in fields
    if len(fields.get(b"host", [])) != 1 and line[3] == b"1":
        return BAD
    if len(lengths) > 1 or (lengths and (chunked or not _LENGTH.fullmatch(lengths[0]))):
        return BAD
    if line[1] != b"POST":
        return NO_METHOD
    if not lengths:  # a body in chunks may be refused so (section 6.3)
        return NO_LENGTH
    words = b",".join(fields.get(b"connection", [])).lower()
    return Head(
        line[2].decode("latin-1"),
        int(lengths[0]),
        line[3] == b"1" and b"close" not in words,
        [word.lower() for word in fields.get(b"expect", [])] == [b"100-continue"],
    )
