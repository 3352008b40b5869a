"""A sequence cut from a field log: a fault seen in the field becomes a test.

Everything a record says went into the core stands in the sequence, in raw counts and
sample by sample, and what was decided then is what is expected now. The person who cuts
it then corrects the expectations to what should have happened.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any

from wakeboard.store import state_from_snapshot
from wakecore import fields, line, rules, run, state
from wakewell.sequences.sequence_file import (
    MOST_WAKES,
    RULES,
    UNIT_KEYS,
    SequenceError,
    SequenceReader,
)
from wakewell.tomlfile import show

REQUIREMENT = {
    **{row[0]: row[1] for row in run.TRIPS},
    **{row[0]: row[1] for row in (*rules.LOCKOUTS, *rules.PERMISSIVES)},
}
ORDER = {row[0]: number for number, row in enumerate(rules.PERMISSIVES)}


def cut(
    records: Iterable[Mapping[str, Any]],
    snapshot: Mapping[str, Any],
    files: Mapping[str, bytes],
    first: int,
    last: int,
    title: str = "",
) -> str:
    """The TOML of the wakes numbered first to last, with what was decided as expectation.

    records: wakes and snapshots as in a log, at least those numbered first to last, in
    order. snapshot: the record of the state that wake `first` began with. files: the
    stored lines in force, by kind. Raises SequenceError, one line, if a wake is missing,
    if the files changed on the way, if the state is not the one the wake began with, or if a
    record holds what no sequence may.
    """
    if not 0 <= first <= last or last - first >= MOST_WAKES:
        raise SequenceError(
            f"wakes {first} to {last}: allowed: from the lower to the higher, "
            f"at most {MOST_WAKES} of them"
        )
    chosen: list[Mapping[str, Any]] = []
    parts: list[str] = []
    begins: Mapping[str, Any] | None = snapshot
    for record in records:
        if not first <= record["n"] <= last:
            continue
        if record["kind"] == "state":
            begins = record
            continue
        wanted = chosen[-1]["n"] + 1 if chosen else first
        # After a write that failed, or with the older slot, a number comes again.
        again = bool(chosen) and (
            0 in chosen[-1]["stores"] or record["begin"]["state"] == "previous"
        )
        if not wanted - 2 * again <= record["n"] <= wanted:
            raise SequenceError(f"wake {wanted} is not in the log; cut before or after the gap")
        follows = chosen and chosen[-1]["state"] == record["before"]
        if not follows and not _is_of(begins, record):
            raise SequenceError(
                f"the state wake {record['n']} began with is not known; cut after it"
            )
        parts.append("\n".join(_wake(record, None if follows else begins)))
        chosen.append(record)
    if not chosen or chosen[-1]["n"] != last:
        wanted = chosen[-1]["n"] + 1 if chosen else first
        raise SequenceError(f"wake {wanted} is not in the log; cut up to the one before")
    title = title or f"Wakes {first} to {last}, cut from a field log"
    text = "\n\n".join([_head(chosen, files, title), *parts]) + "\n"
    SequenceReader(
        Path(f"wakes {first} to {last}, as a sequence"), text
    ).sequence()  # as replay reads it
    return text


def _is_of(snapshot: Mapping[str, Any] | None, record: Mapping[str, Any]) -> bool:
    """Is this the state that the record's wake began with?"""
    found = state_from_snapshot(snapshot) if snapshot is not None else None
    return found is not None and found.crc == record["before"]


