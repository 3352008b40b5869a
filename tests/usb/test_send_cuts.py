"""The power fails while a version is staged and put in force, at every operation, on real littlefs.

Source of the method: littlefs, tests/test_powerloss.toml, which re-enters a test after a power loss
at every write.
"""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import pytest
from usb_desks import DAY_S, wakes, worlds_for
from versions import fetched, version

from wakecore import line
from wakewell.deskboard import DeskBoard, read_image, write_image
from wakewell.usb import payload

DRY = 0.2  # water by volume, below basil's refill point
DAYS = 3  # the report whose boot stages it, the wake that puts it in force, and one more


def prepared(under: Path, flashed: Path) -> payload.Code:
    """A flash on which every file of a version that must come has come. There is a Wi-Fi to report
    by, which is not to be had."""
    shutil.copytree(flashed / "basil", under / "basil")
    shutil.copy(flashed / "flash.img", under / "flash.img")
    new = version(under, wake="CHANGED = 1", short="CHANGED = 1")
    secrets: dict[str, Any] = {"kind": "private", "version": 1, "key": "00" * 32}
    secrets |= {"wifi_name": "absent", "wifi_password": "", "broker_host": "localhost"}
    secrets |= {"broker_port": 1, "broker_tls": 0, "broker_user": "", "broker_password": ""}
    files = fetched(new, read_image(under / "flash.img"))
    files["pot/private.json"] = bytes(line.encode(tuple(secrets), secrets))
    write_image(under / "flash.img", files)
    return new


class CutRun:
    """A board that loses its power at one operation of its flash on those days. count 0: at
    none."""

    def __init__(self, world: Any, image: Path, count: int, half: bool) -> None:
        self.world = world
        with DeskBoard(image, world, awake="stepped", unique_id=b"desk-1") as board:
            world.board = board
            board.wait_asleep()
            board.cut_power_at(count, half=half)
            for _ in range(DAYS):
                board.advance(DAY_S)
                board.wait_asleep()
            self.boots = board.boots
        self.files = read_image(image)


@pytest.mark.parametrize("each", [False, pytest.param(True, marks=pytest.mark.nightly)])
def test_a_power_cut_at_every_operation_of_staging_and_switching(
    tmp_path: Path, radio_flashed: Path, each: bool
) -> None:
    """each: at every one, done half or not at all; else at some of the boot that stages it and of
    the next, which puts it in force. Before and after it the pot waters."""
    new = prepared(tmp_path, radio_flashed)
    old = read_image(tmp_path / "flash.img")["code/in-force"].decode()
    world = worlds_for(radio_flashed / "basil", water=DRY)

    def run(count: int, half: bool = False) -> CutRun:
        image = tmp_path / f"{count}.img"
        shutil.copy(tmp_path / "flash.img", image)
        found = CutRun(world(), image, count, half)
        image.unlink()
        return found

    whole = run(0)
    assert whole.files["code/in-force"].decode() == new.version
    # The first boot began with the power; the second is the radio's, and ends with staging
    done = [boot.writes + boot.erases for boot in whole.boots[1:]]
    assert done[0] == max(done)
    cuts = [(count, half) for count in range(1, sum(done) + 1) for half in (False, True)]
    if not each:
        switching = range(done[0] - 3, done[0] + done[1], 6)
        cuts = [(count, count % 2 == 1) for count in (done[0] // 2, *switching)]
    for count, half in cuts:
        where = f"operation {count} of {sum(done)}, {'half' if half else 'not'} done"
        cut = run(count, half)
        version_now = cut.files["code/in-force"].decode()
        assert version_now in (old, new.version), where
        there = {
            name.split("/", 2)[2]: data
            for name, data in cut.files.items()
            if name.startswith(f"code/{version_now}/")
        }
        assert version_now == old or there == new.files, where
        assert cut.boots[-1].ended == "deep sleep", where
        assert "error.txt" not in cut.files, where
        assert cut.world.pot.pump_did == "off", where
        records = wakes(cut.files)
        assert [r for r in records if r.get("run") and not r["trips"]], where
