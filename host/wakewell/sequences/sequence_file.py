"""A sequence's TOML file: what may stand in it, and how it becomes a script for the mock board.

Here belong the keys, their ranges and the errors, and what a key turns into. What an
expectation means when it is judged is in `judging`; playing is in `portable.mock`.

    title = "The tank stands at its reserve"
    rules = "R4"                    # what is at stake; a list if several

    [settings]                      # optional: changes of the bench pot (`bench`), also
    pulse_ml = 80                   # [limits] and [calibration]; a probe can be "unfitted"

    [[wake]]                        # one wake, or `repeat` of them
    soil_ppt = { from = 300, to = 240 }
    level_ml = 80
    repeat = 3

    [[wake.expect]]                 # in each of the three; at = 2, "first" or "last": in one
    rule = "R4"
    pump = false
    blocked_has = "reserve"

Readings stay until they change: soil_ppt, level_ml, battery_mv, temperature_mc, saucer_ppt,
charger, flow_ul (through the flow meter in a second, with the pump off); or raw PROBE_counts and
PROBE_spread; "absent" does not answer. level_ml fills or empties the tank once, then the level
follows the pump ("tank": read it again). Over the repeats a reading may run { from, to } or take
{ steps = [...] }.

Everything else is for that wake alone: cause, slept_s, vouched, boots, pin, button_ms, host,
utc, state, settings, limits, calibration as in a record's `begin`; passed_s (what really
passed), lost_ml (gone with the pump off), stores (does each write work?), awake_ms,
[wake.run] (what happens in a pulse: `mock.RUN`; a [run] at the top is for all wakes),
[wake.after] (counts read after it), [wake.retained] (the state it begins with).

[[always]] and [[never]] hold in every wake (`always` skips what a wake without a record
cannot show), [[total]] over all of them. A list is exact; NAME_has and NAME_lacks ask for
some. A range is a number or { least, most }. `order` are events in that order, others between.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from wakecore import fields, line, plan, rules, run, state, table
from wakecore.number import is_whole
from wakewell.errors import BadInput
from wakewell.portable import mock
from wakewell.pot import pot_folder
from wakewell.pot.parts import PROBES
from wakewell.sequences import bench_pot
from wakewell.tomlfile import complaint, nearest, shorten, show, show_key

MOST_BYTES = 1 << 20
MOST_WAKES = 100000
MOST_TABLES = 20000  # [[wake]] entries; a file of MOST_BYTES with something in each has fewer
MOST_LINE = 40000  # characters; a pot's stored line in a cut sequence has up to 32768
MOST_TEXT = 100  # characters of what the host did, and of a core's name
MOST_DOTS = 16  # in one key: more would keep the TOML reader busy for hours
MOST = (1 << 30) - 1

RULES = tuple(f"R{number}" for number in range(1, 19))

CAUSES = ("timer", "button", "power", "reset", "watchdog", "brownout")
EVENTS: tuple[str, ...] = ("off", "rest", "read", "store", "store failed", "on", "close", "log")
EVENTS += ("report", "reset", "sleep")
JUDGED = ("good", "unfitted", "absent", "railed", "flicker", "span", "cold", "frozen", "jump")
STATUS = ("good", "previous", "default")

# Which key holds a probe's reading in units. The pump current is read only in a run.
UNIT_KEYS = {name: probe.key for name, probe in PROBES.items() if probe.key}


class SequenceError(BadInput):
    """A sequence that cannot be used: one line with file, line, key, value and what is allowed."""


@dataclass(frozen=True)
class Expectation:
    """What must hold, and by which requirement. `never`: what must not hold in any wake."""

    rule: str
    wanted: Mapping[str, Any]
    line: int
    scope: str = "wake"  # "wake", "always", "never" or "total"


@dataclass
class Sequence:
    """A sequence, ready to be played: `script` is plain data for `portable.mock.play`."""

    path: Path
    title: str
    rules: tuple[str, ...]
    script: dict[str, Any]
    wakes: list[tuple[Expectation, ...]] = field(default_factory=list)
    overall: list[Expectation] = field(default_factory=list)
    lines: list[int] = field(default_factory=list)  # of each wake's [[wake]]


class WrongValue(Exception):
    """A value is not what its key allows; the text says what is."""


Check = Callable[[object], Any]


def whole(least: int = 0, most: int = MOST) -> Check:
    """A whole number in that range."""

    def check(value: object) -> Any:
        if not is_whole(value, least, most):
            raise WrongValue(f"a whole number from {least} to {most}")
        return value

    return check


def flag(value: object) -> Any:
    """true or false, as the script's 1 or 0."""
    if not isinstance(value, bool):
        raise WrongValue("true or false")
    return int(value)