def _head(chosen: list[Mapping[str, Any]], files: Mapping[str, bytes], title: str) -> str:
    """What stands above the wakes: the files in force, and the requirements cited."""
    pot = []
    for kind in fields.KINDS:
        named = {record[kind]: record["n"] for record in reversed(chosen) if record[kind]}
        if len(named) > 1:
            raise SequenceError(
                f"the {kind} changed at wake {max(named.values())}; cut before it or from it on"
            )
        data = files.get(kind, b"")
        for identity in named:
            if line.identity(data) != identity:
                raise SequenceError(f"the {kind} {identity} of these wakes is missing")
        pot.append(f"{kind} = {toml_value(data.decode())}")
    cited = {rule for record in chosen for rule, _ in _decided(record)}
    return "\n".join(
        [
            f"title = {toml_value(title)}",
            f"rules = {toml_value(sorted(cited, key=RULES.index))}",
            f"core = {toml_value(chosen[0]['core'])}",
            "",
            "[pot]",
            *pot,
        ]
    )


def _wake(record: Mapping[str, Any], snapshot: Mapping[str, Any] | None) -> Iterator[str]:
    """The rows of one wake."""
    yield f"# wake {record['n']} of the log"
    yield "[[wake]]"
    begin = dict(record["begin"])
    for name in ("pin", "vouched"):
        begin[name] = bool(begin[name])
    for name in sorted(begin):
        yield f"{name} = {toml_value(begin[name])}"
    yield from _readings({**record["read"], "battery": record["rest"]})
    yield f"stores = {toml_value([bool(good) for good in record['stores']])}"
    yield f"awake_ms = {record['awake_ms']}"
    if snapshot is not None:
        yield "[wake.retained]"
        for name in ("ages_s", "mls"):
            yield f"{name} = {toml_value(snapshot[name])}"
        for name, _, _, start in state.FIELDS:
            yield f"{name} = {snapshot['fields'].get(name, start)}"
    if "run" in record:
        samples = {name: counts for name, counts in record["run"].items() if name != "ran_ms"}
        yield "[wake.run]"
        yield f"ran_ms = {record['run']['ran_ms']}"
        yield "[wake.run.samples]"
        for name, counts in samples.items():
            yield f"{name} = {toml_value(counts)}"
        yield "[wake.after]"
        yield from _readings(record["after"])
    for rule, wanted in _decided(record):
        yield "[[wake.expect]]"
        yield f"rule = {toml_value(rule)}"
        for name, value in wanted.items():
            yield f"{name} = {toml_value(value)}"


def _readings(found: Mapping[str, Any]) -> Iterator[str]:
    for probe in UNIT_KEYS:
        if probe in found:
            reading = found[probe]
            if reading is None:
                yield f'{probe}_counts = "absent"'
            else:
                yield f"{probe}_counts = {reading[0]}"
                yield f"{probe}_spread = {reading[1]}"


def _decided(record: Mapping[str, Any]) -> Iterator[tuple[str, dict[str, Any]]]:
    """What was decided then, under the requirement that speaks of it."""
    unheld = [name for name, held in record["permissives"].items() if not held]
    blocked = sorted(unheld, key=lambda n: ORDER.get(n, len(ORDER)))  # a line has them by name
    for name in (*blocked, *record["trips"], *record["lockouts"]):
        if name not in REQUIREMENT:
            raise SequenceError(
                f"wake {record['n']}: {show(name)} is of another core; cut it with that core's own "
                "wakewell"
            )
    yield "R13", {"commands": record["commands"]}
    yield (
        REQUIREMENT[blocked[0]] if blocked else "R1",
        {"blocked": blocked, "needs": record["needs"]},
    )
    for name in ("trips", "lockouts"):
        found = record[name]
        yield REQUIREMENT[found[0]] if found else "R9", {name: found}
    yield "R3", {"day_ml": record["water"]["day_ml"]}
    yield "R6", {probe: record["judged"][probe] for probe in UNIT_KEYS if probe in record["judged"]}


def toml_value(value: Any) -> str:
    """A value as TOML: JSON is the same for what occurs here, except for invisible characters,
    which are written as TOML writes them, and except for tables.
    """
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{key} = {toml_value(one)}" for key, one in value.items()) + " }"
    text = json.dumps(value, ensure_ascii=False)
    if text.isprintable():
        return text
    return "".join(c if c.isprintable() else f"\\U{ord(c):08x}" for c in text)
