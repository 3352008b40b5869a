"""The power fails at every write and erase of a wake with a dose, on real littlefs.

Source of the method: littlefs, tests/test_powerloss.toml, which re-enters a test after a power
loss at every write.
"""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from usb_desks import DAY_S, newest_state, wakes, worlds_for

from wakewell.deskboard import Counters, DeskBoard, read_image
from wakewell.deskboard.rig_world import RigWorld

DRY = 0.2  # water by volume, below basil's refill point


class Cut:
    """A board that wakes for a dose and loses its power at one operation of that wake.

    count 0: nothing is cut.
    """

    def __init__(self, world: RigWorld, image: Path, count: int, half: bool) -> None:
        self.world = world
        with DeskBoard(image, self.world, awake="stepped", unique_id=b"desk-1") as board:
            self.world.board = board
            # Soil that dried since yesterday is a jump; a day later it is believed.
            board.wait_asleep()
            before = board.counters
            board.cut_power_at(count, half=half)
            board.advance(DAY_S + 1)
            board.wait_asleep()
            self.after: Counters = board.counters
            self.boots = board.boots
            self.operations = self.after.writes + self.after.erases - before.writes - before.erases
        self.files = read_image(image)
        self.records = wakes(self.files)


@pytest.mark.parametrize("half", [False, True])
@pytest.mark.parametrize("step", [4, pytest.param(1, marks=pytest.mark.nightly)])
def test_a_power_cut_at_every_operation_of_a_dose(
    tmp_path: Path, flashed: Path, half: bool, step: int
) -> None:
    """step: at every so many-th of them, the last one among them."""
    world = worlds_for(flashed / "basil", water=DRY)

    def run(count: int) -> Cut:
        image = tmp_path / f"{count}.img"
        shutil.copy(flashed / "flash.img", image)
        found = Cut(world(), image, count, half)
        image.unlink()
        return found

    whole = run(0)
    dose = whole.records[-1]
    assert dose["run"] is not None, "this wake was to give a dose"
    assert dose["n"] == 2
    earlier = whole.records[:2]
    operations = whole.operations
    assert operations > 20
    logged = False
    for count in reversed(range(operations, 0, -step)):
        where = f"operation {count} of {operations}, {'half' if half else 'not'} done"
        cut = run(count)
        assert [b.ended for b in cut.boots][-2:] == ["power cut", "deep sleep"], where
        # R1: off in sleep, and on in no other boot than the one that was cut.
        assert cut.world.pot.pump_did == "off", where
        interrupted = cut.boots[-2]
        assert all(
            interrupted.t_us <= begin and end <= interrupted.end_us for begin, end in cut.world.runs
        ), where
        # No acknowledged line is missing: those of the wakes before, and this wake's own
        # once it was written.
        assert cut.records[:2] == earlier, where
        present = dose in cut.records
        assert present or not logged, where
        logged = present
        # The board booted again, knew its state, and finished a wake.
        last = cut.records[-1]
        assert last["begin"]["cause"] == "power", where
        assert last["begin"]["state"] in ("good", "previous"), where
        kinds = ("settings", "limits", "calibration")
        assert [last["begin"][kind] for kind in kinds] == ["good"] * 3, where
        # R9, R3: what the pump may have moved is booked in full, and no pulse stays open.
        state = newest_state(cut.files)
        assert state.open_ms == 0, where
        ran_ms = cut.world.pump_us // 1000
        assert sum(state.mls) * 1000 >= ran_ms * 22, where  # basil's 22 ml/s
        assert sum(state.mls) * 1000 >= cut.world.pot.counts.pumped_ml * 1000, where
    assert logged or half, "the last cuts come after the line was written"
