"""The form of a record: what stands on one line of a field log, written once for every reader.

What belongs here: the members of a wake and of a snapshot with their types, units and meanings,
reading a line into them, and what is wrong with a line that has another form. FIELDLOG.md is
made from this file. What does not: files and their damage (logs.py, mended.py), which records
belong together (fieldlog.py), and any judgement on what a record means.

A member that only a newer core knows is allowed: it is kept in `Read.more`.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping
from operator import attrgetter
from types import UnionType
from typing import (
    Annotated,
    Any,
    Literal,
    NamedTuple,
    NoReturn,
    Union,
    get_args,
    get_origin,
    get_type_hints,
)

import msgspec
from msgspec import UNSET, Meta, UnsetType

from wakeboard.short import WAKE
from wakeboard.store import STATE_RECORD
from wakecore import fields, line
from wakewell.log.commanded import CommandedSleep, is_pulse, sleep_of
from wakewell.tomlfile import show_path

Plain = dict[str, Any]  # a record as JSON has it

MOST_NUMBER = 1 << 30  # no number of a record reaches it, either way
MOST_WORD = 40  # characters of a word such as a cause or an id
LAST_DAY = 38_752  # of the board's clock: the range of 32 bits of seconds since 1970
MOST_SHOWN = 40  # characters of a wrong value in a message
MOST_DIGITS = 4300  # of a number; Python itself takes no more
KINDS = ("wake", "state")
_START = re.compile(rb'\{"kind":"(wake|state)","n":(\d{1,10}),')
PROBES = ("soil", "level", "battery")  # every wake has a word for each of them


class MemberText(NamedTuple):
    """What the page of the log says of a member: what it is, its unit, when it is not there, and
    what null means."""

    text: str
    unit: str = ""
    absent: str = ""
    null: str = ""


def start(data: bytes) -> tuple[str, int] | None:
    """(kind, number) of a line by its first bytes, without reading the rest; None: no record."""
    found = _START.match(data)
    if found is None or (n := int(found[2])) >= MOST_NUMBER:
        return None
    return ("wake" if found[1] == b"wake" else "state"), n


def has_decisions(data: bytes) -> bool:
    """Does the line of a wake tell what was decided? A shortened one may not."""
    return b'"commands":' in data


def told(text: str, unit: str = "", absent: str = "", null: str = "") -> Meta:
    """The same, where the member is declared."""
    return Meta(description=text, extra={"said": MemberText(text, unit, absent, null)})


def said_of(hint: Any) -> MemberText:
    """The same, from a member's annotation."""
    metas: list[Meta] = list(getattr(hint, "__metadata__", ()))
    return next((meta.extra["said"] for meta in reversed(metas) if meta.extra), MemberText(""))


Number = Annotated[int, Meta(gt=-MOST_NUMBER, lt=MOST_NUMBER, title="a whole number in range")]
Count = Annotated[int, Meta(ge=0, lt=MOST_NUMBER, title="a whole number in range, 0 or above")]
Flag = Annotated[int, Meta(ge=0, le=1, title="0 or 1")]
Word = Annotated[str, Meta(max_length=MOST_WORD, title=f"a word of at most {MOST_WORD} characters")]
Words = Annotated[list[Word], Meta(min_length=1, title="a list of words, with one at least")]
Texts = Annotated[list[str], Meta(title="a list of texts")]
Flags = Annotated[list[Flag], Meta(title="made of 0 and 1")]
Numbers = Annotated[list[Number], Meta(title="made of whole numbers")]
Day = Annotated[int, Meta(ge=0, le=LAST_DAY)]
Utc = Annotated[tuple[Day, Number, Number], Meta(title=f"[day 0 to {LAST_DAY}, second, trusted]")]
Reading = Annotated[tuple[Number, Number], Meta(title="[counts, spread]")]
Readings = dict[str, Reading | None]
Samples = Annotated[Number | list[Number], Meta(title="a whole number, or a list of them")]


