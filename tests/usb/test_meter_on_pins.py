"""A board on the desk with a flow meter and a scale: their pins read by the board's own code."""

from __future__ import annotations

from pathlib import Path

import pytest
from usb_desks import IMAGE_BYTES, commission_for, copy_pot, silent, world_for

from wakecore import line
from wakewell.deskboard import DeskBoard, why_not
from wakewell.usb import flash, pull

pytestmark = pytest.mark.skipif(why_not() is not None, reason=why_not() or "")

TABLES = """
[flowmeter]
points = [[0, 0], [60000, 10000000]]
rails = [-1, 120000]
spread = 0

[weight]
points = [[-100000, 0], [200000, 1000]]
rails = [-8388608, 8388607]
spread = 4000
"""


def test_a_pulse_is_metered_and_the_pot_weighed(tmp_path: Path) -> None:
    folder = copy_pot("basil", tmp_path, None)
    path = folder / "wiring.toml"
    more = "flowmeter = { pin = 22 }\nweight = { data = 23, clock = 19 }\n"
    path.write_text(f"{path.read_text()}\n{more}", encoding="utf-8")
    path = folder / "calibration.toml"
    path.write_text(path.read_text() + TABLES, encoding="utf-8")
    commission_for(folder, b"desk-1")
    world = world_for(folder, water=0.2)
    dry = world.pot.soil.content
    with DeskBoard(
        tmp_path / "flash.img", world, image_bytes=IMAGE_BYTES, awake="real", unique_id=b"desk-1"
    ) as board:  # fmt: skip
        result = flash.flash_one(folder, board.port, silent, 20)
        assert result.good, result.notes
        board.awake = "stepped"
        board.wait_asleep()
        pumped_ml = world.pot.through_ml()
        board.awake = "real"
        board.hard_reset()
        pull.pull_one(folder, board.port, 20)
    (path,) = (folder / "logs").glob("*.jsonl")
    records = [line.decode(data)[0] for data in path.read_bytes().splitlines()]
    wake = next(record for record in records if record and record["kind"] == "wake")
    assert wake["read"]["flowmeter"] == [0, 0]
    assert wake["judged"]["weight"] == "good"
    assert wake["told"]["weight"] == pytest.approx(1000 * dry, abs=10)
    assert wake["trips"] == []
    pulses = wake["run"]["flowmeter"]
    assert pulses == sorted(pulses)
    assert pulses[-1] > 100
    assert wake["water"]["metered_ul"] == pytest.approx(1000 * pumped_ml, rel=0.1)
