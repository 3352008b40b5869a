"""A calibration table: points (counts, value) joined by straight lines.

Counts rise strictly from point to point; values rise or fall strictly. Outside
the table the end value holds. Whether to believe such a reading is decided in `judge`.
"""

from wakecore.number import muldiv, muldiv_down, muldiv_up

if False:  # only mypy reads this
    from wakecore.typed import Points

MOST_POINTS = 16


def convert(points: "Points", counts: int) -> int:
    """The value at counts, rounded to the nearest whole unit."""
    low_counts, low_value = points[0]
    if counts <= low_counts:
        return low_value
    for high_counts, high_value in points:
        if counts <= high_counts:
            part = counts - low_counts
            return low_value + muldiv(part, high_value - low_value, high_counts - low_counts)
        low_counts, low_value = high_counts, high_value
    return low_value


def direction(points: "Points") -> int:
    """+1 if the value rises with the counts, -1 if it falls."""
    return 1 if points[-1][1] > points[0][1] else -1


def counts_at(points: "Points", value: int) -> int:
    """The counts at which the quantity first reaches `value`, coming from below.

    This means `convert(points, counts) >= value` exactly where
    `direction(points) * counts >= direction(points) * counts_at(points, value)`,
    inside the table. A value beyond the table's ends gives the nearer end's counts,
    or one count past it where even the end does not reach `value`.
    """
    rising = direction(points) > 0
    order = range(1, len(points)) if rising else range(len(points) - 1, 0, -1)
    for i in order:
        (low_counts, low_value), (high_counts, high_value) = points[i - 1], points[i]
        span, rise = high_counts - low_counts, high_value - low_value
        if rising and value <= high_value:
            # `convert` rounds halves up: half a unit below the value already reaches it.
            part = muldiv_up(span, 2 * (value - low_value) - 1, 2 * rise)
            return low_counts + max(part, 0)
        if not rising and value <= low_value:
            part = muldiv_down(span, 2 * (low_value - value) + 1, -2 * rise)
            return low_counts + min(part, span)
    return points[-1][0] + 1 if rising else points[0][0] - 1
