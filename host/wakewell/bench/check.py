"""Pots' folders looked over before they are flashed, and compiled.

What belongs here: what a folder's other files add (secrets, history, copies), and writing compiled
files. What does not: reading and judging a folder (pot_folder.py, agree.py), what is printed.
"""

from __future__ import annotations

import math
import os
import shutil
from collections.abc import Callable
from datetime import date
from pathlib import Path

from wakecore import fields
from wakewell import ownfile
from wakewell.budget import inputs as budget
from wakewell.budget.doubt import nominal
from wakewell.errors import BadFile, BadInput
from wakewell.log import obeyed
from wakewell.pot import agree, description, private, stage
from wakewell.pot.board_file import board_id
from wakewell.rig.battery import CHEMISTRIES
from wakewell.tomlfile import Problem, show_path

POOR_PCT = 25  # of the charge within a reading's scatter: a poor gauge; own assumption
TELLING_DAYS = 14  # in which a warning must be heard while there is charge for it (R5)


def see_secrets(folder: description.PotFolder) -> None:
    """private.toml is whole, and none of its secrets ever went into git."""
    name = folder.file_name("private")
    if folder.settings.get("radio_wakes") and not os.path.exists(folder.path / description.PRIVATE):
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
        text = f"a secret of it is in git's history ({', '.join(commits[:5])}); "
        text += "change that secret and flash the board; others may know the old one"
        folder.problems.append(Problem(name, 1, text))


def see_gauge(folder: description.PotFolder) -> None:
    """R5: where the curve of the cell is flat, its voltage hardly tells its charge."""
    battery = folder.about.battery if folder.about else None
    if battery is None or battery.chemistry not in CHEMISTRIES:
        return
    if folder.problems or "battery" not in folder.calibration:
        return
    warn_mv = folder.settings["battery_warn_mv"]
    scatter_mv = agree.scatter_ml(folder.calibration["battery"])  # of a reading, here mV
    least, most = (
        100.0 * budget.charge_at((warn_mv + off_mv) / battery.cells, battery.chemistry)
        for off_mv in (-scatter_mv, scatter_mv)
    )
    if most - least <= POOR_PCT:
        return
    text = f"battery_warn_mv = {warn_mv}: a reading scatters by {scatter_mv} mV, so the warning "
    text += f"comes with {least:.0f} to {most:.0f} % of the charge left: the voltage of this cell "
    text += "is a poor gauge of its charge there (R5); go by the days that wakewell budget counts"
    folder.warn("settings", text, "battery_warn_mv")


def see_warnings_leave(folder: description.PotFolder) -> None:
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
        text += "where the radio goes off (R5): no warning of a low cell could be sent; raise it"
        folder.warn("settings", text, "battery_warn_mv")
    else:
        _time_to_tell(folder, floor_mv)


def _time_to_tell(folder: description.PotFolder, floor_mv: int) -> None:
    """R5: between the warning and the end of the radio lies charge for two weeks of warnings."""
    battery = folder.about.battery if folder.about else None
    if folder.problems or battery is None or "battery" not in folder.calibration:
        return
    warn_mv = folder.settings["battery_warn_mv"]
    scatter_mv = agree.scatter_ml(folder.calibration["battery"])  # of a reading, here mV
    text = f"battery_warn_mv = {warn_mv}: the radio goes off at {floor_mv} mV, "
    days = math.inf
    if battery.chemistry in CHEMISTRIES:
        try:
            inputs = budget.gather(folder, date.today())
        except BadInput:
            return  # `wakewell budget` says what it cannot count with
        span = budget.charge_at((warn_mv - scatter_mv) / battery.cells, battery.chemistry)
        span -= budget.charge_at(floor_mv / battery.cells, battery.chemistry)
        drain = max(nominal(inputs.drain_mah(month)) for month in range(12))
        days = max(0.0, span * battery.capacity_mah / drain)
    if days < TELLING_DAYS:
        text += f"and this cell is there about {days:.1f} days later"
    elif warn_mv - floor_mv <= scatter_mv:
        text += f"and a reading scatters by {scatter_mv} mV"
    else:
        return
    text += f": a warning can be sent for less than {TELLING_DAYS} days (R5); raise it"
    folder.warn("settings", text, "battery_warn_mv")


def stage_that_counts(folder: description.PotFolder) -> int:
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
    except BadInput as error:  # its log, which is not one of the checked files
        folder.warn("settings", f"the settings in force are unknown: {error}")
        obeyed_otherwise = None
    if found.text:
        folder.warn("calibration", found.text, "stage")
    if obeyed_otherwise is not None:
        text = f"{obeyed_otherwise.text}; flash asks which to keep, or write it here"
        folder.warn("settings", text, next(iter(obeyed_otherwise.values)))
    folder.lines = stage.compiled(folder, found.stage).lines
    return found.stage


def _board(folder: description.PotFolder) -> str:
    try:
        return board_id(folder.path) or ""
    except BadInput:
        return ""  # told already


def _key(folder: description.PotFolder) -> str:
    try:
        return private.read(folder.path).key.hex()
    except BadInput:
        return ""  # reported already, or there is none


def _calibration(folder: description.PotFolder) -> str:
    """The mark of a calibration that something was measured for."""
    measured = any(row[0] in folder.calibration for row in fields.PROBES)
    return stage.calibration_mark(folder) if measured else ""


# What is one pot's own: (file, its mark, what two folders with it mean)
SHARED: tuple[tuple[str, Callable[[description.PotFolder], str], str], ...] = (
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
        "the same calibration, and probes and pumps differ; commission the copy",
    ),
)


def see_copies(folders: list[description.PotFolder]) -> None:
    """Finds what belongs to one pot only but is in two of these folders: one is a copy."""
    for file, mark_of, text in SHARED:
        found: dict[str, list[description.PotFolder]] = {}
        for folder in folders:
            same = found.setdefault(mark_of(folder), [])
            if not any(other.path.resolve() == folder.path.resolve() for other in same):
                same.append(folder)
        for mark, same in found.items():
            for folder in same if mark and len(same) > 1 else ():
                others = ", ".join(show_path(str(f.path)) for f in same if f is not folder)
                problem = Problem(folder.file_name(file), 1, f"{others} has {text}")
                folder.warnings.append(problem)


def write_all(folders: list[description.PotFolder], out: str) -> dict[str, str]:
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
        ownfile.to_disk(file, data)
    new.replace(path)
    return done
