"""Values in doubt, combined as the GUM (JCGM 100:2008) combines them.

What belongs here: all that touches the library `uncertainties`: a value with its standard
uncertainty, how much each value contributes, and the interval that is shown. What does not: how
large a doubt is (inputs.py).
"""

from __future__ import annotations

import math
from collections import defaultdict
from typing import Any

from uncertainties import ufloat, umath  # type: ignore[import-untyped]
from uncertainties.core import AffineScalarFunc  # type: ignore[import-untyped]

Doubt = Any  # a value in doubt of that library, or a plain number: it has no types of its own
COVER = 2.0  # coverage factor k: about 95 % of a normal distribution (GUM, annex G)
Z90 = 1.645  # normal quantile: 5 % below, 5 % above


def doubtful(value: float, standard: float, name: str) -> Doubt:
    """A value with its standard uncertainty, called `name` where contributors are listed."""
    return ufloat(value, standard, name)


def about(value: float, share: float, name: str) -> Doubt:
    """A value with its standard uncertainty as a share of it."""
    return ufloat(value, abs(value) * share, name)


def nominal(x: Doubt) -> float:
    """The best estimate."""
    return float(x.nominal_value) if isinstance(x, AffineScalarFunc) else float(x)


def standard(x: Doubt) -> float:
    """The combined standard uncertainty: equation 10 of the GUM, by `uncertainties`."""
    return float(x.std_dev) if isinstance(x, AffineScalarFunc) else 0.0


def contributors(x: Doubt) -> list[tuple[str, float]]:
    """[(name, share of the variance)], the largest first; those of one name together."""
    if not isinstance(x, AffineScalarFunc):
        return []
    squares: dict[str, float] = defaultdict(float)
    for variable, part in x.error_components().items():
        squares[str(variable.tag)] += float(part) ** 2
    total = sum(squares.values())
    if total <= 0.0:
        return []
    return sorted(((name, s / total) for name, s in squares.items()), key=lambda row: -row[1])


def interval(x: Doubt) -> tuple[float, float]:
    """Lowest and highest with COVER, for a value that cannot fall below 0.

    Taken in ratios, value / r to value x r with r = exp(k u / value): a time is a quotient, so its
    doubt is not symmetric, and value - k u could be below 0.
    """
    value = nominal(x)
    if value <= 0.0:
        return 0.0, 0.0
    ratio = math.exp(min(50.0, COVER * standard(x) / value))
    return value / ratio, value * ratio


def chance(margin: Doubt) -> float:
    """The chance, 0 to 1, that a margin is above 0, if it is normally distributed."""
    value, u = nominal(margin), standard(margin)
    if u <= 0.0:
        return 1.0 if value >= 0.0 else 0.0
    return 0.5 * math.erfc(-value / u / math.sqrt(2.0))


def settled(x: Doubt) -> Doubt:
    """`x` with its derivatives calculated now. The library puts that off, and in a loop the work
    would pile up.
    """
    if isinstance(x, AffineScalarFunc):
        _ = x.derivatives
    return x


def expm1(x: Doubt) -> Doubt:
    """exp(x) - 1."""
    return umath.expm1(x)


def log1p(x: Doubt) -> Doubt:
    """log(1 + x)."""
    return umath.log1p(x)
