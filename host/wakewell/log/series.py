"""A pot's log as one row of wakes with their times: the form that pages and budget use.

What belongs here: reading log files into rows, the files that were in force, gaps. What
does not: any judgement about the pot.
"""

from __future__ import annotations

import contextlib
import gc
import os
from bisect import bisect_left
from collections import Counter, deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from operator import attrgetter
from pathlib import Path
from typing import Annotated, Any, get_type_hints

import msgspec
from msgspec import UNSET, Meta

from wakecore import fields
from wakecore.fields import refill_ppt, target_ppt
from wakecore.run import DRY_RUNS
from wakewell import language
from wakewell.errors import BadInput
from wakewell.log import fieldlog, logs, obeyed, record
from wakewell.log.fieldlog import FieldLog, Place, Short
from wakewell.log.logs import Skips
from wakewell.log.parcel import came_with
from wakewell.log.record import MOST_WORD, Read
from wakewell.log.times import EPOCH_S, Tick, tick, timeline
from wakewell.pot import description, stage
from wakewell.pot import pot_folder as pots
from wakewell.pot.board_file import board_id

NONE: tuple[str, ...] = ()
RECENT = 24  # wakes kept whole for the magnifier, beside those where something happened
EVENTS = 24
FILES = ("state", "settings", "limits", "calibration")
GOOD_FILES = ("good", "good", "good", "good")
Ids = tuple[str, str, str]
Row = tuple["WakeRow", bool, int | None]  # and is its sleep vouched for, and its clock, if trusted


def at(path: str) -> Meta:
    """Where a member of a row stands in the record of a wake."""
    return Meta(extra={"at": path})


class WakeRow(msgspec.Struct, gc=False):
    """One wake as pages and budget need it. Units as in the field log; None: not believed, or not
    there. First come the members that are as in the record, each with its place there."""

    n: Annotated[int, at("n")]
    cause: Annotated[str, at("begin.cause")]
    core: Annotated[str, at("core")]
    slept_s: Annotated[int, at("begin.slept_s")]
    soil_ppt: Annotated[int | None, at("values.soil_ppt")]
    level_ml: Annotated[int | None, at("values.level_ml")]
    battery_mv: Annotated[int | None, at("values.battery_mv")]
    temperature_mc: Annotated[int | None, at("values.temperature_mc")]
    phase: Annotated[str, at("plan.phase")]
    kind: Annotated[str, at("plan.kind")]
    dose_ul: Annotated[int, at("plan.dose_ul")]
    pulse_ms: Annotated[int, at("plan.pulse_ms")]
    ran_ms: Annotated[int, at("ran_ms")]
    day_ml: Annotated[int, at("water.day_ml")]
    awake_ms: Annotated[int, at("awake_ms")]
    charge_uah: Annotated[int, at("charge_uah")]
    boots: Annotated[int, at("begin.boots")]
    button_ms: Annotated[int, at("begin.button_ms")]
    place: Place
    ids: Ids  # settings, limits, calibration
    sleep_s: int  # commanded at its end
    rest: int | None  # counts
    soil_counts: int | None
    soil_word: str
    level_word: str
    battery_word: str
    given_ul: int
    fall_ml: int | None
    after_counts: int | None  # level after a pulse
    trips: tuple[str, ...]
    lockouts: tuple[str, ...]
    needs: tuple[str, ...]
    failing: tuple[str, ...]  # permissives that did not hold
    stores_failed: int
    files: tuple[str, ...]  # begin: which of state, settings, limits, calibration were not good
    host: tuple[str, ...]
    radio_ms: int  # the radio was on, since the wake before
    left_out: tuple[str, ...] = NONE  # of its record, for want of memory
    metered_ul: int | None = None  # through the flow meter
    told: dict[str, int | None] | None = None  # by probes that decide nothing
    time_s: float = 0.0
    wall_s: float = 0.0  # the same as local wall time; set by whoever knows the time zone
    gap: bool = False  # something is missing between the wake before and this one

    @property
    def dry(self) -> bool:
        """Did the pump run and show no water? That was a try, and no watering."""
        return any(trip in DRY_RUNS for trip in self.trips)

    @property
    def delivered_ul(self) -> int:
        """Best estimate of the water that left the tank in this wake's pulse."""
        return 0 if self.dry else self.given_ul


