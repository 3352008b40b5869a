"""Names and types of what crosses the core's boundary. Read by people and mypy; a chip has none.

FIELDLOG.md says what each member means.
"""

from collections.abc import Generator, Sequence
from typing import Any, TypeAlias, TypedDict

from typing_extensions import NotRequired

from wakecore.command import Command

Reading: TypeAlias = list[int]  # counts and spread: median of some samples, highest less lowest
Readings: TypeAlias = dict[str, Reading | None]  # of every fitted probe; None: it did not answer
Points: TypeAlias = Sequence[tuple[int, int]]  # (counts, value), counts rising
Row: TypeAlias = tuple[str, int, int, int]  # name, least, most, default or start
# A row of `rules.NEEDS`
Need: TypeAlias = tuple[str, str, str, str]
# A row of the watch list: trip, channel, sign, limit, after_ms, samples (see run.py)
Watch: TypeAlias = tuple[str, int, int, int, int, int]
# A channel watched in a pulse: channel, its samples, and the bounds between which no row is hit
Channel: TypeAlias = tuple[int, list[int], int, int]
Wake: TypeAlias = Generator[Command, Any, None]

class Begin(TypedDict):
    """What the board knows before any reading."""

    cause: str
    slept_s: int
    vouched: int
    boots: int
    pin: int
    button_ms: int
    utc: list[int]  # day, second, trusted
    host: list[str]
    state: str
    settings: str
    limits: str
    calibration: str
    radio: NotRequired[str]
    radio_ms: NotRequired[int]

class Plan(TypedDict):
    phase: str
    kind: str
    dose_ul: int
    pulse_ms: int

class Pulse(TypedDict):
    """One pulse: how long it ran, and the samples of each channel."""

    ran_ms: int
    ms: NotRequired[list[int]]
    level: NotRequired[list[int]]
    battery: NotRequired[list[int]]
    current: NotRequired[list[int]]
    saucer: NotRequired[list[int]]
    flowmeter: NotRequired[list[int]]

class Water(TypedDict, total=False):
    counted_ml: int
    given_ul: int
    fall_ml: int | None
    metered_ul: int | None
    day_ml: int

class Record(TypedDict):
    """One wake in the field log."""

    kind: str
    n: int
    core: str
    settings: str
    limits: str
    calibration: str
    begin: Begin
    rest: Reading | None
    read: Readings
    run: NotRequired[dict[str, Any]]
    after: NotRequired[Readings]
    stores: list[int]
    awake_ms: int
    values: dict[str, int | None]
    told: NotRequired[dict[str, int | None]]
    judged: dict[str, str]
    permissives: dict[str, int]
    plan: Plan
    trips: list[str]
    lockouts: list[str]
    needs: list[str]
    water: Water
    charge_uah: int
    commands: list[str]
    before: str
    state: str
