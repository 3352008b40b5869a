"""The pots that are searched: settings and limits at their ends, fittings with and without.

Each corner is the bench pot with a few values changed, and the letters it meets. The
numbers are chosen so that pulses, falls and waits repeat: a search of the real core ends
only where its counters return to values already seen.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

from assurance import letters
from wakecore import line
from wakewell.portable import mock
from wakewell.pot import pot_folder
from wakewell.sequences import bench_pot

DAY_S = 86400
OPTIONAL = ("temperature", "saucer", "current", "charger")


@dataclass(frozen=True)
class Corner:
    """One search. Values are changes of the bench pot; probes are what is fitted beside the three.

    quick, full: how many groups of a letter may be out of the ordinary at once; -1: not searched.
    """

    name: str
    about: str
    limits: dict[str, Any] = field(default_factory=dict)
    settings: dict[str, Any] = field(default_factory=dict)
    calibration: dict[str, Any] = field(default_factory=dict)
    probes: tuple[str, ...] = ()
    themes: tuple[str, ...] = ()
    bad: tuple[str, ...] = ("absent",)
    matching: bool = True
    waters: bool = True  # may it ever water by itself?
    quick: int = 1
    full: int = 1
    dry_ppt: int = 240
    wet_ppt: int = 380
    full_ml: int = 387  # a pulse leaves what a leak leaves, and what is too low
    step_s: int = 21600  # seconds that make a difference in this pot: see `projection`
    day_step_ml: int = 1  # water of a day is told apart in steps of this
    gone_ml: int = 80  # a tank that leaks ends here, or empty
    leak_ml: int = 0  # or it loses just this much
    thirst: bool = False  # are wakes in want of water counted (R16)?
    presses: bool = False  # is each press in a row a state of its own, up to a stuck button?

    @cached_property
    def lines(self) -> dict[str, bytes]:
        """The three stored lines."""
        calibration = {
            key: value for key, value in bench_pot.CALIBRATION.items() if key not in OPTIONAL
        }
        calibration |= {name: bench_pot.CALIBRATION[name] for name in self.probes}
        made = pot_folder.compile_files(
            {**bench_pot.SETTINGS, **SHORT_SETTINGS, **self.settings},
            {**bench_pot.LIMITS, **SHORT_LIMITS, **self.limits},
            {**calibration, **self.calibration},
        )
        if not self.matching:
            record, _ = line.decode(made["settings"])
            assert record is not None, "compiled a moment ago"
            record["limits_id"] = "00000000"
            made["settings"] = line.encode(tuple(record), record)
        return made

    @cached_property
    def pot(self) -> Any:
        """The pot, as the core loads it."""
        return mock.load_pot({kind: data.decode() for kind, data in self.lines.items()})

    def letters(self, quick: bool) -> list[letters.Letter]:
        """What a wake of this pot may bring."""
        found = letters.choices(("soil", *self.probes), self.themes, self.bad)
        return list(letters.letters(found, self.quick if quick else self.full, not quick))


# Every count that leads to a lockout at its least, so that a latch and what leads to it are
# one: the corners open one count at a time.
SHORT_LIMITS: dict[str, Any] = {
    "dry_trips": 1,
    "response_doses": 1,
    "interrupts": 1,
    "pulses": 2,
    "dose_ml": 80,
    "day_ml": 400,
}
SHORT_SETTINGS: dict[str, Any] = {
    "dose_ml": 40,
    "frozen_wakes": 3,
    "fall_ppt_day": 1000,
    "battery_clear_wakes": 1,
    "leak_ml_day": 0,
}

# A pulse that takes much of a tank and a third of a day, so that few levels and sums come up.
STRONG: dict[str, Any] = {
    "limits": {
        "flow_max_ul_s": 200000,
        "pulse_ms": 2000,
        "dry_ms": 600,
        "dose_ml": 300,
        "day_ml": 1320,
    },
    "settings": {"dose_ml": 300, "pulse_ml": 300},
    "calibration": {"flow_ul_s": 150000, "ul_per_ppt": 0},
    "day_step_ml": 440,
}

# A week between wakes: every wait and window is over at the next regular wake.
WEEKLY: dict[str, Any] = {
    **STRONG,
    "settings": {**STRONG["settings"], "wake_s": 604800},
    "step_s": 151200,
}


def _changed(base: dict[str, Any], **changes: Any) -> dict[str, Any]:
    """A base with tables merged and other values replaced."""
    merged = dict(base)
    for key, value in changes.items():
        merged[key] = {**base.get(key, {}), **value} if isinstance(value, dict) else value
    return merged


def _corners() -> Iterator[Corner]:
    plain = ("begin", "cell", "tank", "soil", "run", "storage", "files")
    for theme in plain:
        quick = -1 if theme in ("tank", "storage") else 1
        yield Corner(f"{theme}", "a week between wakes", **WEEKLY, themes=(theme,), quick=quick)
    for theme in ("cell", "soil", "run", "files"):
        yield Corner(f"{theme}, daily", "a day between wakes", **STRONG, themes=(theme,))
    for theme in ("begin", "tank", "storage"):
        yield Corner(f"{theme}, daily", "a day between wakes", **STRONG, themes=(theme,), quick=-1)
    # Fittings
    fitted = {
        "saucer": (("saucer",), ("saucer",)),
        "cold": (("temperature",), ("soil",)),
        "current": (("current",), ("run", "tank")),
        "charger": (("charger",), ("cell",)),
    }
    for name, (probes, themes) in fitted.items():
        quick = -1 if name == "current" else 1
        yield Corner(
            name, "fitted", **WEEKLY, probes=probes, themes=themes, bad=letters.BAD, quick=quick
        )
    yield Corner(
        "everything",
        "all probes fitted",
        **WEEKLY,
        probes=OPTIONAL,
        themes=("saucer", "cell", "soil"),
        quick=-1,
    )
    for theme in ("soil", "cell", "saucer"):
        yield Corner(
            f"{theme}, unreadable",
            "each kind of implausible reading",
            **WEEKLY,
            probes=("saucer",),
            themes=(theme,),
            bad=letters.BAD,
        )
    yield Corner(
        "tank, unreadable", "the same", **WEEKLY, themes=("tank",), bad=letters.BAD, quick=-1
    )
    mains = _changed(WEEKLY, settings={"mains": 1, "battery_clear_wakes": 2})
    yield Corner("mains", "lives on a charger", **mains, themes=("cell",))
    panel = _changed(WEEKLY, settings={"battery_clear_wakes": 2}, calibration={"panel": 1})
    yield Corner("panel", "charged by the sun", **panel, probes=("charger",), themes=("cell",))
    float_only = _changed(
        WEEKLY,
        calibration={
            "float_only": 1,
            "level": {"points": [[0, 0], [1, 1000]], "rails": [-5, 6], "spread": 0},
            "tolerance_ml": 0,
        },
        full_ml=1000,
    )
    yield Corner(
        "float", "a float switch", **float_only, probes=("current",), themes=("tank", "run")
    )
    radio = _changed(WEEKLY, settings={"radio_wakes": 2}, limits={"radio_mv": 3750})
    yield Corner("radio", "reports by radio", **radio, themes=("cell", "radio"))
    yield Corner(
        "radio, tank", "what it reports at once", **radio, themes=("tank", "cell"), quick=-1
    )
    for theme in ("soil", "empty"):
        yield Corner(f"thirst, {theme}", "told in time", **WEEKLY, themes=(theme,), thirst=True)
    yield Corner("presses", "each press counted", **WEEKLY, themes=("press",), presses=True)
    # Who may ask
    upkeep = _changed(
        WEEKLY,
        limits={"upkeep_ml": 150, "upkeep_days": 3},
        settings={"upkeep_ml": 150, "upkeep_days": 4},
    )
    yield Corner("upkeep", "an agreed upkeep dose", **upkeep, themes=("soil", "begin"))
    often = _changed(upkeep, settings={"wake_s": DAY_S}, step_s=21600)
    yield Corner("upkeep, daily", "the same, looked at daily", **often, themes=("soil",), quick=-1)
    for stage, name in ((1, "provisional"), (0, "unready")):
        made = _changed(upkeep, calibration={"stage": stage})
        yield Corner(name, f"stage {stage}", **made, themes=("begin", "soil"), waters=stage == 1)
    yield Corner(
        "mismatch",
        "settings made for other limits",
        **WEEKLY,
        themes=("begin", "soil", "files"),
        matching=False,
        waters=False,
    )
    # What a gauge and a probe can just tell
    coarse = _changed(WEEKLY, calibration={"tolerance_ml": 76}, limits={"dose_ml": 1800})
    yield Corner("coarse gauge", "a pump proved over two pulses", **coarse, themes=("dry",))
    leaky = _changed(WEEKLY, calibration={"tolerance_ml": 59}, limits={"dry_ms": 1600})
    yield Corner(
        "small leak",
        "just beyond the tolerance",
        **leaky,
        themes=("leak",),
        leak_ml=119,
        full_ml=440,
    )
    drying = _changed(STRONG, settings={"fall_ppt_day": 70})
    yield Corner("drying", "drying faster than is plausible", **drying, themes=("soil",), quick=-1)
    # Counts above their least, one kind at a time. A run without water is water without an answer
    dry = _changed(WEEKLY, limits={"dry_trips": 3, "dose_ml": 1500})
    yield Corner("dry runs", "three to a lockout", **dry, themes=("run", "dry"))
    silent = _changed(WEEKLY, limits={"response_doses": 3, "dose_ml": 900})
    yield Corner("answers", "three doses without one", **silent, themes=("soil",))
    known = _changed(
        silent,
        calibration={"ul_per_ppt": 2000},
        limits={"day_ml": 660},
        settings={"response_ppt": 100},  # so that nothing is learned, which would never repeat
    )
    yield Corner("answers, known", "the same, the response known", **known, themes=("soil",))
    cut = _changed(WEEKLY, limits={"interrupts": 3, "dose_ml": 2000})  # each is two pulses, nearly
    yield Corner("cuts", "three to a lockout", **cut, themes=("storage",), quick=-1)
    charged = _changed(WEEKLY, settings={"battery_clear_wakes": 3})
    yield Corner("charges", "three readings", **charged, probes=("charger",), themes=("cell",))
    still = _changed(WEEKLY, settings={"frozen_wakes": 5})
    yield Corner("still", "five of the very same counts", **still, themes=("soil",))
    # Pulses and soak
    soaked = _changed(
        WEEKLY,
        limits={"dose_ml": 600, "pulses": 3},
        settings={"dose_ml": 600},
        calibration={"tolerance_ml": 3},  # pulses of a dose differ by more than its double
        full_ml=687,
    )
    for theme in ("begin", "soil", "cell"):
        yield Corner(f"{theme}, soaked", "two pulses a dose", **soaked, themes=(theme,))
    for theme in ("run", "storage", "tank"):
        yield Corner(f"{theme}, soaked", "two pulses", **soaked, themes=(theme,), quick=-1)
    # A tank from which more can run than a pump moves; a probe just above the refill point
    large = _changed(WEEKLY, limits={"day_ml": 5000})
    yield Corner("siphon", "a large tank", **large, themes=("siphon",), full_ml=1000)
    last = _changed(soaked, limits={"day_ml": 600}, day_step_ml=1, full_ml=1000)
    yield Corner("siphon, soaked", "the day's limit comes first", **last, themes=("siphon",))
    yield Corner("moist", "never dry", **WEEKLY, themes=("soil",), dry_ppt=252, waters=False)
    # The rolling 24 hours
    rolling = _changed(
        STRONG,
        settings={"wake_s": 21600, "settle_s": 8100},
        limits={"day_ml": 880, "clock_ppt": 171, "response_doses": 3, "dose_ml": 900},
        step_s=5400,
        full_ml=2000,
    )
    yield Corner("rolling", "a dose whenever it may", **rolling, themes=(), quick=-1)
    # A pulse and a rest that a shorter one would fit into, awake twice a day
    tight = _changed(
        STRONG,
        settings={"wake_s": DAY_S // 2},
        limits={"day_ml": 440, "response_doses": 2, "dose_ml": 600},
        step_s=DAY_S // 4,
    )
    for theme in ("begin", "storage", "files"):
        yield Corner(f"{theme}, tight", "a pulse a day", **tight, themes=(theme,), quick=-1)
    rest = _changed(tight, limits={"day_ml": 600}, day_step_ml=10)
    yield Corner("rest of the day", "room for part of a pulse", **rest, quick=-1)
    rare = _changed(
        WEEKLY,
        settings={"wake_s": 604800, "soak_s": 7200, "settle_s": DAY_S, "frozen_wakes": 30},
        limits={"clock_ppt": 200, "pulse_ms": 30000, "day_ml": 5000, "reserve_ml": 0},
    )
    yield Corner("greatest", "waits and limits at their greatest", **rare, themes=("begin",))
    for one, other in itertools.combinations(plain, 2):
        yield Corner(f"{one} and {other}", "", **WEEKLY, themes=(one, other), quick=-1)


# Where two groups may be out of the ordinary in one wake, when there is time for it
TOGETHER = ("cell", "soil", "run", "saucer", "files", "radio", "cell, daily", "charger", "charges")


def _ready(corner: Corner) -> Corner:
    """With two groups together where there is time; a pot on default settings wakes daily."""
    if corner.name in TOGETHER:
        corner = replace(corner, full=2)
    if "files" in corner.themes and corner.step_s > DAY_S:
        settings = {**corner.settings, "wake_s": 2 * DAY_S}
        corner = replace(corner, settings=settings, step_s=DAY_S)
    return corner


CORNERS = tuple(_ready(corner) for corner in _corners())
