"""A pot, a tank and a cell that a test sets by hand. The core is judged by what happens in it.

Everything here is what really happens; nothing of it decides. The soil rises by the water it
gets and falls by what the plant drinks; the gauge shows the tank with a scatter.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from wakeboard.driver import drive
from wakecore.run import MS, PLACES, SAMPLE_MS
from wakecore.state import State, from_bytes
from wakecore.table import counts_at

DAY_S = 86400


@dataclass
class World:
    """One pot. Set its members between wakes; read `records` and the sums after them."""

    pot: Any
    tank_ml: float = 5000.0
    soil_ppt: float = 300.0
    battery_mv: int | None = 3900
    temperature_mc: int | None = 20000
    drinks_ppt_day: float = 0.0
    lost_ml_day: float = 0.0
    hose: str = "in the pot"  # or "beside": the water is on the floor; "blocked": none comes
    scatter_ml: float = 0.0
    seed: int = 1
    ul_per_ppt: float = 1000.0
    flow_ul_s: float | None = None
    floor_ml: float = 0.0
    given_ml: float = 0.0
    now_s: float = 0.0
    reports: list[float] = field(default_factory=list)
    records: list[dict[str, Any]] = field(default_factory=list)
    level_shown: Callable[[float], int] | None = None
    button_ms: int = 0

    def __post_init__(self) -> None:
        self.slot = State().to_bytes()
        self.random = random.Random(self.seed)
        self.sleep_s, self.button = 0, 1
        self.started = False

    # What the driver asks for

    def counts(self, name: str, value: int) -> int:
        return int(counts_at(getattr(self.pot.calibration, name).points, value))

    def shown_ml(self) -> int:
        if self.level_shown is not None:
            return self.level_shown(self.tank_ml)
        scatter_ml = self.random.uniform(-self.scatter_ml, self.scatter_ml)
        return max(0, round(self.tank_ml + scatter_ml))

    def off(self) -> None: ...

    def rest(self) -> Any:
        return None if self.battery_mv is None else [self.counts("battery", self.battery_mv), 0]

    def read(self) -> dict[str, Any]:
        found: dict[str, Any] = {
            "soil": [self.counts("soil", round(self.soil_ppt)), 1],
            "level": [self.counts("level", self.shown_ml()), 0],
        }
        if self.pot.calibration.temperature is not None and self.temperature_mc is not None:
            found["temperature"] = [self.counts("temperature", self.temperature_mc), 0]
        return found

    def store(self, data: bytes) -> bool:
        self.slot = data
        return True

    def arm(self, run: Any) -> None:
        self.at_ms = 0
        self.level_at_start = self.shown_ml()

    def start(self) -> None: ...

    def sample(self, run: Any) -> None:
        self.at_ms = min(self.at_ms + SAMPLE_MS, run.pulse_ms + 50)
        gone_ml = self.at_ms * self.flow() / 1e6
        run.now[MS] = self.at_ms
        run.now[PLACES["level"]] = self.counts(
            "level", max(0, round(self.level_at_start - gone_ml))
        )
        run.now[PLACES["battery"]] = self.counts("battery", (self.battery_mv or 3900) - 100)
        run.now[PLACES["current"]], run.now[PLACES["saucer"]] = 0, 0

    def flow(self) -> float:
        if self.hose == "blocked":
            return 0.0
        return self.flow_ul_s or float(self.pot.calibration.flow_ul_s)

    def stop(self) -> int:
        ml = min(self.tank_ml, self.at_ms * self.flow() / 1e6)
        self.tank_ml -= ml
        self.given_ml += ml
        if self.hose == "beside":
            self.floor_ml += ml
        else:
            self.soil_ppt += 1000 * ml / self.ul_per_ppt
        return self.at_ms

    def close(self) -> int:
        return 3000

    def log(self, record: dict[str, Any]) -> None:
        self.records.append(record)

    def report(self, _: int) -> None:
        self.reports.append(self.now_s)

    def sleep(self, sleep_s: int, button: int) -> None:
        self.sleep_s, self.button = sleep_s, button

    # Wakes

    def wake(self, cause: str = "timer", **begin: Any) -> dict[str, Any]:
        """One wake after the sleep commanded (or `slept_s`); its record."""
        if not self.started:
            cause, self.started = ("power" if cause == "timer" else cause), True
        vouched = cause in ("timer", "button")
        slept_s = begin.pop("slept_s", self.sleep_s if vouched else 0)
        passed_s = begin.pop("passed_s", slept_s)
        self.now_s += passed_s
        self.soil_ppt = max(0.0, self.soil_ppt - self.drinks_ppt_day * passed_s / DAY_S)
        self.tank_ml = max(0.0, self.tank_ml - self.lost_ml_day * passed_s / DAY_S)
        state = from_bytes(self.slot)
        told = {
            "cause": cause,
            "slept_s": slept_s,
            "vouched": 1 if vouched else 0,
            "boots": 0,
            "pin": 1,
            "button_ms": begin.pop("button_ms", 300 if cause == "button" else 0),
            "utc": [0, 0, 0],
            "host": [],
            "state": "good",
            "settings": "good",
            "limits": "good",
            "calibration": "good",
        }
        told.update(begin)
        drive(self, state, self.pot, told)
        return self.records[-1]

    def days(self, days: float, until: Callable[[dict[str, Any]], bool] | None = None) -> bool:
        """Timer wakes for so many days; True as soon as `until` holds of a record."""
        end_s = self.now_s + days * DAY_S
        while self.now_s + self.sleep_s <= end_s:
            record = self.wake()
            if until is not None and until(record):
                return True
        return False

    def press(self, held_ms: int = 3000, after_s: int = 600) -> dict[str, Any]:
        """The button, some time into the sleep."""
        return self.wake("button", slept_s=min(after_s, self.sleep_s), button_ms=held_ms)
