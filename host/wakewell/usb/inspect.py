"""`wakewell inspect` and `wakewell clear`: a board's state on one screen, and a lockout's end."""

from __future__ import annotations

import argparse
import sys
from itertools import islice
from pathlib import Path
from typing import Any

from wakecore import rules
from wakecore.state import PHASES, from_bytes
from wakewell.errors import BadInput
from wakewell.log.logs import printable
from wakewell.log.record import Brief, Wake
from wakewell.pot import pot_folder
from wakewell.replay.verdicts import LOCKOUT_RULES, LOCKOUT_WAYS
from wakewell.usb.flash import check_belongs, check_board, match_ports, progress
from wakewell.usb.link import MOST_SAID, Link, connect
from wakewell.usb.pull import POT, Pulled, last_records, leave, listed

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
                f"  {name:<12} {'not believed: ' + word if value is None else value} "
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


def arguments(parser: argparse.ArgumentParser) -> None:
    """The options of `inspect`."""
    parser.add_argument("pot", metavar="POT", help="folder of the pot")
    parser.add_argument("--port", action="append", default=[], help="serial port of its board")
    parser.add_argument("--wait", type=float, default=None, metavar="S", help="wait for the board")
    parser.add_argument("--clear", metavar="LOCKOUT", help="end this lockout at the next wake")
    parser.add_argument("--seen-to", metavar="TEXT", help="what the cause was and what was done")
    parser.epilog = "exit codes: 0 shown; 1 a lockout is in force; 2 not reached"


def run(args: argparse.Namespace) -> int:
    """The command. Returns its exit code."""
    folder = Path(args.pot)
    if not folder.is_dir():
        raise BadInput(f"{folder}: no such folder; give the folder of a pot")
    pot_folder.load(folder)
    port = match_ports([folder], args.port, True)[0][1]
    with connect(port, progress, **({} if args.wait is None else {"wait_s": args.wait})) as link:
        check_board(link, folder)
        check_belongs(link, folder)
        print(*screen(link, folder), sep="\n")
        state = newest_state(link)
        locked = rules.latched(state) if state is not None else []
        try:
            if args.clear:
                clear(link, locked, args)
        finally:  # an order that is refused keeps nobody's board awake
            leave(link, folder / "logs", Pulled(folder.name))
    return 1 if locked else 0


def clear(link: Link, locked: list[str], args: argparse.Namespace) -> None:
    """Ask for the cause to be seen to, then leave the order for the next wake."""
    if args.clear not in locked:
        raise BadInput(f"{args.clear!r} is not in force; in force: {', '.join(locked) or 'none'}")
    seen_to = args.seen_to
    if not seen_to and sys.stdin.isatty():
        print(f"A lockout protects somebody's floor, cell or plant. {args.clear}: what was the")
        seen_to = input("cause, and what was done about it? ").strip()
    if not seen_to:
        raise BadInput(
            f"{args.clear}: not cleared: see to the cause first, then say what it was with "
            "--seen-to 'hose end raised above the water, check valve fitted'"
        )
    link.replace(f"{POT}/host.json", repr([f"clear {args.clear}"]).replace("'", '"').encode())
    print(f"  {args.clear}: will end at the next wake")