@dataclass
class Dose:
    """One watering, or a try: its pulses added up. planned_ul: what was asked for at its start.

    given_ul: what pulses that showed water delivered; 0: a try.
    """

    time_s: float
    n: int
    kind: str
    planned_ul: int
    given_ul: int = 0
    ran_ms: int = 0
    pulses: int = 0
    trips: tuple[str, ...] = ()
    before_ppt: int | None = None
    peak_ppt: int | None = None  # highest soil water at the wakes up to a day after


@dataclass
class PotLog:
    """Everything read from one pot's log, and from its folder where it has one."""

    name: str
    place: Path
    about: description.About | None = None
    otherwise: str = ""  # settings in force that are not what settings.toml says
    uncommissioned: str = ""  # why its folder's stage does not count on its board
    wakes: list[WakeRow] = field(default_factory=list)
    skips: Skips = field(default_factory=Skips)
    short: Short = field(default_factory=Short)
    dated: bool = False
    jumps: int = 0
    missing: int = 0  # records the numbers say there should be
    dropped: int = 0  # records that the ring of files dropped, by its own count
    later: int = 0  # wakes left out, after the day that was asked for
    files: list[Path] = field(default_factory=list)
    doses: list[Dose] = field(default_factory=list)
    others: list[str] = field(default_factory=list)  # lives that are not this pot's, in words
    kept: dict[Place, Read] = field(default_factory=dict)  # by place
    complaint: str = ""
    shifted: bool = False  # a shared parcel's dates are not the real ones
    pots: dict[Ids, fields.Pot | None] = field(default_factory=dict)

    @property
    def title(self) -> str:
        """What people call the pot."""
        return self.about.name if self.about else self.name

    @property
    def true_dates(self) -> bool:
        """Does it know the date, and are its dates the true ones? A shared parcel's are not."""
        return self.dated and not self.shifted

    @property
    def language(self) -> str:
        """The language of what its owner reads."""
        return self.about.language if self.about else language.ENGLISH

    @property
    def pot(self) -> fields.Pot | None:
        """What is in force at the end of the log, if it is at hand."""
        return self.pots.get(self.wakes[-1].ids) if self.wakes else None

    @property
    def float_only(self) -> bool:
        """Is the level read by a float switch only, so that it gives no millilitres?"""
        return self.pot is not None and bool(self.pot.calibration.float_only)

    @property
    def waterings(self) -> list[Dose]:
        """The doses that brought water."""
        return [dose for dose in self.doses if dose.given_ul]

    @property
    def tries(self) -> list[Dose]:
        """Those in which the pump ran and no water was seen."""
        return [dose for dose in self.doses if not dose.given_ul]

    def before(self, wake: WakeRow) -> WakeRow | None:
        """The wake before, None if it is not on record."""
        at = bisect_left(self.wakes, wake.place, key=lambda one: one.place)
        return self.wakes[at - 1] if at and not wake.gap else None

    def pot_of(self, wake: WakeRow) -> fields.Pot | None:
        """What was in force in that wake, if it is at hand."""
        return self.pots.get(wake.ids)

    def place_text(self, wake: WakeRow) -> str:
        """Where its record stands: file:line."""
        return f"{self.files[wake.place[0]].name}:{wake.place[1]}"


def names_in(value: Sequence[str]) -> tuple[str, ...]:
    """Those texts, cut short."""
    return tuple([text[:MOST_WORD] for text in value]) if value else NONE


PLACES = {
    name: meta.extra["at"]
    for name, hint in get_type_hints(WakeRow, include_extras=True).items()
    for meta in getattr(hint, "__metadata__", ())
}
_as_they_are = attrgetter(*PLACES.values())
_row: Callable[..., WakeRow] = WakeRow  # mypy cannot count what attrgetter gives


