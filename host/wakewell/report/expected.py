"""When a pot's report is expected, and from when on its silence means something.

What belongs here: what its settings say about that, for pages and for reminders. What does not:
what is done about a pot that is silent.
"""

from __future__ import annotations

from wakewell.language import say

HOUR_S, DAY_S = 3600, 86400
GRACE_S = 6 * HOUR_S  # a pot's clock errs, its owner's router restarts


def expected_s(settings: dict[str, int], needed: bool) -> int:
    """Time between two reports of a pot with these settings, seconds (wakecore.wake).

    needed: it asks for something, and then tells once a day.
    """
    wakes = max(1, settings["radio_wakes"])
    if needed:
        wakes = min(wakes, max(1, DAY_S // settings["wake_s"]))
    return wakes * settings["wake_s"]


def within_s(settings: dict[str, int], needed: bool) -> int:
    """A pot not heard from for longer is silent: two wakes that tell, and some hours."""
    return 2 * expected_s(settings, needed) + GRACE_S


def often(settings: dict[str, int], needed: bool) -> str:
    """How often it reports, in words: daily, every 6 hours, every 10 days."""
    every_s = expected_s(settings, needed)
    if every_s < 0.9 * DAY_S:
        hours = max(1, round(every_s / HOUR_S))
        return say("hourly") if hours == 1 else say("every {count} hours", count=hours)
    days = round(every_s / DAY_S)
    return say("daily") if days <= 1 else say("every {count} days", count=days)
