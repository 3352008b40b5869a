"""`wakewell check`: pots' folders looked over, told in short, and compiled.

What belongs here: what is printed about a folder, cautions, and writing compiled files. What
does not: reading and judging a folder (pot_folder.py, agree.py).
"""

from __future__ import annotations

import argparse
import io
import json
import math
import os
import shutil
import sys
from collections.abc import Callable
from dataclasses import asdict
from datetime import date
from pathlib import Path
from typing import Any

from wakecore import fields, line
from wakewell.budget import inputs as budget
from wakewell.budget.doubt import nominal
from wakewell.errors import BadFile, BadInput
from wakewell.log import obeyed
from wakewell.pot import agree, pot_folder, private, stage
from wakewell.pot.board_file import board_id
from wakewell.tomlfile import Problem, show_path

TELLING_DAYS = 14  # in which a warning is to be heard while there is charge for it (R5)


def _pumps(pot: pot_folder.PotFolder) -> bool:
    return "pump" in pot.parts


def _on_mains(pot: pot_folder.PotFolder) -> bool:
    return bool(pot.settings["mains"])


def _on_lithium(pot: pot_folder.PotFolder) -> bool:
    battery = pot.about.battery if pot.about else None
    return battery is not None and battery.chemistry.startswith("lithium")


# Cautions: (due for this pot?, what to mind). The maker's sheet and local codes come first.
CAUTIONS = (
    (
        _pumps,
        "pump: no check can see the resistor from its pin to ground (10 kilohm; 8.2 or less on "
        "an rp2350) that holds the switch off while the chip starts (R1); board, cell and plugs "
        "sit above the highest water, and the hose is tied down",
    ),
    (
        _on_mains,
        "mains charger: plug and charger stay dry and above the highest water, only extra-low "
        "voltage goes to the pot; local codes and a licensed electrician come first",
    ),
    (
        _on_lithium,
        "lithium cell: charge it as its maker's sheet says, never below 0 degrees (IEC 62133-2), "
        "and give it a cut-off of its own: R5 guards only while the board runs",
    ),
)


def arguments(parser: argparse.ArgumentParser) -> None:
    """The command's arguments."""
    parser.add_argument("folders", nargs="+", metavar="FOLDER", help="a pot's folder")
    parser.add_argument("--out", metavar="DIR", help="write compiled files to DIR/NAME/")
    parser.add_argument("--json", action="store_true", help="print one JSON object")


