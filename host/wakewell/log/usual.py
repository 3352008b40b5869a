"""The lines that boards write, read straight into their members: the form of a wake's record.

What belongs here: one wake as typed members, and the quick way to it. What does not: why a line
of another form is none (`logs.why_bad`), and any judgement on what a record means.
"""

from __future__ import annotations

from typing import Annotated, Any

import msgspec
from msgspec import UNSET, Meta, UnsetType

from wakecore import line
from wakewell.log.logs import LAST_DAY, MOST_NUMBER, MOST_WORD

Number = Annotated[int, Meta(gt=-MOST_NUMBER, lt=MOST_NUMBER)]
Flag = Annotated[int, Meta(ge=0, le=1)]
Text = Annotated[str, Meta(max_length=MOST_WORD)]
LeftOut = Annotated[list[Text], Meta(min_length=1)]  # of a record, for want of memory
Reading = tuple[Number, Number] | None
Day = Annotated[int, Meta(ge=0, le=LAST_DAY)]


class Begin(msgspec.Struct, gc=False):
    """What the board knew before any reading."""

    cause: Text
    slept_s: Number
    vouched: Number
    boots: Number
    pin: Number
    button_ms: Number
    utc: tuple[Day, Number, Number]
    host: list[str]
    state: Text
    settings: Text
    limits: Text
    calibration: Text
    # Not in records from before the radio had a boot of its own
    radio: Text | UnsetType = UNSET
    radio_ms: Number | UnsetType = UNSET


class Values(msgspec.Struct, gc=False):
    """What the believed readings convert to."""

    battery_mv: Number | None
    level_ml: Number | None
    soil_ppt: Number | None
    temperature_mc: Number | None


class Plan(msgspec.Struct, gc=False):
    """The dose, if one was asked for."""

    phase: Text
    kind: Text
    dose_ul: Number
    pulse_ms: Number


class Water(msgspec.Struct, gc=False):
    """What left the tank; only the first without a pulse."""

    day_ml: Number
    counted_ml: Number | UnsetType | None = UNSET
    fall_ml: Number | UnsetType | None = UNSET
    given_ul: Number | UnsetType | None = UNSET


class Wake(msgspec.Struct, gc=False):
    """A wake. Units as in the field log."""

    kind: str
    n: Annotated[int, Meta(ge=0, lt=MOST_NUMBER)]
    core: Text
    settings: Text
    limits: Text
    calibration: Text
    begin: Begin
    rest: Reading
    read: dict[str, Reading]
    stores: list[Flag]
    awake_ms: Number
    values: Values
    judged: dict[str, Text]
    permissives: dict[str, Number | None]
    plan: Plan
    trips: list[str]
    lockouts: list[str]
    needs: list[str]
    water: Water
    charge_uah: Number
    commands: list[str]
    before: Text
    state: Text
    run: dict[str, Number | list[Number]] | UnsetType = UNSET
    after: dict[str, Reading] | UnsetType = UNSET
    left_out: LeftOut | UnsetType = UNSET

    @property
    def ran_ms(self) -> int:
        """How long the pump ran; 0 without a pulse."""
        found = self.run["ran_ms"] if self.run else 0
        return found if isinstance(found, int) else 0


class Brief(msgspec.Struct, gc=False):
    """A wake on record without its decisions, for want of memory: what tells which wake it was."""

    n: Annotated[int, Meta(ge=0, lt=MOST_NUMBER)]
    core: Text
    begin: Begin
    before: Text
    state: Text
    left_out: LeftOut
    stores: list[Flag] = []


PARTS = (Wake, Begin, Values, Plan, Water)
MEMBERS = sum(len(part.__struct_fields__) - len(part.__struct_defaults__) for part in PARTS)
JUDGED = {"soil", "level", "battery"}
_decoder = msgspec.json.Decoder(Wake)


def decode(data: bytes) -> Wake | None:
    """The wake on one line without its end; None if it is not just of this form, or says more."""
    body, _ = line.body_of(data)
    if body is None:
        return None
    try:
        found = _decoder.decode(body)
    except ValueError:  # not that form, or not UTF-8
        return None
    # Every member has a colon: one too many, and a name stands twice (or a text holds one).
    members = MEMBERS + len(found.read) + len(found.judged) + len(found.permissives)
    water = found.water
    begin = found.begin
    maybe = [begin.radio, begin.radio_ms, water.counted_ml, water.fall_ml, water.given_ul]
    members += sum([v is not UNSET for v in maybe])
    members += found.left_out is not UNSET
    for part in (found.run, found.after):
        if part is not UNSET:
            members += 1 + len(part)
    if body.count(b":") != members or found.kind != "wake" or not found.judged.keys() >= JUDGED:
        return None
    if found.run is not UNSET and not _is_run(found.run):
        return None
    return found


def _is_run(run: dict[str, int | list[int]]) -> bool:
    columns = [column for name, column in run.items() if name != "ran_ms"]
    lengths = {len(column) if isinstance(column, list) else -1 for column in columns}
    return type(run.get("ran_ms")) is int and len(lengths) <= 1 and -1 not in lengths


def of(record: dict[str, Any]) -> Wake:
    """The same of a record that `logs.why_bad` finds nothing wrong with, and that is not brief."""
    return msgspec.convert(record, Wake)


def brief(record: dict[str, Any]) -> Brief:
    """The same of one that is (`logs.is_brief`)."""
    return msgspec.convert(record, Brief)