IN_FORCE, TAKEN_BACK = "version in force", "version taken back"  # in `host`
MUTE, MUTED_S = "mute", 7 * 86400  # in `host`; so long the pot's own button mutes its reminders


class Begin(msgspec.Struct, gc=False, kw_only=True):
    """What the board knew before any reading."""

    cause: Annotated[
        Word, told("what woke the board: timer, button, power, reset, watchdog, brownout")
    ]
    slept_s: Annotated[Number, told("time asleep by the board's count", "s")]
    vouched: Annotated[Number, told("1: the board can vouch for `slept_s`")]
    boots: Annotated[Number, told("boots before this one that did not finish a wake")]
    pin: Annotated[Number, told("1: the file with the pump's pin was read")]
    button_ms: Annotated[Number, told("how long the button was held", "ms")]
    utc: Annotated[
        Utc, told("the clock: [day since 2000-01-01, second of the day, 1 if it is trusted]")
    ]
    host: Annotated[
        Texts,
        told(
            "what a person did: `clear LOCKOUT` by cable, `entry page` or `mute` by a long hold of "
            "the button; `version in force` at the first wake of a version that was sent by radio, "
            "`version taken back` at the first wake after such a one failed"
        ),
    ]
    state: Annotated[
        Word,
        told("how the retained state was found: good, previous (the older copy), hinted, lost"),
    ]
    settings: Annotated[
        Word, told("how the settings were found: good, previous (the older copy), default")
    ]
    limits: Annotated[Word, told("the same of the hard limits")]
    calibration: Annotated[Word, told("the same of the calibration")]
    radio: Annotated[
        Word | UnsetType,
        told(
            "the last report by radio: none (no report since the last wake), heard, failed, "
            "cut off (it began and did not end)",
            absent="in records from before the radio had a boot of its own",
        ),
    ] = UNSET
    radio_ms: Annotated[
        Number | UnsetType, told("how long the radio was on for it", "ms", absent="as `radio`")
    ] = UNSET


class Converted(msgspec.Struct, gc=False, kw_only=True):
    """What the believed readings convert to."""

    battery_mv: Annotated[Number | None, told("voltage at rest", "mV", null="implausible")]
    level_ml: Annotated[Number | None, told("water in the tank", "ml", null="implausible")]
    soil_ppt: Annotated[
        Number | None,
        told("water in the soil by volume", "parts per thousand", null="implausible"),
    ]
    temperature_mc: Annotated[
        Number | None, told("temperature of the soil", "m°C", null="implausible, or not fitted")
    ]


class Plan(msgspec.Struct, gc=False, kw_only=True):
    """The dose, if one was asked for."""

    phase: Annotated[
        Word, told("what was under way as the wake began: idle, soak, first look, second look")
    ]
    kind: Annotated[Word, told("kind of dose: none, depletion, set, upkeep, manual")]
    dose_ul: Annotated[Number, told("water of this dose still to give", "µl")]
    pulse_ms: Annotated[Number, told("length of this wake's pulse; 0: none", "ms")]


class Water(msgspec.Struct, gc=False, kw_only=True):
    """What left the tank."""

    day_ml: Annotated[Number, told("counted in the last 24 hours", "ml")]
    counted_ml: Annotated[
        Number | UnsetType | None,
        told("counted for this pulse (R3)", "ml", absent="without a pulse"),
    ] = UNSET
    given_ul: Annotated[
        Number | UnsetType | None,
        told("best estimate of what this pulse gave", "µl", absent="without a pulse"),
    ] = UNSET
    fall_ml: Annotated[
        Number | UnsetType | None,
        told("fall of the level", "ml", absent="without a pulse", null="the level cannot tell"),
    ] = UNSET
    metered_ul: Annotated[
        Number | UnsetType | None,
        told(
            "water through the flow meter",
            "µl",
            absent="without a pulse, or without a flow meter",
            null="it does not answer",
        ),
    ] = UNSET