def word(allowed: Iterable[str]) -> Check:
    """One of these words."""
    known = tuple(allowed)

    def check(value: object) -> Any:
        if not isinstance(value, str):
            raise WrongValue("one of " + ", ".join(known))
        if value not in known:
            raise WrongValue(nearest(value, known))
        return value

    return check


def text(value: object) -> Any:
    """A line of text."""
    if not isinstance(value, str) or not value.strip() or len(value) > MOST_LINE:
        raise WrongValue("a text that is not empty")
    return value


def short(value: object) -> Any:
    """A text that leaves room for the rest of its record's line."""
    if len(text(value)) > MOST_TEXT:
        raise WrongValue(f"a text of at most {MOST_TEXT} characters")
    return value


def listed(item: Check, most: int = 64, alone: bool = False) -> Check:
    """A list of such values; `alone`: a single value will do for a list of one."""

    def check(value: object) -> Any:
        if alone and not isinstance(value, list):
            value = [value]
        if not isinstance(value, list) or len(value) > most:
            raise WrongValue(f"a list of at most {most} values")
        return [item(one) for one in value]

    return check


def span(value: object) -> Any:
    """(least, most) from a whole number or {least = ..., most = ...}; None for "none"."""
    if value == "none":
        return None
    if isinstance(value, dict) and value and set(value) <= {"least", "most"}:
        ends = value.get("least", -MOST), value.get("most", MOST)
    else:
        ends = (value, value)
    if all(is_whole(end, -MOST, MOST) for end in ends) and ends[0] <= ends[1]:
        return ends
    raise WrongValue('a whole number, { least = ..., most = ... } or "none"')


def utc(value: object) -> Any:
    """[day, second, trust] as in a record's `begin`."""
    if not isinstance(value, list) or len(value) != 3:
        raise WrongValue("[days since 2000-01-01, second of the day, trust]")
    return [whole(-MOST)(one) for one in value]


def reading(least: int, most: int, words: tuple[str, ...] = ("absent",)) -> Check:
    """A reading: a number, a word, or {from, to} or {steps} over the repeats of its wake."""

    def one(value: object) -> Any:
        if value in words and isinstance(value, str):
            return value
        return whole(least, most)(value)

    def check(value: object) -> Any:
        if isinstance(value, dict):
            if set(value) == {"from", "to"}:
                return {end: whole(least, most)(value[end]) for end in ("from", "to")}
            if set(value) == {"steps"} and isinstance(value["steps"], list) and value["steps"]:
                return {"steps": [one(step) for step in value["steps"]]}
        elif value in words or is_whole(value, least, most):
            return value
        known = "".join(f'"{name}", ' for name in words)
        raise WrongValue(f"{least} to {most}, {known}{{ from, to }} or {{ steps = [...] }}")

    return check


def _run_checks() -> dict[str, Check]:
    checks: dict[str, Check] = {name: whole() for name, _, _ in mock.RUN}
    checks["stuck_level"] = flag
    column = listed(whole(-MOST, MOST), run.MOST_SAMPLES)
    checks["samples"] = lambda value: _columns(value, column)
    return checks


def _columns(value: object, column: Check) -> Any:
    if not isinstance(value, dict) or "ms" not in value or not set(value) <= set(run.CHANNELS):
        raise WrongValue("a table of lists: ms and any of " + ", ".join(run.CHANNELS[1:]))
    columns = {name: column(counts) for name, counts in value.items()}
    if len({len(counts) for counts in columns.values()}) != 1:
        raise WrongValue("lists of the same length")
    return columns


SHOWN = {row[0]: (row[1], row[2]) for row in fields.PROBES}  # what a probe's table may give
COUNTS = (fields.COUNTS_LEAST, fields.COUNTS_MOST)
RUN_KEYS = _run_checks()

