"""The parts of a rig that have a model of their own, one row each: {probe: what makes its model}.

A model has `read(wait, deviates)`, [median, spread] or None; `wires()`, what its pins show; and, if
it is a channel of a run, `begin()` and `now()`. It is made from the rig's pot and the probe's
table.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from . import flowmeter, loadcell
from .pot import RigPot

MODELS: dict[str, Callable[[RigPot, Sequence[tuple[int, int]], int], Any]] = {
    "flowmeter": flowmeter.of_pot,
    "weight": loadcell.of_pot,
}


def fitted(pot: RigPot, calibration: Any) -> dict[str, Any]:
    """The models of what a calibration has."""
    return {
        name: make(pot, probe.points, probe.spread)
        for name, make in MODELS.items()
        if (probe := getattr(calibration, name)) is not None
    }
