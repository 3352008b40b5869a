"""An interpreter's image for a chip: looked at before the chip is erased, then written.

What belongs here: what a file says of itself (ESP-IDF, esp_app_format.h and esp_app_desc.h;
MicroPython, ports/esp32/makeimg.py), where such a file comes from, and writing it by esptool.
"""

from __future__ import annotations

import hashlib
import importlib.metadata
import importlib.util
import re
import struct
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

from wakewell import extras
from wakewell.errors import BadInput
from wakewell.log.logs import printable
from wakewell.pot import chips, pot_folder
from wakewell.tomlfile import show_path
from wakewell.usb.link import LEAST_VERSION

MAGIC, SEGMENTS = 0xE9, 16
DESCRIPTION = struct.Struct("<II8s32s32s")
HEADER, SEGMENT = struct.Struct("<BBBBI4xHBHH4xB"), struct.Struct("<II")
TABLE_AT, TABLE_MAGIC, ENTRY = 0x8000, b"\xaa\x50", struct.Struct("<2sBBII16sI")
APP = 0  # type of an application in the partition table
DESCRIBED, DESC_MAGIC = 32, 0xABCD5432  # where an application describes itself
MOST = 64 << 20  # bytes
VERSION = re.compile(r"v(\d{1,3})\.(\d{1,3})")  # as its builds are named
CHIP_IDS = {0: "esp32", 2: "esp32-s2", 5: "esp32-c3", 9: "esp32-s3", 12: "esp32-c2",
            13: "esp32-c6", 16: "esp32-h2", 18: "esp32-p4", 23: "esp32-c5"}  # fmt: skip
# Other files that a person may have by mistake
OTHERS = {b"UF2\n": "an image for another kind of chip (UF2)", b"\x7fELF": "an ELF file",
          b"PK\x03\x04": "a ZIP archive: take the image out of it"}  # fmt: skip
LEAST_ESPTOOL = 5  # with erase-flash and write-flash
SOURCE = "https://micropython.org/download/"


@dataclass(frozen=True)
class Image:
    """What a whole image says of itself. at: where on the flash it is written."""

    path: Path
    chip: str
    at: int
    size: int
    sha256: str
    version: str

    def lines(self) -> list[str]:
        """What a person is shown before a chip is erased."""
        return [
            f"{self.path.name}: MicroPython {self.version} for the {self.chip}, {self.size} bytes",
            f"  SHA-256 {self.sha256}",
        ]


def where_from(chip: str) -> str:
    """Where an image for that chip comes from, in words."""
    name = chips.CHIPS[chip].image if chip in chips.CHIPS else ""
    return f"{SOURCE}{name}/, the newest file whose name ends in .bin" if name else SOURCE


def list_of_images() -> str:
    """The image's name for each chip, in words."""
    return ", ".join(f"{chips.CHIPS[name].image} for the {name}" for name in chips.PORTED)


def check_esptool() -> None:
    """BadInput without an esptool that knows the commands used; older ones name them otherwise."""
    if importlib.util.find_spec("esptool") is None:
        raise BadInput(f"--interpreter needs esptool: {extras.install('esptool')}")
    version = importlib.metadata.version("esptool")
    if int(version.partition(".")[0]) < LEAST_ESPTOOL:
        raise BadInput(
            f"esptool {version} is here, allowed {LEAST_ESPTOOL} or newer: "
            f"{extras.install('esptool')}"
        )