WAKE_KEYS: dict[str, Check] = {
    "repeat": whole(1, MOST_WAKES),
    "cause": word(CAUSES),
    "slept_s": whole(),
    "passed_s": whole(),
    "vouched": flag,
    "boots": whole(0, 1000),
    "pin": flag,
    "button_ms": whole(),
    "host": listed(short, alone=True),
    "utc": utc,
    "state": word(("good", "previous", "hinted", "lost")),
    "settings": word(STATUS),
    "limits": word(STATUS),
    "calibration": word(STATUS),
    "radio": word(("none", "heard", "failed", "cut off")),
    "radio_ms": whole(),
    "lost_ml": whole(0, SHOWN["level"][1]),
    "stores": listed(flag, 8),
    "awake_ms": whole(),
}
PROBE_OF: dict[str, str] = {}  # which probe a reading's key is about
for _probe, _unit in UNIT_KEYS.items():
    _words = ("absent", "tank") if _probe == "level" else ("absent",)
    WAKE_KEYS[_unit] = reading(*SHOWN[_probe], _words)
    WAKE_KEYS[_probe + "_counts"] = reading(*COUNTS)
    WAKE_KEYS[_probe + "_spread"] = reading(0, fields.COUNTS_MOST, ())
    PROBE_OF.update(dict.fromkeys((_unit, _probe + "_counts", _probe + "_spread"), _probe))
TABLES = ("run", "after", "retained", "expect")

_LISTS: dict[str, tuple[str, ...]] = {
    "trips": tuple(row[0] for row in run.TRIPS),
    "lockouts": tuple(row[0] for row in rules.LOCKOUTS),
    "blocked": tuple(row[0] for row in rules.PERMISSIVES),
    "needs": tuple(row[0] for row in rules.NEEDS),
    "events": EVENTS,
}
RANGES = (
    "pulse_ms",
    "ran_ms",
    "pumped_ml",
    "dose_ml",
    "counted_ml",
    "metered_ml",
    "sleep_s",
    "day_ml",
    "soil_ppt",
    "level_ml",
    "battery_mv",
    "temperature_mc",
    *(probe.key for probe in PROBES.values() if probe.told),
)
EXPECT_KEYS: dict[str, Check] = {
    "pump": flag,
    "logged": flag,
    "button": flag,
    "kind": word(plan.KINDS),
    "phase": word(state.PHASES),
    "order": listed(word(EVENTS)),
    "stores": listed(flag, 8),
    "commands": listed(text),
    **dict.fromkeys(RANGES, span),
    **{name: listed(word(JUDGED), alone=True) for name in UNIT_KEYS},
}
for _name, _known in _LISTS.items():
    for _end in ("", "_has", "_lacks"):
        EXPECT_KEYS[_name + _end] = listed(word(_known), alone=True)
TOTAL_KEYS: dict[str, Check] = dict.fromkeys(
    ("pulses", "pumped_ml", "ran_ms", "most_24h_ml", "logged", "resets", "wakes"), span
)
TOP = ("title", "rules", "core", "pot", "settings", "limits", "calibration", "run")
ARRAYS = ("wake", "always", "never", "total")


def load(path: Path | str) -> Sequence:
    """The sequence in that file. Raises SequenceError, one line, for anything wrong with it."""
    return SequenceReader(Path(path)).sequence()


def read_text(path: Path) -> str:
    """The file's text, if it is one the TOML reader may be let loose on."""
    try:
        with path.open("rb") as file:
            data = file.read(MOST_BYTES + 1)
    except OSError as error:
        raise SequenceError(f"{path}: cannot be read: {error.strerror or error}") from None
    return fit(path, data)


def fit(path: Path, data: bytes) -> str:
    """The text of these bytes of a file, if the TOML reader may be let loose on it."""
    if len(data) > MOST_BYTES:
        raise SequenceError(f"{path}: more than {MOST_BYTES} bytes; cut a shorter sequence")
    try:
        content = data.decode("utf-8-sig").replace("\r\n", "\n")
    except UnicodeDecodeError as error:
        at = data.count(b"\n", 0, error.start) + 1
        raise SequenceError(
            f"{path}:{at}: byte 0x{data[error.start]:02x} is not UTF-8; save the file as UTF-8 text"
        ) from None
    for number, row in enumerate(content.split("\n"), 1):
        if len(row) > MOST_LINE:
            raise SequenceError(
                f"{path}:{number}: a line of {len(row)} characters, allowed {MOST_LINE}"
            )
        key = row if row.lstrip().startswith("[") else row.partition("=")[0]
        if not key.lstrip().startswith("#") and key.partition("#")[0].count(".") > MOST_DOTS:
            raise SequenceError(f"{path}:{number}: nested too deeply; a sequence has four levels")
    return content


