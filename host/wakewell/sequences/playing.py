"""Sequences: readings written by hand or cut from a field log, and what must follow from them.

The file format is in `sequence_file`, the judgement in `judging`, cutting one from a log in
`cutting`. Here: playing a sequence, on this interpreter or on MicroPython.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from typing import Any

from wakecore import line
from wakewell.interpreters import interpreter
from wakewell.portable import mock
from wakewell.sequences.cutting import cut
from wakewell.sequences.judging import Failure, judge
from wakewell.sequences.sequence_file import RULES, Expectation, Sequence, SequenceError, load

__all__ = [
    "RULES",
    "Expectation",
    "Failure",
    "Sequence",
    "SequenceError",
    "check",
    "cut",
    "judge",
    "load",
    "run",
    "together",
]


def run(sequence: Sequence, on: str = "cpython") -> Iterator[dict[str, Any]]:
    """What came of every wake, as `portable.mock.play` gives it; `line` is the log line's bytes.

    on: "cpython" (this interpreter) or one of interpreter.KINDS (BadInput if there is none).
    """
    if on == "cpython":
        yield from mock.play(sequence.script)
        return
    yield from together([sequence], on)


def together(sequences: Iterable[Sequence], on: str) -> Iterator[dict[str, Any]]:
    """The same of several, wake after wake, of one start of one of interpreter.KINDS."""
    inputs = (
        json.dumps(part, ensure_ascii=False).encode()
        for sequence in sequences
        for wakes in [sequence.script["wakes"]]
        for part in ({**sequence.script, "wakes": len(wakes)}, *wakes)
    )
    for answer in interpreter.stream("wakewell.portable.run_script", inputs, on=on):
        out = json.loads(answer)
        out["line"] = out["line"].encode()
        out["record"] = line.decode(out["line"])[0] if out["line"] else None
        yield out


def check(sequence: Sequence, on: str = "cpython") -> list[Failure]:
    """Play and judge. On MicroPython the log lines must also be those of this interpreter."""
    if on == "cpython":
        return judge(sequence, run(sequence))
    differing: list[Failure] = []

    def both() -> Iterator[dict[str, Any]]:
        pairs = zip(run(sequence), run(sequence, on), strict=True)
        for number, (mine, theirs) in enumerate(pairs, 1):
            if mine["line"] != theirs["line"] and not differing:
                differing.append(
                    Failure(
                        sequence.path,
                        sequence.lines[number - 1],
                        number,
                        "R11",
                        f"the record as here: {mine['line'].decode()}",
                        f"on MicroPython: {theirs['line'].decode()}",
                        "",
                    )
                )
            yield theirs

    return judge(sequence, both()) + differing
