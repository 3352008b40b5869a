"""Straight-line interpolation in a short table, the one numerical helper the rig's parts share."""

from collections.abc import Sequence
from itertools import pairwise


def along(points: Sequence[tuple[float, float]], x: float) -> float:
    """y at x, straight between points (x, y) that rise in x; beyond the ends, the ends hold."""
    if x <= points[0][0]:
        return points[0][1]
    for (x0, y0), (x1, y1) in pairwise(points):
        if x < x1:
            return y0 + (x - x0) / (x1 - x0) * (y1 - y0)
    return points[-1][1]
