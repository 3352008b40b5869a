"""Why somebody is to be reminded of a pot: what it needs, what stopped it, or its silence.

Belongs here: causes and whom they concern, from what was last heard. Not here: when a
message goes out and how (remind).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from wakecore import rules
from wakewell import words

HOUR_S, DAY_S = 3600, 86400
GRACE_S = 6 * HOUR_S  # a pot's clock errs, its owner's router restarts
UNHEEDED_S = 3 * DAY_S  # then the maker is told that the owner has not come round to it
SILENT = "silent"
NEVER = "never heard"
VAIN = "reports in vain"
BY_LOCKOUT = ("clear a lockout", "see to the pot")  # needs that the lockout itself says better
CABLE = {name for name, _, way in rules.LOCKOUTS if way == rules.CABLE}
MAKERS = {row[0] for row in rules.NEEDS if row[1] == words.MAKER}


@dataclass(frozen=True)
class Cause:
    """One cause. key names it for good; who: words.OWNER or words.MAKER; is and do: sentences."""

    key: str
    who: str
    is_: str
    do: str


def expected_s(settings: dict[str, int], needed: bool) -> int:
    """Time between two reports of a pot with these settings, seconds (wakecore.wake)."""
    wakes = max(1, settings["radio_wakes"])
    if needed:
        wakes = min(wakes, max(1, DAY_S // settings["wake_s"]))
    return wakes * settings["wake_s"]


def within_s(settings: dict[str, int], needed: bool) -> int:
    """A pot not heard from for longer is silent: two wakes that tell, and some hours."""
    return 2 * expected_s(settings, needed) + GRACE_S


def never(waited_s: float, settings: dict[str, int]) -> Cause | None:
    """The cause of a pot that ought to report and never did, once it ought to have."""
    if not settings["radio_wakes"] or waited_s <= within_s(settings, False):
        return None
    return Cause(
        NEVER,
        words.MAKER,
        f"nothing was ever heard of it, for {_span(waited_s)}",
        "See that Wi-Fi and broker in its private.toml are right and the board was flashed with "
        "them, and that wakewell listen names this pot. The plant may need water by hand.",
    )


def of(told: dict[str, Any], told_at: int, settings: dict[str, int], now: float) -> list[Cause]:
    """The causes that hold now. told, told_at: of the pot's newest report, as the store has it."""
    found = []
    needs, lockouts = told.get("needs", []), told.get("lockouts", [])
    late_s = now - told_at
    # With radio_wakes = 0 it was asked to be silent.
    if settings["radio_wakes"] and late_s > within_s(settings, bool(needs)):
        found.append(
            Cause(
                SILENT,
                words.OWNER,
                f"nothing was heard of it for {_span(late_s)}; so it may not be watering",
                "Look at the plant and water it by hand if it is dry. See that the pot's light "
                "answers its button; if it does not, charge the battery, away from the water.",
            )
        )
    if told.get("vain"):
        found.append(
            Cause(
                VAIN,
                words.MAKER,
                f"its last report is the first that came through after {told['vain']} in vain",
                "See its wakes in the log, begin.radio: where it was cut off, the battery is too "
                "weak for the radio or its wires too thin; where it failed, Wi-Fi or broker.",
            )
        )
    for name in lockouts:
        word = words.of(words.LOCKOUTS, name)
        who = words.MAKER if name in CABLE else words.OWNER
        found.append(Cause(f"lockout {name}", who, word.plain, word.do))
    for name in needs:
        if name in BY_LOCKOUT and lockouts:
            continue
        word = words.of(words.NEEDS, name)
        who = words.MAKER if name in MAKERS else words.OWNER
        found.append(Cause(f"need {name}", who, word.plain, word.do))
    return found


def unheeded(cause: Cause, since_s: float) -> Cause | None:
    """What the maker is told when the owner was reminded of it for days, else None."""
    if cause.who != words.OWNER or since_s < UNHEEDED_S:
        return None
    return Cause(
        f"unheeded {cause.key}",
        words.MAKER,
        f"{cause.is_}; its owner was told {_span(since_s)} ago and it is still so",
        f"Ask the owner, or see to it yourself. The owner was told: {cause.do}",
    )


def _span(seconds: float) -> str:
    """A span of time in words."""
    hours = int(seconds // HOUR_S)
    return f"{hours} hours" if hours < 48 else f"{hours // 24} days"
