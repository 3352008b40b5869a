"""Text on its way to a terminal or a pipe: nothing in it moves a cursor or hides a letter.

What belongs here: how text from a board, a file or a log is written so that a person sees what
is there, and what happens when it cannot be written. `cli` puts it before every command.
"""

from __future__ import annotations

import contextlib
import io
import os
import sys
import unicodedata
from collections.abc import Iterator
from typing import Any, TextIO, cast

RED, USUAL = "\x1b[31m", "\x1b[0m"  # ECMA-48, SGR


class OutputLost(Exception):
    """What a command says can no longer be written. why: what the system says."""

    def __init__(self, why: OSError) -> None:
        super().__init__(why.strerror or str(why))
        self.why = why


def plain(text: str, keep: str = "") -> str:
    """The text on one line, with escapes in place of all that is no letter, sign or space: control
    characters, marks that turn the direction, halves of characters. keep: what stays as it is."""
    if text.isprintable():
        return text
    return "".join(
        c
        if c.isprintable() or c in keep or unicodedata.category(c) == "Zs"
        else c.encode("unicode_escape").decode()
        for c in text
    )


class Bad(str):
    """A line that tells of a bad verdict."""


def marked(text: str, bad: bool) -> str:
    """The line, as one of a bad verdict if it is that."""
    return Bad(text) if bad else text


def tell(*lines: str, to: TextIO | None = None) -> None:
    """Print the lines, at once. On a terminal a bad verdict's are red, unless NO_COLOR is set
    (https://no-color.org). to: instead of standard output."""
    out: Any = sys.stdout if to is None else to
    red = isinstance(out, Plain) and out.isatty() and not os.environ.get("NO_COLOR")
    for text in lines:
        alarm = red and isinstance(text, Bad)
        if alarm:
            out.write_bare(RED)
        try:
            print(text, file=out)
        finally:
            if alarm:
                out.write_bare(USUAL)
    out.flush()


class Plain:
    """A text stream that writes only plain text and line ends.

    must: what cannot be written raises OutputLost; otherwise it is lost, for where errors are
    told nothing can be said about it.
    """

    def __init__(self, stream: TextIO, must: bool) -> None:
        self.bare, self._must = stream, must

    def write(self, text: str) -> int:
        """Write it; the number of characters given."""
        with self._told():
            self.bare.write(plain(text, "\n\t"))
        return len(text)

    def write_bare(self, text: str) -> None:
        """Write what this program itself says to the terminal."""
        with self._told():
            self.bare.write(text)

    def writelines(self, texts: Iterator[str]) -> None:
        """Write them all."""
        for text in texts:
            self.write(text)

    def flush(self) -> None:
        """Have it all written."""
        with self._told():
            self.bare.flush()

    @contextlib.contextmanager
    def _told(self) -> Iterator[None]:
        try:
            yield
        except OSError as error:
            if self._must:
                raise OutputLost(error) from None

    def __getattr__(self, name: str) -> Any:
        return getattr(self.bare, name)

    def __eq__(self, other: object) -> bool:
        return other is self or other is self.bare  # a bar and a line on one terminal

    def __hash__(self) -> int:
        return hash(self.bare)


@contextlib.contextmanager
def streams() -> Iterator[None]:
    """Meanwhile standard output and errors are plain. A stream that was closed takes nothing."""
    before = sys.stdin, sys.stdout, sys.stderr
    with contextlib.ExitStack() as stack:
        for name in ("stdin", "stderr"):
            if getattr(sys, name) is None:
                mode = "r" if name == "stdin" else "w"
                nothing = stack.enter_context(open(os.devnull, mode, encoding="utf-8"))
                setattr(sys, name, nothing)
        for stream in (sys.stdout, sys.stderr):  # a name the terminal cannot show is escaped
            if isinstance(stream, io.TextIOWrapper):
                stream.reconfigure(errors="backslashreplace")
        sys.stderr = cast(TextIO, Plain(sys.stderr, must=False))
        if sys.stdout is not None:
            sys.stdout = cast(TextIO, Plain(sys.stdout, must=True))
        try:
            yield
        finally:
            sys.stdin, sys.stdout, sys.stderr = before


def bare() -> TextIO:
    """Standard error as it is: for the bars of progress, which move the cursor."""
    return cast(TextIO, getattr(sys.stderr, "bare", sys.stderr))


def give_up(stream: TextIO) -> None:
    """What is still kept for that stream goes nowhere, so that leaving does not fail on it."""
    with contextlib.suppress(OSError):
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, stream.fileno())
        os.close(nowhere)
