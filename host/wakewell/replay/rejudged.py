"""Recorded wakes played with another core or other files: what would these have decided?

Each wake is played from two states. From the recorded one: only this wake's own decision can
differ, whatever other water the core would have given before. And from the core's own, carried on
from wake to wake for as long as it decides as was recorded: a count that it forgives bit by bit
shows at the wake where the recorded one led to something. After a wake that differs the core's own
state begins anew from the recorded one, so that a consequence is not shown as a decision.

The record holds the recorded state as a hash. The state itself is known at every snapshot, and
at every wake where the core that made the record is at hand (`States`). In between it is the
state this core made, with what the records tell of the recorded one put right. Where a record
begins with a state that none before it ended with (a pulse begun and never recorded, a lost
record), it is not known until the next snapshot, and those wakes are told as not played.
"""

from __future__ import annotations

import contextlib
import struct
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, BinaryIO

from wakeboard.store import state_from_snapshot
from wakecore import fields, plan, rules
from wakecore.number import add_capped, clamp
from wakecore.state import (
    IDLE,
    PHASES,
    SOAK,
    UNKNOWN,
    State,
    deliver,
    from_bytes,
    from_numbers,
    pass_time,
)
from wakewell.core import core_id
from wakewell.errors import BadInput
from wakewell.log import logs, parcel
from wakewell.log.commanded import CommandedSleep, sleep_of
from wakewell.log.fieldlog import FieldLog
from wakewell.log.logs import InForce, Record
from wakewell.log.record import Brief, form_of, wake_of
from wakewell.portable.replayed import Player, why_unplayable
from wakewell.replay import changes
from wakewell.replay.changes import Change

Known = Callable[[str], bytes | None]  # the stored form of the state with that CRC, if known
CRC_SIZE = 8
WIDEST_PPT = next(row[2] for row in fields.LIMITS if row[0] == "clock_ppt")
# What a record of a wrong form can raise on its way through the core.
STUMBLES = (
    KeyError,
    TypeError,
    ValueError,
    IndexError,
    AttributeError,
    OverflowError,
    RecursionError,
    struct.error,
)


class States:
    """The states of a log by their CRC, by the same core that made the log: the CRC proves each.

    A log is fed record by record, as to a player. `keep` bounds how many are remembered.
    """

    def __init__(self, in_force: Any, core: str, keep: int) -> None:
        self.player = Player(in_force)
        self.core, self.keep = core, keep
        self.found: dict[str, bytes] = {}  # by CRC, the oldest first

    def feed(self, record: Record) -> None:
        """Play one more record, if this core made it."""
        player = self.player
        if record["kind"] == "wake" and record.get("core") != self.core:
            player.state = player.snapshot = None
            return
        with contextlib.suppress(*STUMBLES):  # the replay says what is wrong with it
            if record["kind"] == "state":
                player.feed(record)
                return
            pot, _ = player.pot(record)
            if why_unplayable(record) and record["state"] == record["before"]:
                return
            state = player.begun_with(record)
            player.snapshot = player.state = None
            if pot is None or state is None or why_unplayable(record):
                return
            self._note(state)
            player.play(record, state, pot)
            if state.crc == record["state"]:
                self._note(state)

    def _note(self, state: Any) -> None:
        crc = state.crc
        self.found[crc] = state.to_bytes()
        state.crc = crc  # a state of an older form keeps its own
        if len(self.found) > self.keep:
            del self.found[next(iter(self.found))]

    def __call__(self, crc: str) -> bytes | None:
        """The stored form of the state with that CRC, if it is remembered."""
        return self.found.get(crc)


def write_states(file: BinaryIO, found: dict[str, bytes]) -> None:
    """Write states for another process to read."""
    for crc, data in found.items():
        file.write(crc.encode() + len(data).to_bytes(4, "little") + data)


def keep_states(paths: list[Path], out: Path) -> None:
    """Write down the states of all logs there that this core made, for another core to begin with.

    What cannot be read is left to the replay itself to tell.
    """
    with out.open("wb") as file, contextlib.suppress(BadInput), parcel.opened(paths) as folders:
        for path in folders:
            for _, files in [] if path.suffix == ".toml" else logs.find_logs(path):
                lives: dict[int, States] = {}
                for entry in FieldLog(files).entries(brief=True):
                    if entry.life not in lives:
                        in_force = InForce(files[0].parent)
                        lives[entry.life] = States(in_force, core_id(), sys.maxsize)
                    lives[entry.life].feed(entry.record)
                for states in lives.values():
                    write_states(file, states.found)


