"""A pot changes its home. Secrets go, calibration stays.

By cable: the log is pulled and verified, then everything of the old home is wiped from the
board (Wi-Fi, broker, key, certificate, log) and seen to be gone. On the host the old log
moves into a folder of its own, private.toml and older ones like it are deleted, and a sheet and a
card are written.
With --new-key the board gets new secrets at once: another key and another code, the same
broker, and no Wi-Fi; its next owner enters that without a cable, as the card says.
"""

from __future__ import annotations

from datetime import date
from pathlib import Path

from wakecore import line
from wakewell import words
from wakewell.errors import BadInput
from wakewell.log import logs
from wakewell.log.logs import printable
from wakewell.log.record import Brief, Wake, as_plain
from wakewell.pot import description, pot_folder, private, stage
from wakewell.pot.board_file import board_id
from wakewell.pot.parts import PROBES
from wakewell.radio import card, homes, newkey
from wakewell.tomlfile import show_path
from wakewell.units import water
from wakewell.usb import pull
from wakewell.usb.flash import check_board, keep_in_force, progress
from wakewell.usb.link import Link, connect

WIPED = ("private.json", "ca.der", "heard.0", "heard.1", "key.json", "pulled.json", "host.json")


def hand_over(
    folder: Path, port: str, today: date, wait_s: float | None = None, new_key: bool = False
) -> list[str]:
    """Wipe and split; the lines of the sheet and the card.

    Raises BadInput or BoardLost: then the board keeps what it had, or, if it was lost while it
    was wiped, the same command finishes it.
    """
    found = pot_folder.load(folder)
    if found.about is None or found.pot is None:
        raise BadInput(f"{found.problems[0]}")
    keep = private.read(folder).ways() if new_key else {}
    home = homes.marks(folder)
    with connect(port, progress, **({} if wait_s is None else {"wait_s": wait_s})) as link:
        check_board(link, folder)
        pulled = pull.Pulled(folder.name)
        last = pull_all(link, folder, pulled)
        left = link.ask("wipe", WIPED, kind=list[str])
        if left:
            names = printable(", ".join(left))
            raise BadInput(f"{port}: could not be wiped: {names}; try again")
        old = split(folder, today, home)  # before its key goes, so that the mark is not lost
        for path in (
            *folder.glob(description.ALL_PRIVATE),
            folder / card.FILE,
            folder / newkey.FILE,
        ):
            path.unlink(missing_ok=True)
        secret = None
        if new_key:
            private.make(folder, keep)
            secret = private.read(folder)
            for name, data in private.board_files(folder, found.about.language).items():
                link.replace(name, data)
        pull.leave(link, old, pulled)
    rows = sheet(found, last, today, new_key)
    rows += [f"  {pulled.wakes} new wakes pulled; the old log is in {show_path(str(old))}"]
    path = folder / f"as-left-{today:%Y-%m-%d}.txt"
    path.write_text("\n".join([*rows, "", *card.card(found)]) + "\n", encoding="utf-8")
    values = last.values if isinstance(last, Wake) else None
    handed = card.Handed(today, *((values.level_ml, values.battery_mv) if values else ()))
    made = card.write(found, secret, handed)
    where = "the sheet is written to " + show_path(str(path))
    where += f"; the card to print for its new owner is {show_path(str(made))}"
    return [*rows, "", *card.card(found), "", where]


def pull_all(link: Link, folder: Path, pulled: pull.Pulled) -> Wake | Brief | None:
    """Everything in the board's log, verified and stored here; its newest wake."""
    keep_in_force(link, folder)
    last = pull.pull_log(link, folder / "logs", pulled)
    if pulled.left:
        raise BadInput(f"{link.port}: not all of its log is here: {pulled.left[0]}; nothing wiped")
    return last


def split(folder: Path, today: date, left: frozenset[str]) -> Path:
    """Move the log into a folder of its own; the files in force stay beside both.

    left: the marks of the keys of the home that is left, by which `listen` tells its lines.
    """
    for number in range(1, 100):
        end = f"-{number}" if number > 1 else ""
        old = folder / f"logs-until-{today:%Y-%m-%d}{end}"
        if not old.exists():
            break
    else:
        raise BadInput(f"{folder}: a hundred old copies of today are here; remove some first")
    now = folder / "logs"
    now.rename(old)
    now.mkdir()
    homes.leave(folder, old, left)
    for path in (old / logs.IN_FORCE).glob("*.json"):
        target = now / logs.IN_FORCE / path.name
        target.parent.mkdir(exist_ok=True)
        target.write_bytes(path.read_bytes())
    return old


def sheet(
    found: description.PotFolder, last: Wake | Brief | None, today: date, new_key: bool = False
) -> list[str]:
    """As left: what is in force, and what was last read."""
    assert found.about is not None
    standing = stage.standing(found, board_id(found.path))
    lines = stage.compiled(found, standing.stage).lines
    longest_s = found.limits["pulse_ms"] / 1000
    ids = ", ".join(f"{kind} {line.identity(data)}" for kind, data in lines.items())
    rows = [
        f"{found.about.name}: as left, {today:%Y-%m-%d}",
        f"  board       {board_id(found.path)}, {found.about.chip}",
        f"  in force    {ids}",
        f"  stage       {standing.stage}: {stage.WORDS[standing.stage]}",
        f"  hard limits {water(found.limits['day_ml'])} a day, {longest_s:g} s a run",
    ]
    if isinstance(last, Brief):
        rows.append(f"  last read   wake {last.n}: its record is shortened, its memory was short")
    elif last is not None:
        values = as_plain(last.values)
        shown = [
            f"{kind.plain} {values[kind.key] / kind.of:g} {kind.shown}"
            for name, kind in PROBES.items()
            if values.get(kind.key) is not None
        ]
        rows.append(f"  last read   wake {last.n}: " + ", ".join(shown))
        rows.append(f"  lockouts    {', '.join(last.lockouts) or 'none'}")
        rows.append(f"  needs       {', '.join(map(words.task, last.needs)) or 'nothing'}")
    then = "new ones made, without a Wi-Fi" if new_key else "make new ones for its new home"
    rows.append(f"  secrets     wiped from the board and from here; {then}")
    rows.append(
        "              (reading the flash chip directly may still reveal the old Wi-Fi password)"
    )
    return rows