def row_of(found: record.Wake, place: Place, shared: dict[Any, Any]) -> Row:
    """A wake as a row. shared: equal tuples are kept once."""
    begin, water, judged = found.begin, found.water, found.judged
    soil = found.read.get("soil")
    level = found.after.get("level") if found.after else None
    ids = (found.settings, found.limits, found.calibration)
    lockouts, needs = names_in(found.lockouts), names_in(found.needs)
    failing = NONE
    if 0 in found.permissives.values():
        failing = names_in([k for k, held in found.permissives.items() if not held])
    files = (begin.state, begin.settings, begin.limits, begin.calibration)
    not_good = NONE
    if files != GOOD_FILES:
        not_good = tuple([name for name, how in zip(FILES, files, strict=True) if how != "good"])
    wake = _row(
        *_as_they_are(found),
        place=place,
        ids=shared.setdefault(ids, ids),
        sleep_s=_sleep_s(found),
        rest=None if found.rest is None else found.rest[0],
        soil_counts=None if soil is None else soil[0],
        soil_word=judged["soil"],
        level_word=judged["level"],
        battery_word=judged["battery"],
        given_ul=water.given_ul or 0,
        fall_ml=None if water.fall_ml is UNSET else water.fall_ml,
        after_counts=None if level is None else level[0],
        trips=names_in(found.trips),
        lockouts=shared.setdefault(lockouts, lockouts),
        needs=shared.setdefault(needs, needs),
        failing=shared.setdefault(failing, failing),
        stores_failed=found.stores.count(0),
        files=not_good,
        host=names_in(begin.host),
        radio_ms=begin.radio_ms or 0,
        left_out=names_in(found.left_out) if found.left_out else NONE,
        metered_ul=None if water.metered_ul is UNSET else water.metered_ul,
        told=found.told or None,
    )
    return wake, bool(begin.vouched), clock_of(begin.utc)


def tick_of(found: record.Wake, before: record.Wake | None) -> Tick:
    """What a wake says about time. before: the wake on record before it."""
    asked = None
    if before is not None and before.n + 1 == found.n:
        asked = (_sleep_s(before), before.awake_ms)
    begin = found.begin
    slept_s = begin.slept_s if begin.vouched else None
    return tick(begin.cause, slept_s, asked, clock_of(begin.utc))


def _sleep_s(found: record.Wake) -> int:
    """The seconds that a wake commanded to sleep; 0 if it commanded no sleep (R13)."""
    return found.sleep.seconds if found.sleep else 0


def clock_of(utc: Sequence[int]) -> int | None:
    """The pot's clock in seconds since 1970, if it is trusted and a time at all."""
    day, second, trusted = utc
    utc_s = EPOCH_S + day * 86400 + second if trusted else None
    return utc_s if utc_s is not None and 0 <= utc_s < 1 << 32 else None


@contextlib.contextmanager
def without_collector() -> Iterator[None]:
    """No garbage collection meanwhile.

    Five years of wakes hold no circles, and a collector would walk all of them again and again.
    """
    collecting = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if collecting:
            gc.enable()


def read(
    name: str,
    place: Path,
    files: Sequence[Path],
    progress: bool = False,
    until_s: float | None = None,
) -> PotLog:
    """Read one pot's log files, oldest first. Never raises because of their content.

    until_s: leave out what came later (seconds since 1970; of a log that knows the date).

    Where several lives lie there, of another board or of this one before it was begun anew, the
    rows are of the pot's own (`FieldLog.own`); `others` tells of the rest.
    """
    folder = pot_folder(place)
    log = PotLog(name, place, files=list(files), about=folder.about if folder else None)
    log.complaint, log.shifted = came_with(place)
    source = FieldLog(files, log.skips)
    shared: dict[Any, Any] = {}
    rows: dict[int, _Rows] = {}
    for entry in source.entries(progress):
        row = rows.setdefault(entry.life, _Rows())
        if entry.wake is None:
            row.dropped = max(row.dropped, entry.record["dropped"])
        else:
            row.add(row_of(entry.wake, entry.place, shared), entry.data)
    own = source.own
    row = rows.get(own) or _Rows()
    if source.lives:
        log.short = source.lives[own].short
    log.others = [source.told(number) for number in range(len(source.lives)) if number != own]
    log.wakes, log.dropped = row.wakes, row.dropped
    for spot, data in sorted([*row.events, *row.recent]):
        log.kept[spot] = record.read(data)
    times, log.dated, log.jumps = timeline(row.ticks)
    for wake, time_s in zip(log.wakes, times, strict=True):
        wake.time_s = time_s
    if until_s is not None and log.dated and log.wakes and log.wakes[-1].time_s > until_s:
        leave_out(log, until_s)
    find_gaps(log)
    find_pots(log)
    log.doses = doses(log)
    if folder is not None and not folder.problems and log.wakes:
        last = log.kept[log.wakes[-1].place].found
        assert isinstance(last, record.Wake)
        log.otherwise, log.uncommissioned = history(folder, last)
    return log


