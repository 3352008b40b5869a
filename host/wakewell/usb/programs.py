"""Programs that a board runs for this computer: files of `wakeboard.cable`, sent as text.

What belongs here: how one is found and called. What does not: what a program does. That is in its
own file, where linter and type checker see it.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any

import wakeboard


@cache
def source(name: str) -> str:
    """The text of that program."""
    path = Path(wakeboard.__file__).parent / "cable" / f"{name}.py"
    return path.read_text(encoding="utf-8")


def call(name: str, *given: Any) -> str:
    """That program, and a call of its `main`.

    given: what both Pythons write the same way: numbers, texts, bytes, None, and lists, tuples and
    dicts of these.
    """
    return f"{source(name)}\nmain(*{given!r})\n"


def question(name: str, *given: Any) -> str:
    """The same, and what `main` returns is printed."""
    return f"{source(name)}\nprint(repr(main(*{given!r})))\n"
