"""What the board and its interpreter are."""

import os
import sys

import machine

if False:
    from typing import Any


def main() -> "tuple[Any, ...]":
    """(unique id, interpreter, its version, what compiled files it loads, bytes free in the flash,
    bytes in one of its blocks, machine); -1 bytes free where the file system cannot be read."""
    about: "Any" = sys.implementation
    free = block = 0
    try:
        os.stat("/boot.py")
    except OSError as error:
        free = 0 if error.errno == 2 else -1
    if not free:
        system = os.statvfs("/")
        # littlefs counts some blocks twice: of a full flash more are in use than there are
        left = system[3] if 0 <= system[3] <= system[2] else 0
        free, block = system[0] * left, system[0]
    known = (machine.unique_id(), about.name, tuple(about.version)[:3], getattr(about, "_mpy", 0))
    return known + (free, block, getattr(about, "_machine", ""))