def leave_out(log: PotLog, until_s: float) -> None:
    """Remove the wakes after that time. Keep the complete records of those that were the last ones
    then.
    """
    kept = [wake for wake in log.wakes if wake.time_s <= until_s]
    log.later, log.wakes = len(log.wakes) - len(kept), kept
    recent = {wake.place for wake in kept[-RECENT:]}
    held: list[Place] = []
    for before, wake in zip([None, *kept], kept, strict=False):
        if notable(wake, before.lockouts if before else NONE):
            held.append(wake.place)
    wanted = recent | set(held[-EVENTS:])
    found = (entry for entry in FieldLog(log.files).entries() if entry.place in wanted)
    log.kept = {entry.place: entry.read for entry in found}


def notable(wake: WakeRow, held: tuple[str, ...]) -> bool:
    """Is this wake's record worth keeping whole? held: the lockouts before it."""
    return bool(wake.trips or wake.lockouts != held or wake.files or wake.host)


def told(log: PotLog) -> list[str]:
    """What was read otherwise than it stands there: mended, skipped, of another life."""
    rows = [*fieldlog.told(log.skips), *log.short.told()]
    rows += [
        f"  left out  another board, or this one before it started afresh: {o}" for o in log.others
    ]
    return [f"{log.title}:", *rows] if rows else []


class _Rows:
    """The rows of one life as they come, and the lines worth keeping whole."""

    def __init__(self) -> None:
        self.wakes: list[WakeRow] = []
        self.ticks: list[Tick] = []
        self.recent: deque[tuple[Place, bytes]] = deque(maxlen=RECENT)
        self.events: deque[tuple[Place, bytes]] = deque(maxlen=EVENTS)
        self.held = NONE
        self.dropped = 0

    def add(self, row: Row, data: bytes) -> None:
        """The next one."""
        wake, vouched, utc_s = row
        before = self.wakes[-1] if self.wakes else None
        asked = (before.sleep_s, before.awake_ms) if before and wake.n == before.n + 1 else None
        self.wakes.append(wake)
        self.ticks.append(tick(wake.cause, wake.slept_s if vouched else None, asked, utc_s))
        self.recent.append((wake.place, data))
        if notable(wake, self.held):
            self.events.append((wake.place, data))
        self.held = wake.lockouts


def find_gaps(log: PotLog) -> None:
    """Mark every wake before which something is missing, and count missing records."""
    brief = sorted({n for n, _, _ in log.short.wakes})
    for before, wake in pairwise(log.wakes):
        if wake.n > before.n + 1:
            briefly = [n for n in brief if before.n < n < wake.n]
            log.missing += wake.n - before.n - 1 - len(briefly)
        away_s = wake.time_s - before.time_s
        wake.gap = wake.n != before.n + 1 or away_s > 1.2 * before.sleep_s + 3600


def find_pots(log: PotLog) -> None:
    """What was in force in each wake, from the files kept beside the log."""
    keep = logs.InForce(log.files[0].parent) if log.files else None
    known: dict[tuple[str, str], fields.Values | None] = {}
    for wake in log.wakes:
        if wake.ids in log.pots or keep is None:
            continue
        values = []
        for kind, identity in zip(("settings", "limits", "calibration"), wake.ids, strict=True):
            if (kind, identity) not in known:
                known[kind, identity] = load(keep, kind, identity)
            values.append(known[kind, identity])
        settings, limits, calibration = values
        whole_pot = None
        if settings and limits and calibration:
            whole_pot = fields.Pot(settings, limits, calibration, wake.core)
        log.pots[wake.ids] = whole_pot


