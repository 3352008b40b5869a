"""What came of a sequence, compared with what it expects.

Here belongs what each key of an expectation looks at and how a failure is told. The
judgement is on what the board was asked to do and what really happened to the water, not
only on what the core says about itself.
"""

from __future__ import annotations

import shlex
from collections import deque
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from wakewell.log.commanded import sleep_of
from wakewell.sequences.sequence_file import UNIT_KEYS, Expectation, Sequence

DAY_S = 86400
MOST_TOLD = 5  # wakes in a failure's table
Out = Mapping[str, Any]  # what `portable.mock.play` gives for one wake


@dataclass(frozen=True)
class Failure:
    """One expectation that was not met. wake: counted from 1, None for a total."""

    path: Path
    line: int
    wake: int | None
    rule: str
    expected: str
    found: str
    readings: str

    @property
    def command(self) -> str:
        """The command that replays the sequence."""
        return f"wakewell replay {shlex.quote(str(self.path))}"

    def __str__(self) -> str:
        where = "over all wakes" if self.wake is None else f"wake {self.wake}"
        rows = [
            f"{self.path}:{self.line}: {where}: {self.rule} is not kept",
            f"  expected  {self.expected}",
            f"  found     {self.found}",
        ]
        if self.readings:
            rows += ["  the wakes before it:", self.readings]
        return "\n".join([*rows, f"  replay it:  {self.command}"])


def judge(sequence: Sequence, outputs: Iterable[Out]) -> list[Failure]:
    """Every expectation that was not met, each at the first wake where it was not."""
    failures: list[Failure] = []
    done: set[int] = set()
    last: deque[tuple[int, Out]] = deque(maxlen=MOST_TOLD)
    totals = Totals()
    every = [e for e in sequence.overall if e.scope != "total"]

    def fail(wake: int | None, expectation: Expectation, expected: str, found: str) -> None:
        done.add(id(expectation))
        rows = table(last) if wake is not None else ""
        rule, line = expectation.rule, expectation.line
        failures.append(Failure(sequence.path, line, wake, rule, expected, found, rows))

    number = 0
    for number, out in enumerate(outputs, 1):
        last.append((number, out))
        totals.add(out)
        seen = facts(out)
        for expectation in (*sequence.wakes[number - 1], *every):
            if id(expectation) in done:
                continue
            wanted = expectation.wanted
            if expectation.scope == "never":
                if all(name in seen and holds(name, wanted[name], seen) for name in wanted):
                    told = "never " + " and ".join(say(n, wanted[n]) for n in wanted)
                    fail(number, expectation, told, found_for(wanted, seen))
                continue
            for name, value in wanted.items():
                if base(name) not in seen:
                    if expectation.scope == "always":
                        continue
                    fail(number, expectation, say(name, value), "the wake never reached its log")
                    break
                if not holds(name, value, seen):
                    fail(number, expectation, say(name, value), found_for([name], seen))
                    break
    if number != len(sequence.wakes):
        missing = Expectation("R13", {}, 1)
        fail(None, missing, f"{len(sequence.wakes)} wakes", f"{number} wakes")
    seen = totals.facts()
    for expectation in sequence.overall:
        for name, value in expectation.wanted.items() if expectation.scope == "total" else ():
            if not holds(name, value, seen):
                fail(None, expectation, say(name, value), found_for([name], seen))
                break
    return failures


def facts(out: Out) -> dict[str, Any]:
    """What one wake shows, by the name an expectation uses. Without a record there is less."""
    events = out["events"]
    record = out["record"]
    seen: dict[str, Any] = {
        "pump": int("on" in events),
        "logged": int(record is not None),
        "ran_ms": out["ran_ms"],
        "pumped_ml": ml(out["pumped_ul"]),
        "events": events,
        "order": events,
    }
    seen.update(out.get("shown", {}))  # by a whole board
    if record is None:
        return seen
    commands = record["commands"]
    sleep = sleep_of(commands)
    assert sleep is not None, "every wake of the core ends in sleep (R13)"
    seen |= {
        "pulse_ms": record["plan"]["pulse_ms"],
        "dose_ml": ml(record["plan"]["dose_ul"]),
        "kind": record["plan"]["kind"],
        "phase": record["plan"]["phase"],
        "sleep_s": sleep.seconds,
        "button": int(sleep.button),
        "day_ml": record["water"]["day_ml"],
        "counted_ml": record["water"].get("counted_ml", 0),
        "metered_ml": (record["water"].get("metered_ul") or 0) // 1000,
        "blocked": [name for name, held in record["permissives"].items() if not held],
        "commands": commands,
    }
    for name in ("trips", "lockouts", "needs", "stores"):
        seen[name] = record[name]
    for name in UNIT_KEYS:
        seen[name] = record["judged"].get(name, "unfitted")
    seen.update(record["values"])
    told = record.get("told", {})
    seen.update({UNIT_KEYS[name]: value for name, value in told.items() if name in UNIT_KEYS})
    return seen


