"""Loading of the optional libraries, so that their absence ends in one plain sentence.

What belongs here: this one function and its error. The libraries serve set-up only.
"""

import importlib
from typing import Any

from wakewell import extras


class Missing(RuntimeError):
    """A library of the optional extra that is not installed."""

    def __init__(self, library: str) -> None:
        super().__init__(
            f"the rig needs the library {library}, which is not installed: "
            f"install the rig's extra with: {extras.install('rig')}"
        )
        self.library = library


def load(module: str) -> Any:
    """The module of that dotted name; raises Missing where its library is not installed."""
    try:
        return importlib.import_module(module)
    except ModuleNotFoundError as absent:
        raise Missing(absent.name or module) from absent
