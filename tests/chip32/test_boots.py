"""Whole boots of a board in the heap that a chip gives it, on a 32-bit interpreter."""

from __future__ import annotations

from typing import Any

import bare_pots
import pytest

from wakecore import line
from wakewell import chip32
from wakewell.chip32.bare import BareChip, Boot

pytestmark = pytest.mark.skipif(bool(chip32.why_not()), reason=chip32.why_not())


def records(chip: BareChip) -> list[dict[str, Any]]:
    """The wakes on its log, each line whole."""
    found = []
    for name, data in sorted(chip.files.items()):
        if name.startswith("pot/log/"):
            for text in data.splitlines():
                record, why = line.decode(text)
                assert record is not None, why
                found.append(record)
    return [record for record in found if record["kind"] == "wake"]


def slept_well(chip: BareChip, boot: Boot) -> None:
    assert boot.ended == "deep sleep", boot.error
    assert "error.txt" not in chip.files, chip.files["error.txt"].decode()


@pytest.mark.parametrize("first", [chip32.ESP32_HEAP, chip32.C3_HEAP])
def test_the_longest_pulse_and_its_record_need_one_growth_of_the_heap(first: int) -> None:
    chip = bare_pots.chip()
    chip.first = first
    boot = chip.boot()
    slept_well(chip, boot)
    (record,) = records(chip)
    assert record["trips"] == []
    assert record["run"]["ran_ms"] >= 30000
    assert len(record["run"]["saucer"]) == 200
    assert boot.heap <= 2 * first
    for _ in range(3):  # the looks after it, and a plain wake
        boot = chip.boot()
        slept_well(chip, boot)
        assert boot.heap <= 2 * first
    assert len(records(chip)) == 4


def test_a_heap_that_is_too_small_is_told_by_the_boots_end() -> None:
    """The figures above mean something: with less the board sleeps its last resort."""
    chip = bare_pots.chip()
    chip.most = 60 * 1024
    boot = chip.boot()
    assert boot.ended == "deep sleep"
    assert b"MemoryError" in chip.files["error.txt"]


@pytest.mark.parametrize("nth", [1, 100, 1000])
def test_one_allocation_fails_where_it_is_told_to(nth: int) -> None:
    whole = bare_pots.chip().boot()
    chip = bare_pots.chip()
    boot = chip.boot(fail_at=nth)
    assert boot.ended == "deep sleep"
    assert boot.allocations != whole.allocations
