"""Straight-line interpolation in a short table, the one numerical helper the rig's parts share."""

import math
from bisect import bisect_right
from collections.abc import Sequence


def along(points: Sequence[tuple[float, float]], x: float) -> float:
    """y at x, straight between points (x, y) that rise in x; beyond the ends, the ends hold."""
    if x <= points[0][0]:
        return points[0][1]
    if x >= points[-1][0]:
        return points[-1][1]
    upper = bisect_right(points, (x, math.inf))
    (x0, y0), (x1, y1) = points[upper - 1], points[upper]
    return y0 + (x - x0) / (x1 - x0) * (y1 - y0)