class Wake(msgspec.Struct, gc=False, kw_only=True, tag_field="kind", tag="wake"):
    """A wake. Its members stand in the order of the line."""

    n: Annotated[Count, told("number of the record; counts up by one")]
    core: Annotated[
        Word,
        told(
            "which core decided: the first twelve digits of the SHA-256 of its syntax tree, "
            "without docstrings, comments and annotations"
        ),
    ]
    settings: Annotated[Word, told("id of the settings in force; empty: the safe defaults")]
    limits: Annotated[Word, told("id of the hard limits in force; empty: the safe defaults")]
    calibration: Annotated[Word, told("id of the calibration in force; empty: the safe defaults")]
    begin: Annotated[Begin, told("what the board knew before any reading, see below")]
    rest: Annotated[
        Reading | None,
        told("the battery before any load: [median, spread]", "counts", null="it did not answer"),
    ]
    read: Annotated[
        Readings,
        told("every fitted probe by name: [median, spread]; null: it did not answer", "counts"),
    ]
    run: Annotated[
        dict[str, Samples] | UnsetType,
        told("the pulse and its samples, see below", absent="without a pulse"),
    ] = UNSET
    after: Annotated[
        Readings | UnsetType,
        told("the probes again, after the pulse: as `read`", "counts", absent="without a pulse"),
    ] = UNSET
    stores: Annotated[
        Flags, told("result of each write of the state, in order: 1 written and read back, or 0")
    ]
    awake_ms: Annotated[Number, told("time awake when the record was closed", "ms")]
    values: Annotated[Converted, told("what the plausible readings convert to, see below")]
    told: Annotated[
        dict[str, Number | None] | UnsetType,
        told(
            "what those probes say that decide nothing, by name, in the unit of the probe's "
            "calibration; null: not plausible",
            absent="none is fitted",
        ),
    ] = UNSET
    judged: Annotated[
        dict[str, Word],
        told(
            "a word for each probe by name: good, absent, railed, flicker, span, cold, frozen, "
            "jump, unfitted"
        ),
    ]
    permissives: Annotated[
        dict[str, Number | None], told("each permissive by name: 1 held, 0 did not")
    ]
    plan: Annotated[Plan, told("the dose, see below")]
    trips: Annotated[Texts, told("what stopped the pulse early")]
    lockouts: Annotated[Texts, told("the lockouts in force at the end of the wake")]
    needs: Annotated[Texts, told("what somebody is asked to do")]
    water: Annotated[Water, told("what left the tank, see below")]
    charge_uah: Annotated[Number, told("estimated charge used since the last wake", "µAh")]
    commands: Annotated[
        Texts,
        told(
            "every command in order: its name, then its values; the last is `sleep SECONDS`, with "
            "`button` where the button wakes the board"
        ),
    ]
    before: Annotated[Word, told("CRC of the retained state the wake began with")]
    state: Annotated[Word, told("CRC of the retained state it ended with")]
    left_out: Annotated[
        Words | UnsetType,
        told("what memory was too short for, see below", absent="in a whole record"),
    ] = UNSET

    def __post_init__(self) -> None:
        if not self.judged.keys() >= _PROBES:
            name = next(name for name in PROBES if name not in self.judged)
            raise ValueError(f"judged.{name} is missing")
        if self.run is not UNSET and (why := _why_no_run(self.run)):
            raise ValueError(why)

    @property
    def ran_ms(self) -> int:
        """How long the pump ran; 0 without a pulse."""
        found = self.run["ran_ms"] if self.run else 0
        return found if isinstance(found, int) else 0

    @property
    def commanded_ms(self) -> int:
        """How long the pump was commanded to run; 0 if it was not."""
        return self.plan.pulse_ms if any(map(is_pulse, self.commands)) else 0

    @property
    def sleep(self) -> CommandedSleep | None:
        """The sleep that the wake commanded at its end (R13); None if it commanded none."""
        return sleep_of(self.commands)