def read_states(path: Path) -> dict[str, bytes]:
    """What `write_states` wrote into that file."""
    found = {}
    with path.open("rb") as file:
        while crc := file.read(CRC_SIZE):
            size = int.from_bytes(file.read(4), "little")
            found[crc.decode()] = file.read(size)
    return found


class Rejudge:
    """Feeds a log to this core, record by record, as the top of this file says.

    player: of the recorded line, also in use for wakes that this core made itself.
    wishes: other settings are asked about (see `changes.judge`).
    """

    def __init__(self, player: Player, known: Known, wishes: bool = False) -> None:
        self.player, self.known, self.wishes = player, known, wishes
        self.own = Player(player.in_force, exact=False)
        self.own.asked = player.asked
        self.carried = False  # does the core's own state still stand for what was recorded?
        self.last: tuple[Record, Record, State] | None = None

    def snapshot(self, record: Record) -> None:
        """Take a snapshot."""
        self.own.snapshot = state_from_snapshot(record)

    def passed(self) -> None:
        """A wake was played elsewhere: begin again from the state that it left."""
        self.carried, self.last = False, None
        self.own.state = None

    def feed(self, record: Record) -> tuple[Record | None, str, list[Change]]:
        """(record made from the recorded state or None, why not, all that changed)."""
        player = self.player
        pot, why = player.pot(record)
        if pot is None:
            self.passed()
            return None, why, []
        why = why_unplayable(record)
        if form_of(record) is Brief or why:
            self.passed()
            if record["state"] != record["before"]:
                player.snapshot = player.state = None
            return None, why or "memory was short and its decisions were left out", []
        exact = self.steer(record)
        state = player.begun_with(record)
        player.snapshot = player.state = None
        if state is None:
            self.passed()
            return None, "the state it began with is not known", []
        own = self.own.begun_with(record) if self.carried else None
        self.own.snapshot = self.own.state = None
        before, slots = twin(state), player.slots
        made, why = _played(player, record, state, pot)
        if made is None:
            return self._failed(why)
        made_now = made
        told_of = (self.wishes, before.lockouts)
        recorded = wake_of(record)
        found = changes.judge(recorded, wake_of(made), pot, player.outran, *told_of)
        if exact and not any(change.way != changes.OTHER for change in found):
            data = self.known(record["state"]) if self._same_run(record, made) else None
            ended = from_bytes(data) if data else None
            if ended is not None:
                found += changes.forgiven(ended, state)
        agreed = self._same_run(record, made)
        if own is not None and not _alike(own, before):
            own_made, why = _played(self.own, record, own, pot)
            if own_made is None:
                return self._failed(why)
            told = {change.key for change in found}
            more = changes.judge(recorded, wake_of(own_made), pot, self.own.outran, *told_of)
            found += [change for change in more if change.key not in told]
            agreed = agreed and self._same_run(record, own_made)
        else:
            self.own.state, self.own.slots = twin(state), list(player.slots)
            self.own.ended = player.ended
        self.carried = agreed and not any(change.rule for change in found)
        if self.carried and self.own.state is not None:
            # The time that passed is what passed, whatever this core would have slept.
            self.own.state.sleep_s = (
                sleep_of(record["commands"]) or CommandedSleep(0, False)
            ).seconds
        if not self._same_run(record, made) and self.known(record["state"]) is None:
            player.slots = slots  # what the recorded wake stored, not what this core did
            made = self.as_it_was(record, before, pot) or made
            if self.player.state is not None and _is_asked(record) and not _is_asked(made_now):
                # Dry soil by the core that recorded it, though not by this one
                thirst = add_capped(before.thirst, 1, 100)
                self.player.state.thirst, self.player.state.unmet = thirst, 1
        self.last = record, made, before
        return made_now, "", found

    def as_it_was(self, record: Record, before: Any, pot: Any) -> Record | None:
        """Let this core book the recorded pulse, for the state that the next wake began with."""
        state = twin(before)
        if record["plan"]["phase"] == PHASES[SOAK]:
            state.plan_ul = record["plan"]["dose_ul"]
        with decided_as(record):
            return _played(self.player, record, state, pot)[0]

    def _failed(self, why: str) -> tuple[None, str, list[Change]]:
        self.passed()
        return None, why, [Change(changes.WEAKER, "R13", "core", why)]

    def _same_run(self, record: Record, made: Record) -> bool:
        """The same wish for water, and the same pulse?"""
        wish, wished = (r["plan"]["kind"] for r in (record, made))
        return bool(wish == wished and changes.runs(record) == changes.runs(made))

    def steer(self, record: Record) -> bool:
        """Give the player the recorded state, exactly (True) or as far as it can be told."""
        player = self.player
        data = self.known(record["before"])
        state = from_bytes(data) if data else None
        if state is None and player.snapshot is not None:
            state = player.snapshot if player.snapshot.crc == record["before"] else None
        if state is not None:
            player.snapshot, player.state, player.ended = twin(state), state, record["before"]
            player.slots = player.slots or [(-1, record["before"], state.to_bytes())]
            return True
        if self.last is not None and player.state is not None:
            put_right(player.state, *self.last, record)
        return False


