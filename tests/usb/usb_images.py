"""Images for chips as ESP-IDF and MicroPython lay them out, made here from their own headers' text.

Source: ESP-IDF, esp_app_format.h (header, segments, appended hash), esp_app_desc.h, the partition
table of its programming guide; MicroPython, ports/esp32/makeimg.py (what lies where in one file).

Belongs here: names that tests import. Does not belong here: tests.
"""

from __future__ import annotations

import hashlib
import struct

IDS = {"esp32": 0, "esp32-s3": 9, "esp32-c3": 5, "esp32-c6": 13}
BOOT_AT = {"esp32": 0x1000}  # of the others 0
TABLE_AT, APP_AT = 0x8000, 0x10000


def part(chip: int, data: bytes, *, hashed: bool = True) -> bytes:
    """One program: header, one segment, checksum, hash."""
    head = struct.pack("<BBBBI", 0xE9, 1, 2, 0x20, 0x40080000)
    head += bytes([0xEE, 0, 0, 0]) + struct.pack("<HBHH", chip, 0, 0, 399) + bytes(4)
    made = head + bytes([hashed]) + struct.pack("<II", 0x3F400020, len(data)) + data
    checksum = 0xEF
    for byte in data:
        checksum ^= byte
    made += bytes(15 - len(made) % 16) + bytes([checksum])
    return made + (hashlib.sha256(made).digest() if hashed else b"")


def described(version: bytes = b"v1.28.0", name: bytes = b"micropython") -> bytes:
    """An application's data, which begins with its own description."""
    head = struct.pack("<II8s32s32s", 0xABCD5432, 0, b"", version, name)
    return head + bytes(256 - len(head)) + b"code" * 64


def whole(chip: str, *, app: bytes | None = None, table: bool = True) -> bytes:
    """A whole image: boot program, partition table, application."""
    number, at = IDS[chip], BOOT_AT.get(chip, 0)
    rows = b""
    for kind, offset, size, label in ((1, 0x9000, 0x6000, b"nvs"), (0, APP_AT, 0x1F0000, b"f")):
        rows += struct.pack("<2sBBII16sI", b"\xaa\x50", kind, 2 - 2 * (not kind), offset, size,
                            label, 0)  # fmt: skip
    made = part(number, b"boot" * 100).ljust(TABLE_AT - at, b"\xff")
    made += (rows if table else b"").ljust(APP_AT - TABLE_AT, b"\xff")
    return made + (part(number, described()) if app is None else app)