class Brief(msgspec.Struct, gc=False, kw_only=True, tag_field="kind", tag="wake"):
    """A wake on record without its decisions, for want of memory: it has no commands. Each member
    is as in `Wake`; of those that are not in every record it may have some."""

    n: Count
    core: Word
    settings: Word
    limits: Word
    calibration: Word
    begin: Begin
    before: Word
    state: Word
    left_out: Words
    rest: Reading | UnsetType | None = UNSET
    read: Readings | UnsetType = UNSET
    run: dict[str, Samples] | UnsetType = UNSET
    after: Readings | UnsetType = UNSET
    stores: Flags = []
    awake_ms: Number | UnsetType = UNSET
    values: Converted | UnsetType = UNSET
    told: dict[str, Number | None] | UnsetType = UNSET
    judged: dict[str, Word] | UnsetType = UNSET
    permissives: dict[str, Number | None] | UnsetType = UNSET
    plan: Plan | UnsetType = UNSET
    trips: Texts | UnsetType = UNSET
    lockouts: Texts | UnsetType = UNSET
    needs: Texts | UnsetType = UNSET
    water: Water | UnsetType = UNSET
    charge_uah: Number | UnsetType = UNSET

    def __post_init__(self) -> None:
        if self.run is not UNSET and (why := _why_no_run(self.run)):
            raise ValueError(why)


class HeardClock(msgspec.Struct, gc=False):
    """Of a wake's `begin`."""

    utc: Utc


class HeardValues(msgspec.Struct, gc=False):
    """Of its `values`; None: not believed."""

    soil_ppt: Number | None = None
    level_ml: Number | None = None
    battery_mv: Number | None = None
    temperature_mc: Number | None = None


class HeardWater(msgspec.Struct, gc=False):
    """Of its `water`."""

    given_ul: Number | UnsetType | None = UNSET


class HeardWake(msgspec.Struct, gc=False):
    """Of a wake what a row of the database holds. The wake may be shortened. Reading no more than
    this takes a quarter of the time of reading the record. Each member is as in `Wake`."""

    begin: HeardClock
    values: HeardValues | UnsetType = UNSET
    trips: Texts | UnsetType = UNSET
    lockouts: Texts | UnsetType = UNSET
    needs: Texts | UnsetType = UNSET
    water: HeardWater | UnsetType = UNSET
    charge_uah: Number | UnsetType = UNSET


class RunGist(msgspec.Struct, gc=False):
    """Of a pulse no samples."""

    ran_ms: Number


class Gist(msgspec.Struct, gc=False, kw_only=True, tag_field="kind", tag="wake"):
    """Of a wake what the verdicts look at, for a record that comes from the core itself: members
    that are lists or named values are taken as they are. Each is as in `Wake`."""

    n: Count
    begin: Begin
    run: RunGist | UnsetType = UNSET
    stores: Any
    awake_ms: Number
    values: Converted
    judged: Any
    permissives: Any
    plan: Plan
    trips: Any
    lockouts: Any
    needs: Any
    water: Water
    commands: Any

    @property
    def ran_ms(self) -> int:
        """How long the pump ran; 0 without a pulse."""
        return self.run.ran_ms if self.run else 0


class Snapshot(msgspec.Struct, gc=False, kw_only=True, tag_field="kind", tag="state"):
    """The whole retained state. A replay can begin at it."""

    n: Annotated[Count, told("number of the next record")]
    version: Annotated[Number, told("form of the state: 1 is brought to 2, a newer one is refused")]
    dropped: Annotated[Count, told("records that the ring of files has given up so far")]
    ages_s: Annotated[Numbers, told("age of each delivery of the last 24 hours", "s")]
    mls: Annotated[Numbers, told("water of each of them", "ml")]
    fields: Annotated[
        dict[str, Number], told("every field of `wakecore.state.FIELDS` by name, with its unit")
    ]