class Totals:
    """What all wakes together come to. Water and time are what really happened."""

    def __init__(self) -> None:
        self.pulses = self.pumped_ul = self.ran_ms = self.logged = self.resets = self.wakes = 0
        self.now_s = self.within_ul = self.most_ul = 0
        self.recent: deque[tuple[int, int]] = deque()

    def add(self, out: Out) -> None:
        """One more wake."""
        self.wakes += 1
        self.pulses += "on" in out["events"]
        self.resets += "reset" in out["events"]
        self.logged += out["record"] is not None
        self.pumped_ul += out["pumped_ul"]
        self.ran_ms += out["ran_ms"]
        self.now_s += out["passed_s"]
        self.recent.append((self.now_s, out["pumped_ul"]))
        self.within_ul += out["pumped_ul"]
        while self.recent[0][0] <= self.now_s - DAY_S:
            self.within_ul -= self.recent.popleft()[1]
        self.most_ul = max(self.most_ul, self.within_ul)

    def facts(self) -> dict[str, Any]:
        """By the name a total uses."""
        return {
            "pulses": self.pulses,
            "pumped_ml": ml(self.pumped_ul),
            "ran_ms": self.ran_ms,
            "most_24h_ml": ml(self.most_ul),
            "logged": self.logged,
            "resets": self.resets,
            "wakes": self.wakes,
        }


def ml(ul: int) -> int:
    """Millilitres, rounded up: never less water than there was."""
    return -(-ul // 1000)


def base(name: str) -> str:
    """What a key looks at: `trips` for `trips_has`."""
    return name.removesuffix("_has").removesuffix("_lacks")


def holds(name: str, wanted: Any, seen: Mapping[str, Any]) -> bool:
    """Is it so?"""
    if base(name) not in seen:
        return False
    found = seen[base(name)]
    if name.endswith("_has"):
        return all(one in found for one in wanted)
    if name.endswith("_lacks"):
        return not any(one in found for one in wanted)
    if name == "order":
        rest = iter(found)
        return all(one in rest for one in wanted)
    if isinstance(wanted, tuple):
        return found is not None and wanted[0] <= found <= wanted[1]
    return found in wanted if name in UNIT_KEYS else bool(found == wanted)


def say(name: str, wanted: Any) -> str:
    """An expectation as in the file, or nearly so."""
    if isinstance(wanted, tuple):
        least, most = wanted
        if least == most:
            return f"{name} = {least}"
        if least == -((1 << 30) - 1):
            return f"{name} at most {most}"
        return f"{name} at least {least}" if most == (1 << 30) - 1 else f"{name} {least} to {most}"
    return f"{name} = {plain(name, wanted)}"


def plain(name: str, value: Any) -> str:
    """A value in the words of the file."""
    if value is None:
        return "none"
    if name in ("pump", "button") or (name == "logged" and value in (0, 1)):
        return "true" if value else "false"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(str(one) for one in value) + "]"
    return str(value)


def found_for(names: Iterable[str], seen: Mapping[str, Any]) -> str:
    """What was found instead."""
    return ", ".join(f"{base(n)} = {plain(base(n), seen.get(base(n)))}" for n in names)


COLUMNS = (
    "wake",
    "cause",
    "slept_s",
    "soil",
    "level_ml",
    "battery_mv",
    "plan",
    "ran_ms",
    "sleep_s",
)


def table(wakes: Iterable[tuple[int, Out]]) -> str:
    """The last wakes, one a row: what was read, what was done; trips and lockouts at its end."""
    rows = [[*COLUMNS, "trips and lockouts"]]
    for number, out in wakes:
        record = out["record"]
        if record is None:
            told = f"{' '.join(out['events'])}"
            rows.append([str(number), *["-"] * 6, str(out["ran_ms"]), "-", told])
            continue
        values, judged = record["values"], record["judged"]
        cells = [number, record["begin"]["cause"], record["begin"]["slept_s"]]
        for probe in ("soil", "level", "battery"):
            value = values[UNIT_KEYS[probe]]
            cells.append(judged[probe] if value is None else value)
        seen = facts(out)
        cells += [f"{seen['kind']} {seen['pulse_ms']}", out["ran_ms"], seen["sleep_s"]]
        cells.append(", ".join([*record["trips"], *record["lockouts"]]) or "none")
        rows.append([str(cell) for cell in cells])
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    return "\n".join(
        "    "
        + "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()
        for row in rows
    )