def parse(path: Path, content: str) -> dict[str, Any]:
    """The TOML of that text."""
    try:
        return tomllib.loads(content)
    except RecursionError:
        raise SequenceError(f"{path}: nested too deeply; a sequence has four levels") from None
    except ValueError as error:
        what, at = complaint(error)
        at = at or content.count("\n") + 1
        raise SequenceError(f"{path}:{at}: not TOML: {shorten(what, 100)}") from None


HEADER = re.compile(r"\s*(\[\[?)\s*([\w. \t-]+?)\s*\]")
KEY = re.compile(r"\s*([\w-]+)\s*[=.]")


def locate(content: str) -> dict[tuple[str | int, ...], int]:
    """The line of every header and of every key below it: ("wake", 2, "soil_ppt") -> 41."""
    found: dict[tuple[str | int, ...], int] = {}
    counts: dict[tuple[str | int, ...], int] = {}
    here: tuple[str | int, ...] = ()
    for number, row in enumerate(content.split("\n"), 1):
        header = HEADER.match(row)
        if header:
            names = [name.strip() for name in header[2].split(".")]
            here = ()
            for place, name in enumerate(names):
                here += (name,)
                if header[1] == "[[" and place == len(names) - 1:
                    counts[here] = counts.get(here, 0) + 1
                if here in counts:
                    here += (counts[here] - 1,)
            found.setdefault(here, number)
        elif key := KEY.match(row):
            found.setdefault((*here, key[1]), number)
    return found


def counts_for(points: Iterable[tuple[int, int]], value: int) -> int:
    """The counts at which a falling or rising table shows a value that lies within it."""
    (counts0, value0), *rest = points
    for counts1, value1 in rest:
        if min(value0, value1) <= value <= max(value0, value1):
            break
        counts0, value0 = counts1, value1
    return counts0 + round((value - value0) * (counts1 - counts0) / (value1 - value0))