# The members of `run`: the channels of `wakecore.run`, as far as they are fitted
RUN = {
    "ran_ms": MemberText("how long the pulse ran by the board's count", "ms"),
    "ms": MemberText("when each sample was taken, from the start of the pulse", "ms"),
    "battery": MemberText("samples of the battery under load", "counts"),
    "level": MemberText("samples of the level", "counts"),
    "current": MemberText("samples of the pump's current", "counts", "not fitted"),
    "saucer": MemberText("samples of the saucer probe", "counts", "not fitted"),
    "flowmeter": MemberText("pulses of the flow meter since the start", "counts", "not fitted"),
}


class File(msgspec.Struct, gc=False, kw_only=True):
    """What the settings, hard limits and calibration in force have in common. Their values are the
    rows of `wakecore.fields`, which the core judges by itself (`values_of`)."""

    kind: Annotated[
        Literal["settings", "limits", "calibration"], told("which of the three files it is")
    ]
    version: Annotated[Count, told("form of the file; a newer one is refused")]
    limits_id: Annotated[
        Word | UnsetType, told("id of the hard limits it was made for", absent="in the limits")
    ] = UNSET


class Read(NamedTuple):
    """What one line holds. found is None: no record, and `why` says why not.

    more: the record as JSON has it, where it may say more than the form does. sound: are the
    bytes of the line as they were written, by its CRC?
    """

    found: Wake | Brief | Snapshot | None
    more: Plain | None = None
    why: str = ""
    sound: bool = True

    @property
    def plain(self) -> Plain:
        """The record as JSON has it."""
        assert self.found is not None
        return self.more or as_plain(self.found)


def as_plain(found: msgspec.Struct) -> Plain:
    """A form here as JSON has it; its pairs and triples are tuples."""
    plain: Plain = msgspec.to_builtins(found)
    return plain


def line_of(found: Wake | Brief | Snapshot) -> bytes:
    """A record as a line without its end, of the members of its form alone."""
    names = STATE_RECORD if isinstance(found, Snapshot) else WAKE
    return line.encode(names, as_plain(found))


# Reading a line

_quick = msgspec.json.Decoder(Wake | Snapshot)


def members(form: type[msgspec.Struct]) -> Iterator[tuple[str, Any, bool]]:
    """(name, annotation, must it be there?) of each member of a form."""
    hints = get_type_hints(form, include_extras=True)
    for member in msgspec.structs.fields(form):
        yield member.name, hints[member.name], member.required


def inner_form(hint: Any) -> Any:
    """The type within an annotation, without its description, and without null or absent."""
    if get_origin(hint) is Annotated:
        return inner_form(get_args(hint)[0])
    if isinstance(hint, UnionType) or get_origin(hint) is Union:
        kinds = [kind for kind in get_args(hint) if kind not in (UnsetType, type(None))]
        return inner_form(kinds[0]) if len(kinds) == 1 else hint
    return hint


def is_form(kind: Any) -> bool:
    """Is it one of the forms here, with members of its own?"""
    return isinstance(kind, type) and issubclass(kind, msgspec.Struct)


def _paths(form: type[msgspec.Struct], place: str = "") -> Iterator[tuple[str, bool]]:
    """(path, must it be there?) of every member of a form and of the forms within it."""
    for name, hint, always in members(form):
        yield place + name, always
        if is_form(inner_form(hint)):
            yield from _paths(inner_form(hint), f"{place}{name}.")


_PROBES = set(PROBES)
_WAKE = list(_paths(Wake))
_MEMBERS = len(_WAKE) + 1  # and its kind
_maybe = attrgetter(*[path for path, always in _WAKE if not always])


def _members(found: Wake | Snapshot) -> int:
    """How many members a record has, those within its members included."""
    if isinstance(found, Snapshot):
        return len(Snapshot.__struct_fields__) + 1 + len(found.fields)
    count = _MEMBERS - _maybe(found).count(UNSET)
    count += len(found.read) + len(found.judged) + len(found.permissives)
    return count + len(found.run or ()) + len(found.after or ()) + len(found.told or ())