def _played(player: Player, record: Record, state: Any, pot: Any) -> tuple[Record | None, str]:
    """(what this core makes of a wake, ""), or None and how it failed: another may in any way."""
    try:
        made = player.play(record, state, pot)
        if made is not None:
            wake_of(made)  # it must have the form of a record
        return made, ""
    except Exception as error:
        return None, f"this core fails: {type(error).__name__}: {error}"


@contextlib.contextmanager
def decided_as(record: Record) -> Iterator[None]:
    """Meanwhile the core decides about the pump as was recorded, and books what comes of it.

    For one thread at a time.
    """
    was = plan.demand, plan.is_target_reached, plan.pulse_ms, rules.judge_permissives
    kind, dose_ul, ms = record["plan"]["kind"], record["plan"]["dose_ul"], changes.run_ms(record)
    kind = plan.KINDS.index(kind) if kind in plan.KINDS else plan.NONE
    plan.demand = lambda facts, state, pot: (kind, dose_ul)
    plan.is_target_reached = lambda kind, soil_ppt, pot: False
    plan.pulse_ms = lambda plan_ul, facts, pot: ms
    rules.judge_permissives = lambda f: (dict(record["permissives"]), ms > 0)
    try:
        yield
    finally:
        plan.demand, plan.is_target_reached, plan.pulse_ms, rules.judge_permissives = was


def _is_asked(record: Record) -> bool:
    """Did dry soil ask for the dose of that wake?"""
    return record["plan"]["kind"] in {plan.KINDS[kind] for kind in plan.FOR_DRY_SOIL}


def twin(state: Any) -> Any:
    """A copy of the state."""
    copy = from_numbers(state.numbers())
    assert copy is not None, "the numbers of a state are those of one"
    copy.crc = state.crc
    return copy


def _alike(one: Any, other: Any) -> bool:
    """Are they the same, except for the number of the write?"""
    kept, one.seq = one.seq, other.seq
    same = one.numbers() == other.numbers()
    one.seq = kept
    return bool(same)


def put_right(state: Any, last: Record, made: Record, before: Any, record: Record) -> None:
    """Make of the state that `made` ended with what the records tell of the recorded one.

    last: the recorded wake behind `made`, which began with `before`. record: the wake after it.
    """
    sleep = sleep_of(last["commands"]) or CommandedSleep(0, False)
    state.sleep_s = sleep.seconds
    state.button_masked = int(not sleep.button)
    state.reporting = int("report" in last["commands"])
    locked = sum({rules.BITS[name] for name in last["lockouts"] if name in rules.BITS})
    rules.clear(state, before.lockouts & ~locked)  # ended, so that what led to it is forgotten
    state.lockouts = locked  # what this core latched by itself is not, but its counts stay
    phase = record["plan"]["phase"]
    phase = PHASES.index(phase) if phase in PHASES else IDLE
    if changes.runs(last) != changes.runs(made):
        # Other water: what this core expected of its own is not asked of the recorded one.
        begin = last["begin"]
        passed_s = clamp(begin["slept_s"], 0, before.sleep_s) if begin["vouched"] else 0
        pass_time(before, passed_s, WIDEST_PPT)
        state.ages_s, state.mls = list(before.ages_s), list(before.mls)
        state.place_s, state.unanswered_ul = before.place_s, before.unanswered_ul
        state.tries, state.tried_ppt = before.tries, before.tried_ppt
        state.since_dose_s = before.since_dose_s
        state.look_ml = state.before_ppt = state.peak_ppt = UNKNOWN
        state.open_ms = state.given_ul = state.proof_pulses = state.proof_ul = 0
        counted_ml = last["water"].get("counted_ml") or 0
        if counted_ml:
            deliver(state, counted_ml)
            state.since_dose_s = 0
            state.unanswered_ul += last["water"].get("given_ul") or 0
        state.pulses = max(1, state.pulses)
        kind = record["plan"]["kind"]
        if phase == SOAK and kind in plan.KINDS:
            state.plan_kind = plan.KINDS.index(kind)
            state.plan_ul = record["plan"]["dose_ul"] or 0
    if phase == IDLE:
        state.plan_ul = 0
    state.phase = phase
