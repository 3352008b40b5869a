"""`wakewell check`: its arguments, its words and its exit code."""

from __future__ import annotations

import argparse
import io
import os
import sys
from dataclasses import asdict
from typing import Any

from wakecore import line
from wakewell.bench.check import (
    see_copies,
    see_gauge,
    see_secrets,
    see_warnings_leave,
    stage_that_counts,
    write_all,
)
from wakewell.commands import given
from wakewell.errors import BadInput
from wakewell.pot import agree, description, names, pot_folder, stage
from wakewell.terminal import marked, tell
from wakewell.tomlfile import show_path
from wakewell.units import soil, water


def _pumps(pot: description.PotFolder) -> bool:
    return "pump" in pot.parts


def _on_mains(pot: description.PotFolder) -> bool:
    return bool(pot.settings["mains"])


def _on_lithium(pot: description.PotFolder) -> bool:
    battery = pot.about.battery if pot.about else None
    return battery is not None and battery.is_lithium


def _on_nickel(pot: description.PotFolder) -> bool:
    battery = pot.about.battery if pot.about else None
    return battery is not None and battery.is_nickel


def _has_panel(pot: description.PotFolder) -> bool:
    return pot.about is not None and pot.about.panel is not None


# Cautions: (due for this pot?, what to mind). The maker's sheet and local codes come first.
CAUTIONS = (
    (
        _pumps,
        "pump: this check cannot see the resistor from its pin to ground (10 kilohm; 8.2 or less "
        "on an rp2350) that holds the switch off while the chip starts (R1); board, cell and plugs "
        "sit above the highest water, and the hose is tied down",
    ),
    (
        _on_mains,
        "mains charger: plug and charger stay dry and above the highest water, only extra-low "
        "voltage goes to the pot; local codes and a licensed electrician come first",
    ),
    (
        _on_lithium,
        "lithium cell: charge it as its data sheet says, never below 0 °C (IEC 62133-2), "
        "and give it a protection circuit: R5 protects it only while the board runs",
    ),
    (
        _on_nickel,
        "nickel battery: charge it as its data sheet says, never below 0 °C, with a charger "
        "for as many cells in series that ends by itself; a short makes its leads hot at once",
    ),
    (
        _has_panel,
        "panel: its charger must be made for this battery and must not charge it below 0 °C "
        "(the cell maker's sheet first, IEC 62133-2); connect the panel last and cover it while "
        "you work on the leads, for light cannot be switched off; tie it down",
    ),
)


def arguments(parser: argparse.ArgumentParser) -> None:
    """The command's arguments."""
    parser.add_argument("pots", nargs="*", metavar="POT", help="the pots' folders")
    given.option(parser, "--names", "the files of a pot's folder")
    given.option(
        parser, "--out", "each pot's compiled files into DIR/NAME/; default: none is written"
    )
    given.option(parser, "--json")
    parser.epilog = "exit codes: 0 good, perhaps with warnings; 2 a folder has a problem"