def read(data: bytes) -> Read:
    """The record on one line without its end."""
    body, why = line.body_of(data)
    if body is None:
        return Read(None, None, why, False)
    if body.isascii() and b"\\" not in body:  # no text in it that could not be shown
        try:
            found = _quick.decode(body)
        except (ValueError, RecursionError):  # another form
            found = None
        # Every member has a colon. As many members as colons: none stands twice or is unknown.
        if found is not None and body.count(b":") == _members(found):
            return Read(found)
    plain, why = parse(data)
    if plain is None:
        return Read(None, None, why)
    return of(plain)


def of(plain: Plain) -> Read:
    """The same of a record as JSON has it.

    What has the form can be played, judged, shown and written as a line again.
    """
    if why := _why_not_flat(plain):
        return Read(None, plain, why)
    form = form_of(plain)
    try:
        return Read(msgspec.convert(plain, form), plain)
    except msgspec.ValidationError:
        return Read(None, plain, _why_not(plain, form, ""))


def form_of(plain: Mapping[str, Any]) -> type[Wake | Brief | Snapshot]:
    """Which form a record of a kind that is known must have."""
    if plain.get("kind") == "state":
        return Snapshot
    return Brief if "left_out" in plain and "commands" not in plain else Wake


def wake_of(plain: Plain) -> Wake:
    """A whole wake as the core makes it. Raises ValueError (msgspec's) if it is none."""
    return msgspec.convert(plain, Wake)


def gist_of(plain: Plain) -> Gist:
    """The same for the verdicts alone, at a quarter of the time."""
    return msgspec.convert(plain, Gist)


_heard = msgspec.json.Decoder(HeardWake)


def heard_wake(data: bytes) -> HeardWake | None:
    """What a row of the database takes from a wake's line; None if it has not the form of one."""
    body, _ = line.body_of(data)
    try:
        return None if body is None else _heard.decode(body)
    except (ValueError, RecursionError):
        return None


# The files in force

_file = msgspec.json.Decoder(File)


def file_of(data: bytes) -> File | None:
    """What the stored line of one of the three files says of itself; None if it is none."""
    body, _ = line.body_of(data.rstrip(b"\r\n"))
    try:
        return None if body is None else _file.decode(body)
    except (ValueError, RecursionError):
        return None


def values_of(kind: str, data: bytes | None) -> fields.Values | None:
    """The values of one of the three files from its stored line; None if it is no such file."""
    if data is None or (found := file_of(data)) is None or found.kind != kind:
        return None
    plain, _ = line.decode(data.rstrip(b"\r\n"))
    values: fields.Values | None
    values, _ = fields.load(kind, plain or {}, line.identity(data.rstrip(b"\r\n")))
    return values


# Any JSON


def _no_float(text: str) -> NoReturn:
    raise ValueError(f"{text[:20]} is not a whole number")


def _no_twin(pairs: list[tuple[str, Any]]) -> Plain:
    plain: Plain = {}
    for name, value in pairs:
        if name in plain:
            raise ValueError(f"{name[:20]!r} is given twice")
        plain[name] = value
    return plain


def _whole(text: str) -> int:
    if len(text) > MOST_DIGITS:
        raise ValueError("a number with too many digits")
    return int(text)


_strict = json.JSONDecoder(
    parse_int=_whole, parse_float=_no_float, parse_constant=_no_float, object_pairs_hook=_no_twin
)


