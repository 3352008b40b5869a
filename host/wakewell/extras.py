"""How to install what an optional part needs, for the interpreter that is asking."""

from __future__ import annotations

import sys


def install(extra: str) -> str:
    """The command that installs one of the extras of pyproject.toml into this environment."""
    return f"{sys.executable} -m pip install 'wakewell[{extra}]'"
