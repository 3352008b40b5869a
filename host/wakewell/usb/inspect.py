"""A board's state on one screen."""

from __future__ import annotations

import json
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import Any

from wakecore import rules
from wakecore.state import PHASES, from_bytes
from wakewell import units
from wakewell.log.logs import printable
from wakewell.log.record import Brief, Wake
from wakewell.replay.verdicts import LOCKOUT_RULES, LOCKOUT_WAYS
from wakewell.terminal import Bad
from wakewell.usb.link import MOST_SAID, Identity, Link
from wakewell.usb.pull import POT, last_records, listed
from wakewell.words import PROBE_WORDS, of, task

LAST_WAKES = 5


def newest_state(link: Link) -> Any:
    """The retained state, None if the board has none."""
    found = None
    for slot in ("state.0", "state.1"):
        data = link.read(f"{POT}/{slot}")
        state: Any = from_bytes(data) if data else None
        if state is not None and (found is None or state.seq > found.seq):
            found = state
    return found


def last_wakes(link: Link) -> list[Wake | Brief]:
    """The last few records of the board's log."""
    found: list[Wake | Brief] = []
    for name, _ in reversed(listed(link)[0][-2:]):
        found += islice(last_records(link.read(f"{POT}/log/{name}") or b""), LAST_WAKES)
    return found[:LAST_WAKES]


@dataclass
class Seen:
    """What a board told: its version, its state and its last wakes."""

    identity: Identity
    version: str
    good_version: str
    unfinished_boots: str
    error: str
    state: Any
    wakes: list[Wake | Brief]

    @property
    def locked(self) -> list[str]:
        """The lockouts in force."""
        return rules.latched(self.state) if self.state is not None else []

    @property
    def newest(self) -> Wake | None:
        """The newest wake whose record is whole."""
        return next((wake for wake in self.wakes if isinstance(wake, Wake)), None)


def words(link: Link, path: str, absent: str) -> str:
    """A small text file of the board on one line."""
    data = link.read(path)
    return absent if data is None else printable(data.decode(errors="replace").strip(), MOST_SAID)


def look(link: Link) -> Seen:
    """Read it all from the board."""
    error = (link.read("/error.txt") or b"").decode(errors="replace").strip()
    return Seen(
        link.identity,
        words(link, "/code/in-force", "none"),
        words(link, "/code/good", "none yet"),
        words(link, "/boots", "0"),
        printable(error.splitlines()[-1], MOST_SAID) if error else "",
        newest_state(link),
        last_wakes(link),
    )


def order_clear(link: Link, lockout: str) -> None:
    """Leave the order to end that lockout for the board's next wake."""
    link.replace(f"{POT}/host.json", json.dumps([f"clear {lockout}"]).encode())


def as_json(seen: Seen, folder: Path) -> dict[str, Any]:
    """A board's state for a machine. Its quantities carry their units in their names."""
    newest, state = seen.newest, seen.state
    return {
        "name": folder.name,
        "good": not seen.locked,
        "board": seen.identity.unique_id,
        "machine": seen.identity.machine,
        "free_bytes": seen.identity.free_bytes,
        "version": seen.version,
        "good_version": seen.good_version,
        "unfinished_boots": seen.unfinished_boots,
        "battery_mv": newest.values.battery_mv if newest else None,
        "level_ml": newest.values.level_ml if newest else None,
        "soil_ppt": newest.values.soil_ppt if newest else None,
        "phase": PHASES[state.phase] if state is not None else None,
        "next_wake": state.wakes if state is not None else None,
        "open_pulse": bool(state is not None and state.open_ms),
        "lockouts": seen.locked,
        "wakes": [wake.n for wake in seen.wakes],
        "error": seen.error,
    }


def screen(seen: Seen, folder: Path) -> list[str]:
    """A board's state in words."""
    identity, state = seen.identity, seen.state
    lines = [
        f"{folder.name}: board {identity.unique_id}, {printable(identity.machine)}",
        f"  interpreter  MicroPython {'.'.join(str(n) for n in identity.version)}, "
        f"{identity.free_bytes // 1024} KiB free",
        f"  version      {seen.version}; last good {seen.good_version}; "
        f"{seen.unfinished_boots} boots not finished",
    ]
    if seen.newest is not None:
        values, judged = seen.newest.values, seen.newest.judged
        for name, probe, value, shown in (
            ("battery", "battery", values.battery_mv, units.volts),
            ("tank", "level", values.level_ml, units.water),
            ("soil", "soil", values.soil_ppt, units.soil),
        ):
            text = shown(value) if value is not None else of(PROBE_WORDS, judged[probe]).plain
            lines.append(f"  {name:<12} {text}")
    else:
        lines.append("  readings     none yet: it has finished no wake")
    if state is None:
        lines.append("  state        none: it will start locked out")
    else:
        lines.append(f"  state        {PHASES[state.phase]}, wake {state.wakes} is next")
        for name in seen.locked:
            text = f"  lockout      {name} ({LOCKOUT_RULES[name]}), ends {LOCKOUT_WAYS[name]}"
            lines.append(Bad(text))
        if state.open_ms:
            lines.append("  pulse        begun and not ended: the next wake counts it in full")
    for wake in seen.wakes:
        cause = wake.begin.cause
        if isinstance(wake, Brief):
            lines.append(f"  wake {wake.n:<7} {cause}, its record shortened: memory was short")
            continue
        what = f"pulse of {wake.ran_ms} ms" if wake.run else "no pulse"
        trips = ", trip " + ", ".join(wake.trips) if wake.trips else ""
        needs = ", needs: " + ", ".join(task(need) for need in wake.needs) if wake.needs else ""
        lines.append(f"  wake {wake.n:<7} {cause}, {what}{trips}{needs}")
    if seen.error:
        lines.append(Bad(f"  last error   {seen.error}"))
    return lines