def parse(data: bytes) -> tuple[Plain | None, str]:
    """The JSON object on one line without its end, of a kind that is known; or None and why not."""
    body, why = line.body_of(data)
    if body is None:
        return None, why
    try:
        text = body.decode()
        plain, end = _strict.raw_decode(text)
        json.dumps(plain, ensure_ascii=False).encode()  # refuse what no file could hold
    except UnicodeDecodeError:
        return None, "not UTF-8"
    except UnicodeEncodeError:
        return None, "a text with an incomplete character"
    except RecursionError:
        return None, "nested too deeply"
    except json.JSONDecodeError as error:
        return None, f"not JSON: {error}"
    except ValueError as error:
        return None, str(error)
    if end != len(text):
        return None, f"not JSON: more after the object, at column {end + 1}"
    if not isinstance(plain, dict):
        return None, "not an object"
    if plain.get("kind") not in KINDS:
        allowed = ", ".join(KINDS)
        return None, f"kind {str(plain.get('kind'))[:20]!r} is not known, allowed: {allowed}"
    return plain, ""


# What is wrong with a form, in words


def _why_not_flat(plain: Plain) -> str:
    """What no line may hold: an object within an object, and what is neither number nor text."""
    for name, value in plain.items():
        inner = value if isinstance(value, dict) else {name: value}
        if not all(map(_is_flat, inner.values())):
            return f"{_shown(name)} = {_shown(value)} is not made of whole numbers and text"
        if not all(name.isprintable() and '"' not in name and "\\" not in name for name in inner):
            return f"a name in {_shown(name)} is not a word"
    return ""


def _is_flat(value: Any) -> bool:
    """A word of a line, or a list of them: numbers of a sane size, printable text, null."""
    return all(
        item is None
        or (type(item) is int and abs(item) < MOST_NUMBER)
        or (isinstance(item, str) and item.isprintable())
        for item in (value if isinstance(value, list) else [value])
    )


def _why_not(value: Any, hint: Any, place: str) -> str:
    """The first place at which a value is not of that form, with what was found and what is
    allowed; "" if it is of that form."""
    try:
        msgspec.convert(value, hint)
        return ""
    except msgspec.ValidationError as error:
        why = str(error)
    kind = inner_form(hint)
    if is_form(kind) and isinstance(value, dict):
        place += "." if place else ""
        for name, inner, always in members(kind):
            if always and name not in value:
                return f"{place}{name} is missing"
            if name in value and (found := _why_not(value[name], inner, place + name)):
                return found
        return why  # of the record as a whole
    if get_origin(kind) is dict and isinstance(value, dict):
        for name, one in value.items():
            if found := _why_not(one, get_args(kind)[1], f"{place}.{_shown(name)}"):
                return found
    return f"{place} = {_shown(value)} is {_wanted(hint)}"


def _wanted(hint: Any) -> str:
    """What an annotation allows, in words."""
    titles = [meta.title for meta in getattr(hint, "__metadata__", ()) if meta.title]
    if titles:
        return f"not {titles[-1]}"
    if get_origin(hint) is Annotated:
        return _wanted(get_args(hint)[0])
    if isinstance(hint, UnionType) or get_origin(hint) is Union:
        null = " or null" if type(None) in get_args(hint) else ""
        kind = inner_form(hint)
        return (
            "of the wrong kind"
            if kind is hint
            else _wanted(next(one for one in get_args(hint) if one not in (UnsetType, type(None))))
            + null
        )
    return "of the wrong kind"


def _why_no_run(run: Mapping[str, int | list[int]]) -> str:
    """What is wrong with a pulse and its samples, "" if nothing."""
    if type(run.get("ran_ms")) is not int:
        return "run.ran_ms is not a whole number"
    columns = [column for name, column in run.items() if name != "ran_ms"]
    if not all(isinstance(column, list) for column in columns):
        return "run is not lists of whole numbers"
    lengths = {len(column) for column in columns if isinstance(column, list)}
    return "run has channels of different length" if len(lengths) > 1 else ""


def _shown(value: Any) -> str:
    """A value from a file in a few characters. A nested one is not looked into."""
    if isinstance(value, dict):
        return "an object"
    if isinstance(value, list) and not all(map(_is_flat, value)):
        return "a list"
    text = str(value)
    return show_path(text if len(text) <= MOST_SHOWN else text[:MOST_SHOWN] + "...")