def run(args: argparse.Namespace) -> int:
    """The command. 0: all good, warnings or not; 2: problems."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")  # a pot's name may not fit the terminal
    return check(args.folders, args.json, args.out)


def check(paths: list[str], as_json: bool = False, out: str | None = None) -> int:
    """Look over these folders; 0 if none has a problem, else 2. Raises BadInput for `out`.

    With `out` the compiled files go to out/NAME/ for each folder, if no folder has a problem.
    """
    folders = [pot_folder.load(path) for path in paths]
    stages = {}
    for folder in folders:
        if os.path.isdir(folder.path):
            _secrets(folder)
            see_warnings_leave(folder)
            stages[folder.path] = _history(folder)
    _shared([folder for folder in folders if folder.path in stages])
    for folder in folders:
        folder.problems.sort()
        folder.warnings.sort()
    good = not any(folder.problems for folder in folders)
    written = _write_all(folders, out) if out is not None and good else {}
    cautions = _cautions(folders)
    if as_json:
        told = {
            "folders": [_as_json(folder, stages.get(folder.path, 0)) for folder in folders],
            "cautions": [{"folders": names, "text": text} for text, names in cautions.items()],
            "written": written,
            "good": good,
        }
        print(json.dumps(told, indent=2))
        return 0 if good else 2
    for folder in folders:
        print("\n".join(_tell(folder, stages.get(folder.path, 0))))
    for text, names in cautions.items():
        print(f"caution ({', '.join(names)}): {text}")
    for path, what in written.items():
        print(f"{path}: {what}")
    if out is not None and not good:
        print("nothing was written: first see to the problems", file=sys.stderr)
    return 0 if good else 2


def _secrets(folder: pot_folder.PotFolder) -> None:
    """private.toml is whole, and none of its secrets ever went into git."""
    name = folder.file_name("private")
    if folder.settings.get("radio_wakes") and not os.path.exists(folder.path / pot_folder.PRIVATE):
        text = "radio_wakes asks for the radio, and there is no private.toml with Wi-Fi and "
        text += f"broker; make it: wakewell ask {show_path(str(folder.path))} --new-key"
        folder.warn("settings", text, "radio_wakes")
    try:
        private.board_files(folder.path)
        commits = private.in_history(folder.path)
    except BadFile as error:
        folder.problems.append(error.problem)
        return
    if commits:
        text = f"a secret of it stands in git's history ({', '.join(commits[:5])}); "
        text += "change that secret, flash the board, and treat the old one as known"
        folder.problems.append(Problem(name, 1, text))


def see_warnings_leave(folder: pot_folder.PotFolder) -> None:
    """R5: where the pot reports, a warning of a low cell leaves before the radio goes off."""
    if not folder.settings.get("radio_wakes"):
        return
    floor_mv = max(
        folder.limits.get("radio_mv", 0),
        folder.limits.get("rest_mv", 0),
        folder.settings.get("battery_mv", 0),
    )
    if folder.settings.get("battery_warn_mv", 0) <= floor_mv:
        text = f"battery_warn_mv = {folder.settings['battery_warn_mv']}: not above {floor_mv}, "
        text += "where the radio goes off (R5): nobody would hear that the cell is low; raise it"
        folder.warn("settings", text, "battery_warn_mv")
    else:
        _time_to_tell(folder, floor_mv)


def _time_to_tell(folder: pot_folder.PotFolder, floor_mv: int) -> None:
    """R5: between the warning and the end of the radio lies charge for two weeks of warnings."""
    battery = folder.about.battery if folder.about else None
    if folder.problems or battery is None or "battery" not in folder.calibration:
        return
    warn_mv = folder.settings["battery_warn_mv"]
    scatter_mv = agree.scatter_ml(folder.calibration["battery"])  # of a reading, here mV
    text = f"battery_warn_mv = {warn_mv}: the radio goes off at {floor_mv} mV, "
    days = math.inf
    if battery.chemistry == "lithium-ion":
        try:
            inputs = budget.gather(folder, date.today())
        except BadInput:
            return  # `wakewell budget` says what it cannot count with
        span = budget.charge_at((warn_mv - scatter_mv) / battery.cells)
        span -= budget.charge_at(floor_mv / battery.cells)
        drain = max(nominal(inputs.drain_mah(month)) for month in range(12))
        days = max(0.0, span * battery.capacity_mah / drain)
    if days < TELLING_DAYS:
        text += f"and this cell is there about {days:.1f} days later"
    elif warn_mv - floor_mv <= scatter_mv:
        text += f"and a reading scatters by {scatter_mv} mV"
    else:
        return
    text += f": a warning has less than {TELLING_DAYS} days to be heard (R5); raise it"
    folder.warn("settings", text, "battery_warn_mv")


def _history(folder: pot_folder.PotFolder) -> int:
    """What was commissioned, and what was asked by radio; the stage that counts.

    The lines are then those of that stage, as a flash would send them.
    """
    try:
        board = board_id(folder.path)
        if folder.problems:
            return 0
        found = stage.standing(folder, board)
        obeyed_otherwise = obeyed.by_log(folder)
    except BadFile as error:
        folder.problems.append(error.problem)
        return 0
    except BadInput as error:  # its log, which is none of the files that are checked
        folder.warn("settings", f"what is in force is not known: {error}")
        obeyed_otherwise = None
    if found.text:
        folder.warn("calibration", found.text, "stage")
    if obeyed_otherwise is not None:
        text = f"{obeyed_otherwise.text}; flash asks which to keep, or write it here"
        folder.warn("settings", text, next(iter(obeyed_otherwise.values)))
    folder.lines = stage.compiled(folder, found.stage).lines
    return found.stage


def _board(folder: pot_folder.PotFolder) -> str:
    try:
        return board_id(folder.path) or ""
    except BadInput:
        return ""  # told already


def _key(folder: pot_folder.PotFolder) -> str:
    try:
        return private.read(folder.path).key.hex()
    except BadInput:
        return ""  # told already, or there is none


def _calibration(folder: pot_folder.PotFolder) -> str:
    """The mark of a calibration that something was measured for."""
    measured = any(row[0] in folder.calibration for row in fields.PROBES)
    return stage.calibration_mark(folder) if measured else ""


# What is one pot's own: (file, its mark, what two folders with it mean)
SHARED: tuple[tuple[str, Callable[[pot_folder.PotFolder], str], str], ...] = (
    ("board", _board, "the same board; delete this file in the copy and flash the copy's own"),
    (
        "private",
        _key,
        "the same key, so each can be asked in the other's name; in the copy rename this file "
        "private-old.toml, then wakewell ask POT --new-key, and flash it",
    ),
    (
        "calibration",
        _calibration,
        "the same calibration, and no two probes and pumps are alike; commission the copy",
    ),
)


def _shared(folders: list[pot_folder.PotFolder]) -> None:
    """What belongs to one pot, and two of these folders have: one of them is a copy."""
    for file, mark_of, text in SHARED:
        found: dict[str, list[pot_folder.PotFolder]] = {}
        for folder in folders:
            same = found.setdefault(mark_of(folder), [])
            if not any(other.path.resolve() == folder.path.resolve() for other in same):
                same.append(folder)
        for mark, same in found.items():
            for folder in same if mark and len(same) > 1 else ():
                others = ", ".join(show_path(str(f.path)) for f in same if f is not folder)
                problem = Problem(folder.file_name(file), 1, f"{others} has {text}")
                folder.warnings.append(problem)


def _tell(folder: pot_folder.PotFolder, stage_now: int) -> list[str]:
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
    return rows + [f"  warning: {warning}" for warning in folder.warnings]


def _counts(folder: pot_folder.PotFolder) -> str:
    """How many lines of which kind follow."""
    rows = (("problem", folder.problems), ("warning", folder.warnings))
    return ", ".join(
        f"{len(found)} {word}{'s' if len(found) > 1 else ''}" for word, found in rows if found
    )


def _outlook(folder: pot_folder.PotFolder, found: agree.Outlook) -> list[str]:
    """What the values come to, in sentences."""
    limits = folder.limits
    hours = found.window_s / 3600
    rows = [
        f"waters at {found.refill_ppt} ppt of soil water and fills to {found.target_ppt} ppt: "
        f"{found.dose_ml} ml in {found.pulses} pulses of {found.pulse_ms / 1000:.1f} s",
        f"longest run {limits['pulse_ms'] / 1000:.1f} s (R2); in any {hours:.1f} hours no more "
        f"than counts for {found.day_ml} ml (R3): one wake gives up to {found.wake_ml} ml, wakes "
        f"day after day {found.lasting_ml_day} ml a day",
    ]
    if found.counted_ml <= found.day_ml < 2 * found.counted_ml:
        rows.append(
            f"such a dose counts for up to {found.counted_ml} ml, at the highest flow: a second "
            f"full one within {hours:.1f} hours finds the day used up (R3)"
        )
    pressed_ml = found.floor_ml - found.unanswered_ml
    rows.append(
        f"at most {found.floor_ml} ml reach the floor if the hose lies beside the pot (R18): "
        f"{found.unanswered_ml} ml by itself, and {pressed_ml} ml by presses: half at the first, "
        "half at one after the soil was seen to get wetter; then the maker clears it"
    )
    if found.provable_ml is None:
        proof = "pump current" if folder.calibration["dry_ma"] else "nothing"
        rows.append(f"the float shows no amounts; flow is proved by {proof} (R4)")
    else:
        how = "within one run" if found.in_run else "over several pulses"
        rows.append(
            f"smallest fall of the level that can be proved: {found.provable_ml} ml; a dry pump "
            f"is found out {how}, at the latest after {found.proof_ml} ml commanded (R4)"
        )
    return rows


def _ids(folder: pot_folder.PotFolder) -> dict[str, str]:
    """The id (CRC) of each compiled file."""
    return {kind: str(line.identity(data)) for kind, data in folder.lines.items()}


def _as_json(folder: pot_folder.PotFolder, stage_now: int) -> dict[str, Any]:
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
    }


def _cautions(folders: list[pot_folder.PotFolder]) -> dict[str, list[str]]:
    """Each caution that is due, and for which pots."""
    due: dict[str, list[str]] = {}
    for holds, text in CAUTIONS:
        names = [show_path(pot.name) for pot in folders if not pot.problems and holds(pot)]
        if names:
            due[text] = names
    return due


def _write_all(folders: list[pot_folder.PotFolder], out: str) -> dict[str, str]:
    """Write every folder's compiled files; {path: what was done}."""
    names = [folder.name for folder in folders]
    for name in names:
        if names.count(name) > 1:
            raise BadInput(
                f"--out: two folders are called {show_path(name)}; check them one by one"
            )
    written: dict[str, str] = {}
    for folder in folders:
        for kind, data in folder.lines.items():
            path = Path(out) / folder.name / (kind + ".json")
            try:
                written[show_path(str(path))] = _write(path, data + b"\n")
            except OSError as error:
                why = error.strerror or "cannot be written"
                text = f"{show_path(str(path))}: {why.lower()}; name another --out"
                raise BadInput(text) from None
    return written


def _write(path: Path, data: bytes) -> str:
    """Put `data` there as a whole or not at all; other content is first copied to NAME.old."""
    path.parent.mkdir(parents=True, exist_ok=True)
    done = "written"
    if path.exists():
        with path.open("rb") as file:
            if file.read(len(data) + 1) == data:
                return "unchanged"
        old = path.with_name(path.name + ".old")
        number = 2
        while old.exists():
            old = path.with_name(f"{path.name}.old.{number}")
            number += 1
        shutil.copy2(path, old)
        done = f"written; what was there is kept as {old.name}"
    new = path.with_name(path.name + ".new")
    with new.open("wb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())
    new.replace(path)
    return done
