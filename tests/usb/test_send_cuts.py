"""The power fails while a version is staged, put in force and proved or taken back: at every
operation of real littlefs.

Source of the method: littlefs, tests/test_powerloss.toml, which re-enters a test after a power loss
at every write. A power cut leaves nothing but the flash. So the whole way is gone once, each write
and erase is noted, and from the flash as it was at each of them another board begins.
"""

from __future__ import annotations

import itertools
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from usb_desks import DAY_S, wakes, worlds_for
from versions import fetched, staged, version

from wakecore import line
from wakewell.deskboard import DeskBoard, DeskBoardError, flash_writes, read_image, write_image
from wakewell.deskboard.image import BLOCK_BYTES
from wakewell.usb import payload

DRY = 0.2  # water by volume, below basil's refill point
MOST_DAYS = 5
HEARD = "def report(board, n):\n    board.proved()\n    return True"  # instead of a host
FAILS = "def rest(self):\n    raise KeyError('x')\nBoard.rest = rest"
Files = dict[str, bytes]
ENDS = ["proved", "taken back"]


def prepared(end: str, under: Path, flashed: Path) -> payload.Code:
    """flash.img, on which a version has come: to be staged and then proved, or staged and to be
    taken back. There is a Wi-Fi to report by, which is not to be had."""
    image = under / "flash.img"
    shutil.copy(flashed / "flash.img", image)
    if end == "taken back":
        new = version(under, board=FAILS)
        write_image(image, staged(new))
        return new
    new = version(under, wake="CHANGED = 1", radio=HEARD)
    secrets: dict[str, Any] = {"kind": "private", "version": 1, "key": "00" * 32}
    secrets |= {"wifi_name": "absent", "wifi_password": "", "broker_host": "localhost"}
    secrets |= {"broker_port": 1, "broker_tls": 0, "broker_user": "", "broker_password": ""}
    files = fetched(new, read_image(image))
    files["pot/private.json"] = bytes(line.encode(tuple(secrets), secrets))
    write_image(image, files)
    return new


def watered(files: Files, before: Files) -> bool:
    """Was a dose given since?"""
    new = wakes(files)[len(wakes(before)) :]
    return any(record.get("run") and not record["trips"] for record in new)


class Life:
    """A board that begins on that flash with its power, until `done` says so of its files, and of
    those that it began with.

    noted: where each operation of the flash is noted.
    """

    def __init__(
        self,
        world: Any,
        image: Path,
        done: Callable[[Files, Files], bool],
        noted: Path | None = None,
    ) -> None:
        self.before = read_image(image)
        with DeskBoard(
            image, world, awake="stepped", unique_id=b"desk-1", writes=noted
        ) as board:  # fmt: skip
            world.board = board
            board.wait_asleep()
            for _ in range(MOST_DAYS):
                board.advance(DAY_S)
                board.wait_asleep()
                if done(board.read_files(), self.before):
                    break
            self.boots = board.boots
            self.ended, self.pump = board.boots[-1].ended, world.pot.pump_did
        self.files = read_image(image)


def point(image: Path, noted: Path, count: int, half: bool) -> bytes:
    """That flash, when the power goes at that operation: with half of it done, or nothing."""
    flash = bytearray(image.read_bytes())
    for number, (at, data) in zip(range(1, count + 1), flash_writes(noted), strict=False):
        done = len(data) if number < count else len(data) // 2 * half
        flash[at : at + done] = data[:done]
    return bytes(flash)


def states(image: Path, noted: Path) -> Iterator[tuple[int, bool]]:
    """(operation, was half of it done) of each after which the flash holds other files than before
    it. At all of them it can be read and written.

    Not looked at one by one is what only changes a block that no file and no folder has yet.
    """
    place, now, count = image.with_name("point.img"), bytearray(image.read_bytes()), 0
    for block, rows in itertools.groupby(
        flash_writes(noted), key=lambda row: row[0] // BLOCK_BYTES
    ):
        files, steps = tree(place, now), []
        for at, data in rows:
            count += 1
            for half in (False, True):
                done = len(data) // 2 * half
                now[at : at + done] = data[:done]
                steps.append((count, half, bytes(now)))
            now[at : at + len(data)] = data
        without = bytearray(now)
        without[block * BLOCK_BYTES : (block + 1) * BLOCK_BYTES] = bytes(BLOCK_BYTES)
        if files == tree(place, now) == tree(place, without):
            continue
        for number, half, flash in steps:
            found = tree(place, flash)
            assert found is not None, f"operation {number}: no file system"
            write_image(place, {"written": b"after it"})
            assert read_image(place) == found | {"written": b"after it"}, f"operation {number}"
            if found != files:
                yield number, half
            files = found


def tree(place: Path, flash: bytes | bytearray) -> Files | None:
    """Every file of that flash, None if it has no file system."""
    place.write_bytes(flash)
    try:
        return read_image(place)
    except DeskBoardError:
        return None


@pytest.mark.parametrize("end", ENDS)
@pytest.mark.parametrize("each", [False, pytest.param(True, marks=pytest.mark.nightly)])
def test_a_power_cut_at_every_operation_of_a_version_on_its_way(
    tmp_path: Path, radio_flashed: Path, each: bool, end: str
) -> None:
    """each: at every one, done half or not at all; else at some. Whatever it was at, the pot
    waters."""
    new = prepared(end, tmp_path, radio_flashed)
    flash, image, noted = tmp_path / "flash.img", tmp_path / "run.img", tmp_path / "noted"
    start = read_image(flash)
    old = start["code/in-force"].decode()
    mine = code_of(start, old)
    last = new.version if end == "proved" else old
    world = worlds_for(radio_flashed / "basil", water=DRY)

    def over(files: Files, before: Files) -> bool:
        named = [files[f"code/{which}"].decode() for which in ("in-force", "good")]
        went = end == "proved" or not any(new.version in name for name in files)
        return (
            named == [last, last] and "code/trial" not in files and went and watered(files, before)
        )

    shutil.copy(flash, image)
    whole = Life(world(), image, over, noted)
    assert over(whole.files, start)
    ends = list(itertools.accumulate(boot.writes + boot.erases for boot in whole.boots))
    # In the middle of a boot, and near its end, where it renames
    cuts = [(at, False) for end_of in ends[1:4] for at in (end_of - 3, end_of - 12)]
    if each:
        cuts = list(states(flash, noted))
        assert len(cuts) > 100
    missed = []
    for count, half in cuts:
        image.write_bytes(point(flash, noted, count, half))
        cut = Life(world(), image, over)
        here = {name: code_of(cut.files, name) for name in (old, last)}
        found = {
            "neither proved nor taken back, or not watered": over(cut.files, cut.before),
            "code lost": here == {old: mine, last: mine if last == old else new.files},
            "no sleep": cut.ended == "deep sleep",
            "an error": end == "taken back" or "error.txt" not in cut.files,
            "the pump stayed on": cut.pump == "off",
        }
        missed += [(count, half, why) for why, good in found.items() if not good]
    assert not missed


def code_of(files: Files, name: str) -> Files:
    """What lies on a flash of that version."""
    head = f"code/{name}/"
    return {path[len(head) :]: data for path, data in files.items() if path.startswith(head)}
