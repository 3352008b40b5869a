"""A board's state on one screen."""

from __future__ import annotations

from itertools import islice
from pathlib import Path
from typing import Any

from wakecore import rules
from wakecore.state import PHASES, from_bytes
from wakewell.log.logs import printable
from wakewell.log.record import Brief, Wake
from wakewell.replay.verdicts import LOCKOUT_RULES, LOCKOUT_WAYS
from wakewell.usb.link import MOST_SAID, Link
from wakewell.usb.pull import POT, last_records, listed

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


def words(link: Link, path: str, absent: str) -> str:
    """A small text file of the board on one line."""
    data = link.read(path)
    return absent if data is None else printable(data.decode(errors="replace").strip(), MOST_SAID)


def screen(link: Link, folder: Path) -> list[str]:
    """A board's state in words."""
    identity = link.identity
    version = words(link, "/code/in-force", "none")
    good, boots = words(link, "/code/good", "none yet"), words(link, "/boots", "0")
    error = (link.read("/error.txt") or b"").decode(errors="replace").strip()
    state = newest_state(link)
    wakes = last_wakes(link)
    lines = [
        f"{folder.name}: board {identity.unique_id}, {printable(identity.machine)}",
        f"  interpreter  MicroPython {'.'.join(str(n) for n in identity.version)}, "
        f"{identity.free_bytes // 1024} KiB free",
        f"  version      {version}; last good {good}; {boots} boots not finished",
    ]
    told = [wake for wake in wakes if isinstance(wake, Wake)]
    if told:
        values, judged = told[0].values, told[0].judged
        for name, probe, value, unit in (
            ("battery", "battery", values.battery_mv, "mV"),
            ("tank", "level", values.level_ml, "ml"),
            ("soil", "soil", values.soil_ppt, "parts per thousand"),
        ):
            word = judged[probe]
            lines.append(
                f"  {name:<12} {'implausible: ' + word if value is None else value} "
                f"{'' if value is None else unit}".rstrip()
            )
    else:
        lines.append("  readings     none yet: it has finished no wake")
    if state is None:
        lines.append("  state        none: it will start locked out")
    else:
        lines.append(f"  state        {PHASES[state.phase]}, wake {state.wakes} is next")
        for name in rules.latched(state):
            lines.append(
                f"  lockout      {name} ({LOCKOUT_RULES[name]}), ends {LOCKOUT_WAYS[name]}"
            )
        if state.open_ms:
            lines.append("  pulse        begun and not ended: the next wake counts it in full")
    for wake in wakes:
        cause = wake.begin.cause
        if isinstance(wake, Brief):
            lines.append(f"  wake {wake.n:<7} {cause}, its record shortened: memory was short")
            continue
        what = f"pulse of {wake.ran_ms} ms" if wake.run else "no pulse"
        trips = ", trip " + ", ".join(wake.trips) if wake.trips else ""
        needs = ", needs: " + ", ".join(wake.needs) if wake.needs else ""
        lines.append(f"  wake {wake.n:<7} {cause}, {what}{trips}{needs}")
    if error:
        lines.append(f"  last error   {printable(error.splitlines()[-1], MOST_SAID)}")
    return lines
