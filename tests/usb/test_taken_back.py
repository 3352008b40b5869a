"""A version that came over the air fails, and the last good one is back by itself and waters.

Each way to fail is a line put to the end of a module of today's. How a version comes is tried in
tests/radio/test_desk_send.py; here it lies on the flash, whole and staged.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from usb_desks import Desk, wakes
from versions import staged, version

from wakecore import line
from wakewell.usb import payload

Start = Callable[..., Desk]
DRY = {"water": 0.2}  # by volume, below basil's refill point
LOOP = "\n    import time\n    while True:\n        time.sleep_ms(500)"
JUNK = """
import os
def junk():
    n = 0
    for size in (65536, 4096, 64):
        try:
            while n < 3000:
                n += 1
                for folder in ("/", "/pot/", "/code/"):
                    with open(folder + "junk%d" % n, "wb") as file:
                        for _ in range(size // 64):
                            file.write(bytes(64))
        except OSError:
            pass
"""
FAILS = {
    "crashes at import": ("turn", "raise ValueError"),
    "lacks a module": ("turn", "import nothing_of_that_name"),
    "crashes at the import of the core": ("fields", "raise KeyError('x')"),
    "crashes in the wake": ("board", "def rest(self):\n    raise KeyError('x')\nBoard.rest = rest"),
    "runs out of memory": ("board", "def rest(self):\n    bytes(1 << 24)\nBoard.rest = rest"),
    "crashes in the pulse": (
        "board",
        "def sample(self, run):\n    raise KeyError('x')\nBoard.sample = sample",
    ),
    "hangs in the pulse": ("board", f"def sample(self, run):{LOOP}\nBoard.sample = sample"),
    "never ends its wake": ("board", f"def close(self):{LOOP}\nBoard.close = close"),
    "never sleeps though it finished": (
        "board",
        f"def doze(self, sleep_s, button=1):{LOOP}\nBoard.doze = doze",
    ),
    "never sleeps and feeds the watchdog": (
        "board",
        f"def doze(self, sleep_s, button=1):{LOOP}\n        chip.feed()\nBoard.doze = doze",
    ),
    "sleeps and finishes nothing": (
        "board",
        "def wake(self):\n    chip.sleep(3600000)\nBoard.wake = wake",
    ),
    "fills the flash": (
        "board",
        JUNK + "old = Board.finish\ndef finish(self):\n    junk()\n    old(self)\n"
        "Board.finish = finish",
    ),
    "fills the flash before it reads": (
        "board",
        JUNK + "old = Board.rest\ndef rest(self):\n    junk()\n    return old(self)\n"
        "Board.rest = rest",
    ),
}


def put_on(desk: Desk, code: payload.Code) -> None:
    """It lies staged on the flash of a board asleep."""
    desk.board.write_files(staged(code))


@pytest.mark.parametrize("name", FAILS)
def test_what_fails_is_taken_back_and_the_good_one_waters(
    name: str, start: Start, tmp_path: Path
) -> None:
    module, text = FAILS[name]
    desk = start(changes=DRY)
    desk.board.wait_asleep()
    old = desk.board.read_files()["code/in-force"].decode()
    bad = version(tmp_path / "bad", **{module: text})
    put_on(desk, bad)
    watered: list[dict[str, Any]] = []
    for _ in range(16):  # a fifth of a day each: it is tried at the next day's first wake
        desk.days(0.2)
        desk.board.wait_asleep()
        files = desk.board.read_files()
        records = wakes(files)
        told = [record["begin"]["host"] for record in records]
        if ["version taken back"] in told:
            since = records[told.index(["version taken back"]) :]
            watered = [r for r in since if r.get("run") and not r["trips"]]
        if watered:
            break
    assert watered, "the good one waters"
    assert files["code/in-force"].decode() == files["code/good"].decode() == old
    assert "code/trial" not in files
    assert not [path for path in files if bad.version in path or "junk" in path]
    assert files["code/taken-back"].decode().startswith(bad.version + " ")
    assert records[-1]["lockouts"] == []
    assert desk.world.pot.pump_did == "off"


@pytest.mark.parametrize("how", ["changed", "cut", "a file more", "past", "another's name"])
def test_a_staged_version_that_was_changed_is_not_put_in_force(
    how: str, start: Start, tmp_path: Path
) -> None:
    """It is checked whole once more in the boot that would put it in force."""
    desk = start(changes=DRY)
    desk.board.wait_asleep()
    old = desk.board.read_files()["code/in-force"].decode()
    good = version(tmp_path, short="CHANGED = 1")
    files = staged(good)
    place = f"code/{good.version}/wakecore/run.mpy"
    if how == "changed":
        files[place] = files[place][:-1] + bytes([files[place][-1] ^ 1])
    elif how == "cut":
        files[place] = files[place][:-1]
    elif how == "a file more":
        files[f"code/{good.version}/wakecore/more.mpy"] = files[place]
    elif how == "past":
        files["code/sent.json"] = resent(files["code/sent.json"], day=0, until_n=0)
    else:
        files["code/staged"] = b"0123456789ab-01234567"
    desk.board.write_files(files)
    desk.days(1.1)
    desk.board.wait_asleep()
    left = desk.board.read_files()
    assert left["code/in-force"].decode() == old
    assert "code/trial" not in left
    assert "code/staged" not in left
    assert "error.txt" not in left
    records = wakes(left)
    assert [record for record in records if record.get("run") and not record["trips"]]


def resent(data: bytes, **changes: object) -> bytes:
    """The board's memory of what was sent, changed."""
    record, _ = line.decode(data)
    assert record is not None
    return bytes(line.encode(tuple(name for name in record if name != "crc"), record | changes))
