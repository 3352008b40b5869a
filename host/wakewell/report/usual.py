"""The lines that boards write nearly always, read straight into their members.

What belongs here: the form of a quiet wake's record, narrower than that of a record. What
does not: any judgement on a line of another form; series.py takes its time with those.
"""

from __future__ import annotations

from typing import Annotated, Literal

import msgspec
from msgspec import Meta

from wakecore import line
from wakewell.logs import MOST_NUMBER

MOST_TEXT = 40  # characters of a word that a row keeps
Number = Annotated[int, Meta(gt=-MOST_NUMBER, lt=MOST_NUMBER)]
Text = Annotated[str, Meta(max_length=MOST_TEXT)]
Reading = tuple[Number, Number] | None
Good = Literal["good"]


class Begin(msgspec.Struct, forbid_unknown_fields=True, gc=False):
    """What the board knew, all its files being good."""

    cause: Text
    slept_s: Number
    vouched: Number
    boots: Number
    pin: Number
    button_ms: Number
    utc: tuple[Number, Number, Number]
    host: list[Text]
    state: Good
    settings: Good
    limits: Good
    calibration: Good


class Values(msgspec.Struct, forbid_unknown_fields=True, gc=False):
    """What the believed readings convert to."""

    battery_mv: Number | None
    level_ml: Number | None
    soil_ppt: Number | None
    temperature_mc: Number | None


class Plan(msgspec.Struct, forbid_unknown_fields=True, gc=False):
    """The dose, if one was asked for."""

    phase: Text
    kind: Text
    dose_ul: Number
    pulse_ms: Number


class Water(msgspec.Struct, forbid_unknown_fields=True, gc=False):
    """Without a pulse nothing else is told of water."""

    day_ml: Number


class Usual(msgspec.Struct, forbid_unknown_fields=True, gc=False):
    """A wake without a pulse. Units as in the field log."""

    kind: Literal["wake"]
    n: Annotated[int, Meta(ge=0, lt=MOST_NUMBER)]
    core: Text
    settings: Text
    limits: Text
    calibration: Text
    begin: Begin
    rest: Reading
    read: dict[str, Reading]
    stores: list[Annotated[int, Meta(ge=0, le=1)]]
    awake_ms: Number
    values: Values
    judged: dict[str, Text]
    permissives: dict[str, Number]
    plan: Plan
    trips: list[Text]
    lockouts: list[Text]
    needs: list[Text]
    water: Water
    charge_uah: Number
    commands: list[str]
    before: str
    state: str


MEMBERS = sum(len(kind.__struct_fields__) for kind in (Usual, Begin, Values, Plan, Water))
_decoder = msgspec.json.Decoder(Usual)


def decode(data: bytes) -> Usual | None:
    """The wake on one line without its end, or None if it is not just of this form."""
    body, _ = line.body_of(data)
    if body is None:
        return None
    try:
        found = _decoder.decode(body)
    except ValueError:  # not that form, or not UTF-8
        return None
    # Every member has a colon: one too many, and a name stands twice (or a text holds one).
    members = MEMBERS + len(found.read) + len(found.judged) + len(found.permissives)
    return found if body.count(b":") == members else None