def load(keep: logs.InForce, kind: str, identity: str) -> fields.Values | None:
    """One of the three files by its id; "" stands for the safe defaults."""
    if identity == "":
        return fields.Values(kind)
    return record.values_of(kind, keep(identity))


def doses(log: PotLog) -> list[Dose]:
    """The waterings of a log, in order, each with the soil's answer."""
    found: list[Dose] = []
    for wake in log.wakes:
        if wake.ran_ms:
            if wake.phase == "idle" or not found:
                found.append(
                    Dose(wake.time_s, wake.n, wake.kind, wake.dose_ul, before_ppt=wake.soil_ppt)
                )
            dose = found[-1]
            dose.given_ul += wake.delivered_ul
            dose.ran_ms += wake.ran_ms
            dose.pulses += 1
            dose.trips += wake.trips
        elif found and wake.soil_ppt is not None and wake.time_s - found[-1].time_s < 90000:
            found[-1].peak_ppt = max(found[-1].peak_ppt or 0, wake.soil_ppt)
    return found


def lockout_spans(log: PotLog) -> list[tuple[str, float, float, bool]]:
    """(name, from, to, still in force) of every lockout, in order of beginning."""
    return spans_of(log, "lockouts")


def spans_of(log: PotLog, member: str) -> list[tuple[str, float, float, bool]]:
    """(name, from, to, still so) of each of the wakes' "lockouts" or "needs", by beginning."""
    found: list[tuple[str, float, float, bool]] = []
    begun: dict[str, float] = {}
    held: tuple[str, ...] = ()
    for wake in log.wakes:
        now: tuple[str, ...] = getattr(wake, member)
        if now != held:
            for name in held:
                if name not in now:
                    found.append((name, begun.pop(name), wake.time_s, False))
            for name in now:
                begun.setdefault(name, wake.time_s)
            held = now
    found += [(name, start, log.wakes[-1].time_s, True) for name, start in begun.items()]
    return sorted(found, key=lambda row: row[1])


def refill_of(pot: fields.Pot) -> int:
    """The refill point, in parts per thousand."""
    return int(refill_ppt(pot.settings, pot.calibration))


def start_of(pot: fields.Pot) -> int:
    """The tank content below which no run starts, in millilitres: see `wakecore.judge.Facts`."""
    settings, limits = pot.settings, pot.limits
    reserve = max(settings.reserve_ml, limits.reserve_ml)
    return int(reserve + (1 if pot.calibration.float_only else settings.pulse_ml))


def target_of(pot: fields.Pot) -> int:
    """What a dose fills to, in parts per thousand."""
    return int(target_ppt(pot.settings, pot.calibration))


def pot_folder(place: Path) -> description.PotFolder | None:
    """The pot's folder that the log lies in, if it does."""
    folder = place if place.is_dir() else place.parent
    for path in (folder, folder.parent):
        if (path / "pot.toml").is_file():
            return pots.load(path)
    return None


def history(folder: description.PotFolder, last: record.Wake) -> tuple[str, str]:
    """(settings that the pot obeys otherwise than settings.toml says, why its stage does not count
    on its board), in words; "" where there is nothing of that, or no board is known.

    last: the newest wake of its log.
    """
    try:
        found = obeyed.by_log(folder, last)
        board = board_id(folder.path)
    except BadInput as error:
        return f"not known: {error}", ""
    why = "" if board is None else stage.standing(folder, board).text
    return found.text if found is not None else "", why


def names(places: Iterable[Path]) -> list[str]:
    """A short name for each place, no two alike, safe as a file's name."""
    found: list[str] = []
    taken: Counter[str] = Counter()
    for place in places:
        own = place
        while own.name in ("logs", "log") and own.parent != own:
            own = own.parent
        name = own.resolve().name
        for suffix in logs.SUFFIXES:
            name = name.removesuffix(suffix)
        name = "".join(c if c.isalnum() or c in "-_" else "-" for c in name).strip("-")[:60]
        name = name or "pot"
        key = os.path.normcase(name).casefold()
        taken[key] += 1
        found.append(name if taken[key] == 1 else f"{name}-{taken[key]}")
    return found