def run(args: argparse.Namespace) -> int:
    """The command. 0: all good, warnings or not; 2: problems."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")  # a pot's name may not fit the terminal
    if args.names:
        print(*names.lines(), sep="\n")
        return 0
    if not args.pots:
        raise BadInput("no folder to check: give a pot's folder, or --names")
    return check(args)


def check(args: argparse.Namespace) -> int:
    """Look over the folders; 0 if none has a problem, else 2. Raises BadInput for --out.

    With --out the compiled files go to DIR/NAME/ for each folder, if no folder has a problem.
    """
    folders = [pot_folder.load(path) for path in args.pots]
    out = args.out
    stages = {}
    for folder in folders:
        if os.path.isdir(folder.path):
            see_secrets(folder)
            see_warnings_leave(folder)
            see_gauge(folder)
            stages[folder.path] = stage_that_counts(folder)
    see_copies([folder for folder in folders if folder.path in stages])
    for folder in folders:
        folder.problems.sort()
        folder.warnings.sort()
    good = not any(folder.problems for folder in folders)
    written = write_all(folders, out) if out is not None and good else {}
    cautions = _cautions(folders)
    if args.json:
        return given.show_json(
            args,
            0 if good else 2,
            [_as_json(folder, stages.get(folder.path, 0)) for folder in folders],
            cautions=[{"pots": pots, "text": text} for text, pots in cautions.items()],
            written=written,
        )
    for folder in folders:
        head, *rest = _tell(folder, stages.get(folder.path, 0))
        tell(marked(head, bool(folder.problems)), *rest)
    for text, pots in cautions.items():
        print(f"caution ({', '.join(pots)}): {text}")
    for path, what in written.items():
        print(f"{path}: {what}")
    if out is not None and not good:
        print("nothing was written: first correct the problems above", file=sys.stderr)
    return 0 if good else 2


def _tell(folder: description.PotFolder, stage_now: int) -> list[str]:
    """A folder in lines for people."""
    name = show_path(folder.name)
    if folder.problems:
        told = [f"  {problem}" for problem in folder.problems]
        told += [f"  warning: {warning}" for warning in folder.warnings]
        return [f"{name}: {_counts(folder)}", *told]
    about = folder.about
    assert about is not None
    where = f", {about.place}" if about.place else ""
    counts = f"; {_counts(folder)}" if folder.warnings else ""
    rows = [f"{name}: good. {about.name} ({about.plant}{where}; {about.chip}){counts}"]
    rows.append("  " + ", ".join(f"{kind} {crc}" for kind, crc in _ids(folder).items()))
    rows.append(f"  stage {stage_now}: {stage.WORDS[stage_now]} (R14)")
    found = agree.outlook(folder)
    if found is not None:
        rows += [f"  {text}" for text in _outlook(folder, found)]
    rows += [f"  next: {text}" for text in folder.steps]
    return rows + [f"  warning: {warning}" for warning in folder.warnings]


def _counts(folder: description.PotFolder) -> str:
    """How many lines of which kind follow."""
    rows = (("problem", folder.problems), ("warning", folder.warnings))
    return ", ".join(
        f"{len(found)} {word}{'s' if len(found) > 1 else ''}" for word, found in rows if found
    )


def _outlook(folder: description.PotFolder, found: agree.Outlook) -> list[str]:
    """What the values come to, in sentences."""
    limits = folder.limits
    hours = found.window_s / 3600
    rows = [
        f"waters at {soil(found.refill_ppt)} of soil water and fills to {soil(found.target_ppt)}: "
        f"{water(found.dose_ml)} in {found.pulses} pulses of {found.pulse_ms / 1000:.1f} s",
        f"longest run {limits['pulse_ms'] / 1000:.1f} s (R2); at most {water(found.day_ml)} in any "
        f"{hours:.1f} hours, counted at the highest flow (R3): so up to {water(found.wake_ml)} in "
        f"one wake, and {water(found.lasting_ml_day)} a day over many days",
    ]
    if found.counted_ml <= found.day_ml < 2 * found.counted_ml:
        rows.append(
            f"such a dose is counted as up to {water(found.counted_ml)}: a second full one within "
            f"{hours:.1f} hours would pass the limit (R3)"
        )
    pressed_ml = found.floor_ml - found.unanswered_ml
    rows.append(
        f"if the hose lies beside the pot, at most {water(found.floor_ml)} reach the floor (R18): "
        f"{water(found.unanswered_ml)} by itself, and {water(pressed_ml)} by presses of the button "
        "(half at the first, half at one after the soil got wetter); then only the maker can end it"
    )
    if found.provable_ml is None:
        proof = "pump current" if folder.calibration["dry_ma"] else "nothing"
        rows.append(
            f"the float switch shows no amounts; that water flows is proved by {proof} (R4)"
        )
    else:
        how = "within one run" if found.in_run else "over several pulses"
        rows.append(
            f"smallest fall of the level that can be proved: {water(found.provable_ml)}; a dry "
            f"pump is recognised {how}, at the latest when {water(found.proof_ml or 0)} should "
            "have come (R4)"
        )
    return rows


def _ids(folder: description.PotFolder) -> dict[str, str]:
    """The id (CRC) of each compiled file."""
    return {kind: str(line.identity(data)) for kind, data in folder.lines.items()}


def _as_json(folder: description.PotFolder, stage_now: int) -> dict[str, Any]:
    """A folder for machines."""
    found = agree.outlook(folder) if not folder.problems else None
    return {
        "folder": show_path(str(folder.path)),
        "name": folder.about.name if folder.about else None,
        "good": not folder.problems,
        "stage": stage_now,
        "ids": _ids(folder),
        "outlook": asdict(found) if found else None,
        "problems": [asdict(problem) for problem in folder.problems],
        "warnings": [asdict(warning) for warning in folder.warnings],
        "next": folder.steps,
    }


def _cautions(folders: list[description.PotFolder]) -> dict[str, list[str]]:
    """Each caution that is due, and for which pots."""
    due: dict[str, list[str]] = {}
    for holds, text in CAUTIONS:
        pots = [show_path(pot.name) for pot in folders if not pot.problems and holds(pot)]
        if pots:
            due[text] = pots
    return due
