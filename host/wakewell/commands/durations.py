"""A length of time on the command line: 90, 90s, 15m, 2h, 1d."""

from __future__ import annotations

import re

from wakewell.errors import BadInput

UNITS_S = {"s": 1.0, "m": 60.0, "h": 3600.0, "d": 86400.0}


def seconds(text: str) -> float:
    """Seconds; a number alone is seconds. For argparse. Raises BadInput."""
    found = re.fullmatch(r"([0-9]*\.?[0-9]+(?:e[0-9]+)?)([smhd]?)", text.strip())
    if found is None:
        raise BadInput(
            f"{text[:40]!r}: allowed a number and s, m, h or d, such as 10s or 15m; a number alone "
            "is seconds"
        )
    return float(found[1]) * UNITS_S[found[2] or "s"]
