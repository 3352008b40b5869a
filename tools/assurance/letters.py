"""The letters of the search: what one wake may bring, as choices in a few groups.

A letter takes one choice from each group; the first choice of a group is the ordinary one.
Here belongs what may happen; what it means for readings and water is in `world`.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

# How the wake comes about, and what a person does
BEGIN = (
    "timer",
    "unvouched",  # a timer wake whose sleep nothing vouches for
    "behind",  # the clock says that no time has passed
    "lie",  # the clock says that far more has passed than was commanded
    "cold",  # a reset or power cut in the sleep, however long it was
    "touch",  # a short press at once, then the same just before the timer
    "touch late",
    "held",  # a press long enough to be a wish
    "held late",
    "held through",  # the timer wakes while the button is held
    "stuck",
    "chatter",  # the last of very many short presses in a row
    "boots",  # boots before this one did not finish a wake
    "pin",  # the pump's pin file is not readable
    "wrong date",
    "cable",  # a person with the cable clears every lockout
)
BAD = ("absent", "low rail", "high rail", "flicker", "span")
SOIL = ("dry", "wet", *BAD, "frozen")
BATTERY = ("full", "charged", "nearly", "middle", "low", *BAD)
LEVEL = ("left", "filled", "gone", "low", *BAD)
TEMPERATURE = ("warm", "cold", *BAD)
SAUCER = ("dry", "wet", *BAD)
CHARGER = ("off", "on", "absent")
# While the pump runs
RUN = (
    "flows",
    "dry",  # the level does not fall and the pump draws little
    "slow",  # too little water to be the pump that was commissioned
    "sag",
    "battery lost",
    "level lost",
    "after lost",  # the level cannot be read after the pulse
    "fast fall",
    "wet",
    "saucer lost",
    "current lost",
    "fault",
    "memory",
    "clock stops",
    "cut early",
    "cut late",  # a reset at the last moment of the pulse
    "hang",
)
STORE = (
    "good",
    "begun lost",
    "begun landed",  # written, but reads back otherwise
    "end lost",
    "both lost",
    "slot damaged",  # the newest slot cannot be read at the next wake
    "slots damaged",  # neither can
)
FILES = ("good", "settings", "limits", "calibration")
# What came of the last wake's report
RADIO = (
    "heard",
    "failed",
    "cut off",  # the cell browned out under the radio, and the chip woke at once
    "never begun",  # the supply failed between the wake and the radio's boot
)

GROUPS: dict[str, tuple[str, ...]] = {
    "begin": BEGIN,
    "soil": SOIL,
    "battery": BATTERY,
    "level": LEVEL,
    "temperature": TEMPERATURE,
    "saucer": SAUCER,
    "charger": CHARGER,
    "run": RUN,
    "store": STORE,
    "files": FILES,
    "radio": RADIO,
}
PROBE_OF_RUN = {
    "wet": "saucer",
    "saucer lost": "saucer",
    "current lost": "current",
}


@dataclass(frozen=True, slots=True)
class Letter:
    """One choice from each group."""

    begin: str = "timer"
    soil: str = "dry"
    battery: str = "full"
    level: str = "left"
    temperature: str = "warm"
    saucer: str = "dry"
    charger: str = "off"
    run: str = "flows"
    store: str = "good"
    files: str = "good"
    radio: str = "heard"

    def __str__(self) -> str:
        """What is out of the ordinary in it."""
        odd = [
            f"{group} {getattr(self, group)}"
            for group, choices in GROUPS.items()
            if getattr(self, group) != choices[0]
        ]
        return ", ".join(odd) or "ordinary"


ORDINARY = Letter()


# What belongs together: {theme: {group: choices}}. Resets and people are in every one.
ALWAYS: dict[str, tuple[str, ...]] = {"begin": ("cold", "held late", "cable"), "soil": ("wet",)}
THEMES: dict[str, dict[str, tuple[str, ...]]] = {
    "begin": {"begin": BEGIN[1:]},
    "cell": {"battery": BATTERY[1:], "charger": CHARGER[1:], "run": ("sag", "battery lost")},
    "tank": {"level": LEVEL[1:], "run": ("dry", "level lost", "after lost", "fast fall")},
    "soil": {"soil": SOIL[1:], "temperature": TEMPERATURE[1:]},
    "saucer": {"saucer": SAUCER[1:], "run": ("wet", "saucer lost")},
    "run": {"run": ("slow", "fault", "memory", "clock stops", "current lost", "hang")},
    "storage": {"store": STORE[1:], "run": ("cut early", "cut late")},
    "files": {"files": FILES[1:], "begin": ("boots", "pin")},
    "press": {"begin": ("touch", "touch late")},
    "radio": {"radio": RADIO[1:], "begin": ("touch", "touch late")},
    "empty": {"level": ("filled", "low", "absent"), "run": ("dry",)},
    "dry": {"level": ("filled",), "run": ("dry", "level lost")},
    "siphon": {"level": ("filled",), "run": ("fast fall",)},
    "leak": {"level": ("filled", "gone"), "begin": ("touch", "touch late")},
}


def choices(
    fitted: Iterable[str], themes: Iterable[str] = tuple(THEMES), bad: Iterable[str] = BAD
) -> dict[str, list[str]]:
    """The choices beyond the ordinary one, by group, that a pot with those probes can meet.

    themes: what may happen. bad: which unbelievable readings there are.
    """
    have, left_out = set(fitted), set(BAD) - set(bad)
    found: dict[str, list[str]] = {}
    for group, names in GROUPS.items():
        if group in ("temperature", "saucer", "charger") and group not in have:
            continue
        wanted = set(ALWAYS.get(group, ()))
        for theme in themes:
            wanted.update(THEMES[theme].get(group, ()))
        found[group] = [
            name
            for name in names[1:]
            if name in wanted - left_out
            and (group != "run" or PROBE_OF_RUN.get(name, "soil") in have)
        ]
    return found


def letters(found: dict[str, list[str]], together: int, filled: bool) -> Iterator[Letter]:
    """Every letter with at most that many groups out of the ordinary; wet soil is ordinary too.

    filled: so is a filled tank. If not, it comes with nothing else out of the ordinary.
    """
    ordinary = [("dry", "left"), ("wet", "left")]
    if filled:
        ordinary.append(("dry", "filled"))
    else:
        yield Letter(level="filled")
    odd = {
        group: [n for n in names if (group, n) not in (("soil", "wet"), ("level", "filled"))]
        for group, names in found.items()
    }
    seen: set[Letter] = set()
    for count in range(together + 1):
        for groups in itertools.combinations(odd, count):
            for chosen in itertools.product(*(odd[group] for group in groups)):
                for soil, level in ordinary:
                    made = {"soil": soil, "level": level, **dict(zip(groups, chosen, strict=True))}
                    letter = Letter(**made)
                    if letter not in seen:
                        seen.add(letter)
                        yield letter