def end_of(data: bytes, at: int, what: str) -> int:
    """Where the part that begins there ends; its hash is right. ValueError with what is wrong."""
    if len(data) < at + HEADER.size or data[at] != MAGIC:
        found = f"0x{data[at]:02x}" if len(data) > at else "nothing"
        raise ValueError(f"{what}: begins with {found}, allowed 0x{MAGIC:02x}")
    count, hashed = data[at + 1], data[at + 23]
    if not 0 < count <= SEGMENTS:
        raise ValueError(f"{what}: {count} segments, allowed 1 to {SEGMENTS}")
    end = at + HEADER.size
    for _ in range(count):
        if end + SEGMENT.size > len(data):
            raise ValueError(f"{what}: the file ends in the middle of it")
        end += SEGMENT.size + SEGMENT.unpack_from(data, end)[1]
    end += 16 - (end - at) % 16  # the checksum is the last byte of sixteen
    if end + 32 * hashed > len(data):
        raise ValueError(f"{what}: the file ends in the middle of it")
    if hashed and hashlib.sha256(data[at:end]).digest() != data[end : end + 32]:
        raise ValueError(f"{what}: does not match its SHA-256, so it is damaged")
    return end + 32 * hashed


def application(data: bytes, at: int) -> int:
    """Where the application lies in a file that is written there. ValueError without one."""
    table = TABLE_AT - at
    for place in range(table, table + 0xC00, ENTRY.size):
        if place + ENTRY.size > len(data) or data[place : place + 2] != TABLE_MAGIC:
            break
        _, kind, _, offset, _, _, _ = ENTRY.unpack_from(data, place)
        if kind == APP:
            return int(offset) - at
    raise ValueError("no partition table in it: an update, not a whole image")


def look(path: Path, chip: str) -> Image:
    """What that file is; BadInput if it is no whole image of MicroPython for that chip."""
    name = show_path(str(path))
    advice = f"An image for the {chip} comes from {where_from(chip)}. Nothing was erased"
    try:
        size = path.stat().st_size
        if not path.is_file() or size > MOST:
            raise BadInput(f"{name}: no file of up to {MOST} bytes. {advice}")
        data = path.read_bytes()
    except OSError as error:
        raise BadInput(f"{name}: {error.strerror or 'cannot be read'}. {advice}") from None
    for start, what in OTHERS.items():
        if data.startswith(start):
            raise BadInput(f"{name}: {what}. {advice}")
    try:
        end_of(data, 0, "its boot program")
        number = HEADER.unpack_from(data)[5]
        found = CHIP_IDS.get(number, f"chip number {number}")
        if found != chip:
            raise ValueError(f"is for the {found}, pot.toml says {chip}")
        at = chips.CHIPS[chip].image_at
        app = application(data, at)
        end_of(data, app, "its program")
        said = data[app + DESCRIBED :][: DESCRIPTION.size].ljust(DESCRIPTION.size, b"\0")
        magic, _, _, version, project = DESCRIPTION.unpack(said)
        if magic != DESC_MAGIC or project.rstrip(b"\0") != b"micropython":
            raise ValueError("its program is not micropython")
        told = printable(version.rstrip(b"\0").decode(errors="replace"), 32)
        numbers = VERSION.match(told)
        if numbers and tuple(int(n) for n in numbers.groups()) < LEAST_VERSION:
            least = ".".join(str(n) for n in LEAST_VERSION)
            raise ValueError(f"is MicroPython {told}, allowed {least} or newer")
    except ValueError as error:
        raise BadInput(f"{name}: {error}. {advice}") from None
    return Image(path, chip, at, size, hashlib.sha256(data).hexdigest(), told)


def for_pot(folder: Path, path: Path) -> Image:
    """The image in that file, fit for the pot's chip. BadInput if it, or esptool, will not do."""
    about = pot_folder.load(folder).about
    if about is None:
        raise BadInput(f"{folder}: its chip is not known; run wakewell check {folder}")
    if about.chip not in chips.PORTED:
        raise BadInput(chips.not_ported(about.chip, str(folder / "pot.toml")))
    found = look(path, about.chip)
    check_esptool()
    return found


def write(found: Image, port: str) -> None:
    """Erase the chip on that port and write the image. BadInput if esptool fails."""
    base = [sys.executable, "-m", "esptool", "--port", port]
    written = ["write-flash", f"0x{found.at:x}", str(found.path)]
    for command in (["erase-flash"], written):
        if subprocess.run(base + command).returncode:
            raise BadInput("esptool failed; hold the boot button while it connects, then try again")
