"""Replays records line by line and answers each with the bytes the core makes of it.

Portable: the host runs it here and on MicroPython and compares the answers. Each input
line is a word and its content: `core` (a log begins; the id of the core that runs), `file`
(settings, limits or calibration), `ask` (other settings) or `wake` (a record or a snapshot).
"""

import sys

from wakeboard.short import WAKE
from wakecore import line
from wakewell.portable.replayed import Player

if False:
    from typing import Iterable, Iterator


def answers(inputs: "Iterable[bytes]") -> "Iterator[bytes]":
    """For every wake: the line of the record made now, or why there is none."""
    for text in inputs:
        word, data = text[:4], text.rstrip(b"\r\n")[5:]
        if word == b"core":
            kept: dict[str, bytes] = {}
            core = data.decode()
            player = Player(kept.get)
            continue
        if word == b"file":
            kept[line.identity(data)] = data
            continue
        if word == b"ask ":
            player.asked["settings"] = data
            continue
        record, why = line.decode(data)
        if record is None:
            yield why.encode()
            continue
        player.exact = not player.asked and record.get("core") == core
        made, why = player.feed(record)
        if record["kind"] == "wake":
            yield line.encode(WAKE, made) if made else why.encode()


def main(path: str) -> None:
    """Answer the lines of the file at that path."""
    with open(path, "rb") as file:
        for answer in answers(file):
            print(answer.decode())


if __name__ == "__main__":
    main(sys.argv[-1])