class SequenceReader:
    """Reads one file: every key checked, every wake unfolded."""

    def __init__(self, path: Path, content: str | None = None) -> None:
        self.path = path
        content = read_text(path) if content is None else fit(path, content.encode())
        self.data = parse(path, content)
        self.lines = locate(content)
        self.probes: dict[str, Any] = {}
        self.now: dict[str, Any] = {}

    def sequence(self) -> Sequence:
        """All of it."""
        data = self.data
        for name in data:
            if name not in TOP + ARRAYS:
                self.unknown((), name, TOP + ARRAYS)
        title = self.value((), "title", text)
        cited = tuple(self.value((), "rules", listed(word(RULES), 15, alone=True)))
        if not cited:
            self.refuse(("rules",), "[]", "at least one of R1 to R18")
        script: dict[str, Any] = {"pot": self.pot_lines(), "wakes": []}
        if "core" in data:
            script["core"] = data["core"] if data["core"] == "" else self.value((), "core", short)
        sequence = Sequence(self.path, title, cited, script)
        try:
            pot = mock.load_pot(script["pot"])
        except mock.FileRefused as error:
            raise self.error((error.kind,), f"the board refuses these {error}") from None
        self.probes = {name: getattr(pot.calibration, name) for name in UNIT_KEYS}
        usual = dict.fromkeys(UNIT_KEYS.values(), 0) | bench_pot.READINGS
        self.now = {key: value for key, value in usual.items() if self.fits(key)}
        ordinary = self.table((), "run", RUN_KEYS)
        wakes = self.array((), "wake")
        if not wakes:
            raise self.error((), "no [[wake]]; a sequence has at least one")
        if len(wakes) > MOST_TABLES:
            raise self.error((), f"{len(wakes)} [[wake]]; allowed: {MOST_TABLES}, use repeat")
        for index, wake in enumerate(wakes):
            self.wake(sequence, ("wake", index), wake, ordinary)
        for scope in ("always", "never"):
            for index, given in enumerate(self.array((), scope)):
                at = (scope, index)
                sequence.overall.append(self.expectation(at, given, EXPECT_KEYS, scope))
        for index, given in enumerate(self.array((), "total")):
            at = ("total", index)
            sequence.overall.append(self.expectation(at, given, TOTAL_KEYS, "total"))
        if not sequence.overall and not any(sequence.wakes):
            raise self.error(
                (), "nothing is expected; add [[wake.expect]], [[always]] or [[never]]"
            )
        return sequence

    # The pot

    def pot_lines(self) -> dict[str, str]:
        """The three stored lines: the bench pot with this file's overrides, or those given."""
        given = self.data.get("pot", "bench")
        if isinstance(given, dict):
            for kind in fields.KINDS:
                if kind in self.data:
                    raise self.error((kind,), f"[{kind}] changes the bench pot, [pot] is another")
            for name in given:
                if name not in fields.KINDS:
                    self.unknown(("pot",), name, tuple(fields.KINDS))
            return {kind: self.value(("pot",), kind, text, given) for kind in fields.KINDS}
        if given != "bench":
            self.refuse(("pot",), given, '"bench" or the table [pot]')
        merged = {}
        base = {
            "settings": bench_pot.SETTINGS,
            "limits": bench_pot.LIMITS,
            "calibration": bench_pot.CALIBRATION,
        }
        for kind, usual in base.items():
            merged[kind] = {**usual, **self.overrides(kind)}
        made_for = {kind: merged[kind].pop("limits_id", None) for kind in merged}
        merged["calibration"] = {k: v for k, v in merged["calibration"].items() if v is not None}
        lines = pot_folder.compile_files(
            merged["settings"], merged["limits"], merged["calibration"]
        )
        for kind, identity in made_for.items():
            if identity is not None:
                record, _ = line.decode(lines[kind])
                assert record is not None, "compiled a moment ago"
                record["limits_id"] = identity
                lines[kind] = line.encode(tuple(record), record)
        return {kind: data.decode() for kind, data in lines.items()}

    def overrides(self, kind: str) -> dict[str, Any]:
        """What the file changes of the bench pot. None: a probe taken away."""
        checks: dict[str, Check] = {row[0]: whole(row[1], row[2]) for row in fields.KINDS[kind]}
        if kind != "limits":
            checks["limits_id"] = text
        if kind == "calibration":
            checks.update(dict.fromkeys(SHOWN, _probe_table))
        return self.table((), kind, checks)

    def fits(self, key: str) -> bool:
        """Is the probe of that unit key fitted?"""
        return any(key == unit and self.probes[probe] for probe, unit in UNIT_KEYS.items())

    # The wakes

    def wake(
        self,
        sequence: Sequence,
        at: tuple[str | int, ...],
        given: dict[str, Any],
        ordinary: dict[str, Any],
    ) -> None:
        """Unfold one [[wake]] into the script's wakes and what each must show."""
        for name in given:
            if name not in WAKE_KEYS and name not in TABLES:
                self.unknown(at, name, (*WAKE_KEYS, *TABLES))
        own = [name for name in given if name in WAKE_KEYS]
        checked = {name: self.value(at, name, WAKE_KEYS[name], given) for name in own}
        repeat = checked.pop("repeat", None) or self.steps(checked)
        if len(sequence.wakes) + repeat > MOST_WAKES:
            self.refuse((*at, "repeat"), repeat, f"{MOST_WAKES} wakes in all")
        fixed = {name: checked.pop(name) for name in list(checked) if name not in PROBE_OF}
        happens = {**ordinary, **self.table(at, "run", RUN_KEYS, given)}
        if happens:
            fixed["run"] = happens
        if "after" in given:
            fixed["after"] = self.after(at, given)
        if "retained" in given:
            fixed["retained"] = self.retained(at, given)
        wanted = self.wake_expectations(at, given, repeat)
        made: dict[str, Any] = {}
        for number in range(repeat):
            counts, moved = self.readings(at, checked, number, repeat)
            if not made or counts != made["counts"] or moved or "level_ml" in made:
                made = {**fixed, "counts": counts, **moved}
            sequence.script["wakes"].append(made)
            sequence.wakes.append(tuple(e for which, e in wanted if which in (None, number)))
            sequence.lines.append(self.lines.get(at, 1))

    @staticmethod
    def steps(checked: Mapping[str, Any]) -> int:
        """How many wakes the steps ask for, where `repeat` says nothing."""
        lengths = [
            len(v["steps"]) for v in checked.values() if isinstance(v, dict) and "steps" in v
        ]
        return max(lengths, default=1)

    def readings(
        self, at: tuple[str | int, ...], checked: dict[str, Any], number: int, repeat: int
    ) -> tuple[dict[str, Any], dict[str, Any]]:
        """(counts, changes of the tank) of one wake. What is not said stays as it was."""
        moved: dict[str, Any] = {}
        for name, value in checked.items():
            probe = PROBE_OF[name]
            if self.probes[probe] is None:
                raise self.error((*at, name), f"{name}: this pot has no {probe} probe")
            if name == UNIT_KEYS[probe] and probe + "_counts" in checked:
                raise self.error((*at, name), f"{name} and {probe}_counts: give one of them")
            varied = isinstance(value, dict)
            if number and not varied:
                continue
            self.now[name] = now = self.varied((*at, name), value, number, repeat)
            if name == UNIT_KEYS[probe]:
                self.now.pop(probe + "_counts", None)
                if isinstance(now, int):
                    self.in_table((*at, name), probe, now)
            elif name == probe + "_counts":
                self.now.pop(UNIT_KEYS[probe], None)
        counts: dict[str, Any] = {}
        for probe, unit in UNIT_KEYS.items():
            if self.probes[probe] is None:
                continue
            usual = 0 if probe == "level" else self.probes[probe].spread // 10
            spread = self.now.get(probe + "_spread", usual)
            raw = self.now.get(probe + "_counts")
            value = self.now.get(unit)
            if raw is not None:
                counts[probe] = None if raw == "absent" else [raw, spread]
            elif value == "absent":
                counts[probe] = None
            elif probe == "level":
                if value != "tank":
                    moved["level_ml"] = value
                    self.now[unit] = "tank"
                if spread:
                    moved["level_spread"] = spread
            else:
                counts[probe] = [counts_for(self.probes[probe].points, self.now[unit]), spread]
        return counts, moved

    def varied(self, at: tuple[str | int, ...], value: Any, number: int, repeat: int) -> Any:
        """The value at this repeat."""
        if not isinstance(value, dict):
            return value
        if "steps" in value:
            steps = value["steps"]
            if len(steps) != repeat:
                raise self.error(at, f"{at[-1]}: {len(steps)} steps for {repeat} wakes")
            return steps[number]
        if repeat < 2:
            raise self.error(at, f"{at[-1]}: a ramp needs repeat = 2 or more")
        return value["from"] + (value["to"] - value["from"]) * number // (repeat - 1)

    def in_table(self, at: tuple[str | int, ...], probe: str, value: int) -> None:
        """Refuse a quantity that the calibration table cannot show."""
        values = [point[1] for point in self.probes[probe].points]
        if not min(values) <= value <= max(values):
            known = f"{min(values)} to {max(values)} by its table; beyond it give {probe}_counts"
            self.refuse(at, value, known)

    def after(self, at: tuple[str | int, ...], given: dict[str, Any]) -> dict[str, Any]:
        """What the probes read after a pulse, in counts."""
        checks = {f"{p}_{end}": reading(*COUNTS) for p in UNIT_KEYS for end in ("counts", "spread")}
        found = self.table(at, "after", checks, given)
        readings: dict[str, Any] = {}
        for probe in UNIT_KEYS:
            counts = found.get(probe + "_counts")
            if isinstance(counts, int):
                readings[probe] = [counts, found.get(probe + "_spread", 0)]
            elif counts is not None:
                readings[probe] = None
        return readings

    def retained(self, at: tuple[str | int, ...], given: dict[str, Any]) -> dict[str, Any]:
        """The state a wake begins with."""
        checks: dict[str, Check] = {row[0]: whole(row[1], row[2]) for row in state.FIELDS}
        for name in ("ages_s", "mls"):
            checks[name] = _deliveries
        return self.table(at, "retained", checks, given)

    # What is expected

    def wake_expectations(
        self, at: tuple[str | int, ...], given: dict[str, Any], repeat: int
    ) -> list[tuple[int | None, Expectation]]:
        """(which repeat, or None for each; what is expected) of one [[wake]]."""
        found: list[tuple[int | None, Expectation]] = []
        for index, entry in enumerate(self.array(at, "expect", given)):
            here = (*at, "expect", index)
            entry = dict(entry)
            which = entry.pop("at", None)
            if which in ("first", "last"):
                which = 1 if which == "first" else repeat
            if which is not None:
                if not is_whole(which, 1, repeat):
                    self.refuse((*here, "at"), which, f'1 to {repeat}, "first" or "last"')
                which -= 1
            found.append((which, self.expectation(here, entry, EXPECT_KEYS, "wake")))
        return found

    def expectation(
        self,
        at: tuple[str | int, ...],
        given: dict[str, Any],
        checks: Mapping[str, Check],
        scope: str,
    ) -> Expectation:
        """One expectation: a rule and at least one thing that must or must not be."""
        for name in given:
            if name != "rule" and name not in checks:
                self.unknown(at, name, ("rule", *checks))
        rule = self.value(at, "rule", word(RULES), given)
        wanted = {n: self.value(at, n, checks[n], given) for n in given if n != "rule"}
        if not wanted:
            raise self.error(at, f"{rule} is named, but nothing is expected for it")
        return Expectation(rule, wanted, self.line(at), scope)

    # Reading and refusing

    def value(
        self,
        at: tuple[str | int, ...],
        name: str,
        check: Check,
        given: Mapping[str, Any] | None = None,
    ) -> Any:
        """The checked value of a key that must be there."""
        given = self.data if given is None else given
        if name not in given:
            raise self.error(at, f"{name} is missing")
        try:
            return check(given[name])
        except WrongValue as refused:
            self.refuse((*at, name), given[name], str(refused))

    def table(
        self,
        at: tuple[str | int, ...],
        name: str,
        checks: Mapping[str, Check],
        given: Mapping[str, Any] | None = None,
    ) -> dict[str, Any]:
        """A table's checked content, {} if it is not there."""
        found = (self.data if given is None else given).get(name, {})
        if not isinstance(found, dict):
            self.refuse((*at, name), found, "a table")
        for key in found:
            if key not in checks:
                self.unknown((*at, name), key, tuple(checks))
        return {key: self.value((*at, name), key, checks[key], found) for key in found}

    def array(
        self, at: tuple[str | int, ...], name: str, given: Mapping[str, Any] | None = None
    ) -> list[dict[str, Any]]:
        """An array of tables, [] if it is not there."""
        found = (self.data if given is None else given).get(name, [])
        if not isinstance(found, list) or not all(isinstance(entry, dict) for entry in found):
            self.refuse((*at, name), found, f"tables, each under [[{name}]]")
        return list(found)

    def line(self, at: tuple[str | int, ...]) -> int:
        """The line of a key, or of the nearest header above it."""
        while at and at not in self.lines:
            at = at[:-1]
        return self.lines.get(at, 1)

    def error(self, at: tuple[str | int, ...], what: str) -> SequenceError:
        """The error with its place in front."""
        return SequenceError(f"{self.path}:{self.line(at)}: {what}")

    def refuse(self, at: tuple[str | int, ...], found: object, allowed: str) -> Any:
        """Raise: this key holds that, and what is allowed."""
        raise self.error(at, f"{show_key(str(at[-1]))} = {show(found)}; allowed: {allowed}")

    def unknown(self, at: tuple[str | int, ...], name: str, known: tuple[str, ...]) -> None:
        """Raise: no such key here; the nearest one."""
        told = nearest(name, known)
        raise self.error((*at, name), f"{show_key(name)} is not a key here; {told}")


def _deliveries(value: object) -> Any:
    if not isinstance(value, list) or len(value) != state.DELIVERIES:
        raise WrongValue(f"{state.DELIVERIES} whole numbers")
    return [whole()(one) for one in value]


def _probe_table(value: object) -> Any:
    """A probe's calibration as in a pot's folder, or "unfitted"."""
    if value == "unfitted":
        return None
    if not isinstance(value, dict) or not {"points", "rails"} <= set(value) <= PROBE_KEYS:
        raise WrongValue(
            "{ points = [[counts, value], ...], rails = [low, high], spread = counts }"
        )
    pair = listed(whole(-MOST), 2)
    points = listed(pair, table.MOST_POINTS)(value["points"])
    rails = pair(value["rails"])
    if len(points) < 2 or any(len(one) != 2 for one in [*points, rails]):
        raise WrongValue("at least two points; points and rails are pairs")
    return {"points": points, "rails": rails, "spread": whole()(value.get("spread", 0))}


PROBE_KEYS = {"points", "rails", "spread"}
