"""An allocation that fails: the wake leaves a record, the pump is off, and the board sleeps.

At every allocation the assurance does it (`python3 tools/assure.py --only nth`); here at a few.
"""

from __future__ import annotations

import copy
from pathlib import Path

import bare_pots
import pytest

from assurance import nth, nth_bare
from assurance.bare_broker import Broker
from wakecore import line
from wakecore.wake import RECORD
from wakewell.interpreters import chip32
from wakewell.interpreters.chip32.bare import BareChip
from wakewell.usb import payload

pytestmark = pytest.mark.skipif(bool(chip32.why_not()), reason=chip32.why_not())


def reporting() -> BareChip:
    """A short pulse, and then a report."""
    return bare_pots.reporting(Broker(bare_pots.BOARD, bare_pots.KEY), pulse_ml=8, dose_ml=8)


def with_full_ring() -> BareChip:
    """Its log has as many files as it may have, the newest full, a longest pulse in each."""
    chip, grown = bare_pots.chip(), bare_pots.chip()
    grown.boot()
    snapshot, whole = grown.files["pot/log/00000001.jsonl"].splitlines(keepends=True)
    record, _ = line.decode(whole.rstrip())
    assert record is not None
    other = line.encode(RECORD, record | {"before": "00000000"}) + b"\n"
    chip.files |= {f"pot/log/{number:08d}.jsonl": snapshot + other for number in range(1, 25)}
    chip.files["pot/log/00000024.jsonl"] = other + snapshot * (
        (32700 - len(other)) // len(snapshot)
    )
    return chip


def test_the_line_of_the_longest_pulse() -> None:
    assert nth_bare.lines(bare_pots.chip(), step=1187) > 5


def test_a_line_that_begins_a_new_file_in_a_full_ring() -> None:
    """With no more memory than the longest pulse may have, and with an allocation that fails."""
    chip = with_full_ring()
    chip.most = 2 * chip32.ESP32_HEAP
    assert nth_bare.lines(chip, step=397) > 20


def test_a_wake_with_a_pulse() -> None:
    """Before the wake began, from its first reading on, and where its line is made and written."""
    chip = reporting()
    good = copy.copy(chip).boot()
    left = good.allocations - good.asked
    fails = [good.asked // 2, *(good.asked + part * left // 100 for part in (2, 5, 9, 13, 30, 90))]
    counts = nth_bare.wakes(chip, fails)
    assert counts["none"] >= 1
    assert counts["broken off"] + counts["whole"] >= 1
    assert counts["short"] >= 2


def test_a_report() -> None:
    chip = reporting()
    chip.boot()
    good = copy.copy(chip).boot()
    began = good.asked  # the radio's boot is known for one
    fails = [began // 2, began + 50, began + 500, began + 1000, began + 2000, good.allocations // 2]
    assert {"heard", "failed"} <= nth_bare.reports(chip, fails).keys()


def test_a_board_that_writes_no_shorter_line_is_found_out(tmp_path: Path) -> None:
    """The loop judges: the same board without its second try."""
    source = Path(payload.__file__).parents[3] / "device" / "wakeboard" / "board.py"
    text = source.read_text()
    (tmp_path / "wakeboard").mkdir()
    broken = tmp_path / "wakeboard" / "board.py"
    broken.write_text(text.replace("for step in STEPS:", 'for step in ("",):'))
    assert broken.read_text() != text
    chip = bare_pots.chip()
    (name,) = [name for name in chip.files if name.endswith("wakeboard/board.mpy")]
    chip.files[name] = payload.compile_file(broken)[1]
    with pytest.raises(nth.Broken, match="no record"):
        nth_bare.lines(chip, first=500, step=997)
