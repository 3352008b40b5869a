"""Whole boots of a board in the heap that a chip gives it, on a 32-bit interpreter."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import bare_pots
import pytest

from assurance.bare_broker import Broker
from wakecore import line
from wakewell.interpreters import chip32
from wakewell.interpreters.chip32 import bare
from wakewell.interpreters.chip32.bare import BareBoot, BareChip
from wakewell.pot import private

sys.path.insert(0, str(Path(__file__).parent.parent / "usb"))
from versions import version

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


def slept_well(chip: BareChip, boot: BareBoot) -> None:
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


def broker(deaf: bool = False) -> Broker:
    return Broker(bare_pots.BOARD, bare_pots.KEY, deaf)


@pytest.mark.parametrize("first", [chip32.ESP32_HEAP, chip32.C3_HEAP])
def test_the_longest_record_is_told_over_tls_in_a_boot_of_its_own(first: int) -> None:
    listener = broker()
    chip = bare_pots.reporting(listener)
    chip.first = first
    wake = chip.boot()
    slept_well(chip, wake)
    assert (wake.sleep_ms, listener.reports) == (100, []), "the wake itself starts no radio"
    assert "radio" not in wake.marks
    boot = chip.boot()
    slept_well(chip, boot)
    assert boot.heap <= 2 * first
    assert boot.sleep_ms == 60000, "the rest of the sleep"
    told = [told.data for report in listener.reports for told in report.lines]
    (record,) = records(chip)
    assert told == chip.files["pot/log/00000001.jsonl"].splitlines()
    assert len(record["run"]["ms"]) == 200
    assert len(records(chip)) == 1, "that boot ran no core"
    slept_well(chip, chip.boot())
    begin = records(chip)[1]["begin"]
    assert (begin["radio"], begin["boots"], begin["slept_s"]) == ("heard", 0, 60)
    assert begin["radio_ms"] > 0
    assert begin["utc"][2] == 1


def test_the_clock_told_by_the_host_is_no_sleep() -> None:
    """R10: the radio's boot sets the clock for its certificates, and the sleep stays as long."""
    listener = broker()
    chip = bare_pots.reporting(listener)
    slept_well(chip, chip.boot())
    chip.pins[bare_pots.LEVEL] -= 132000  # what the pulse took: each boot begins with full pins
    for _ in range(5):
        slept_well(chip, chip.boot())
    slept = [record["begin"]["slept_s"] for record in records(chip)[1:]]
    assert slept[:3] == [60, 540, 86400 - 600]
    assert chip.clock_s > 9000 * 86400


def test_a_version_is_fetched_within_one_growth_of_the_heap(tmp_path: Path) -> None:
    """A manifest, its list and 32 pieces of it in one report; then it is staged, put in force and
    proved. Settings were asked for too."""
    listener = broker()
    chip = bare_pots.reporting(listener, pulse_ml=8, dose_ml=8)
    old = chip.files["code/in-force"].decode()
    new = version(tmp_path, wake="CHANGED = 1", radio="CHANGED = 1", store="CHANGED = 1")
    bare_pots.sent(listener, new)
    boots = []
    while not listener.reports or listener.reports[-1].words.get("sent_is") != "in force":
        boots.append(chip.boot())
        slept_well(chip, boots[-1])
        assert len(boots) < 20, listener.reports[-1].words
    assert max(boot.heap for boot in boots) <= 2 * chip32.ESP32_HEAP
    assert chip.files["code/in-force"].decode() == chip.files["code/good"].decode() == new.version
    assert chip.files["code/before"].decode() == old


def test_nobody_hears_it_and_the_next_wake_knows() -> None:
    listener = broker(deaf=True)
    chip = bare_pots.reporting(listener)
    slept_well(chip, chip.boot())
    slept_well(chip, chip.boot())
    assert len(listener.reports) == 1
    slept_well(chip, chip.boot())
    assert records(chip)[1]["begin"]["radio"] == "failed"
    for _ in range(3):
        slept_well(chip, chip.boot())
    slept_well(chip, chip.boot())
    assert len(listener.reports) == 2
    assert listener.reports[-1].words["vain"] == 1


def test_a_radio_that_browns_out_is_known_to_the_next_wake() -> None:
    """The supply fails with the radio on: nothing is left but the flash."""
    chip = bare_pots.reporting(broker())
    slept_well(chip, chip.boot())
    before = dict(chip.files)
    slept_well(chip, chip.boot())
    chip.files = before | {"pot/radio": b"began"}
    chip.rtc, chip.clock_s = b"", 0
    boot = chip.boot(bare.POWER)
    slept_well(chip, boot)
    record = records(chip)[-1]
    assert (record["begin"]["radio"], record["begin"]["cause"]) == ("cut off", "power")
    assert "report" not in record["commands"]
    assert boot.sleep_ms > 100
    assert "pot/radio" not in chip.files


def test_the_mark_that_calls_for_the_radio_is_good_for_one_boot() -> None:
    chip = bare_pots.reporting(broker())
    slept_well(chip, chip.boot())
    due = chip.rtc
    chip.boot(fail_at=1)
    assert chip.rtc != due
    boot = chip.boot()
    assert boot.marks.get("radio") is None
    assert len(records(chip)) == 2


def test_the_entry_page_fits_and_its_visitor_is_answered() -> None:
    chip = bare_pots.reporting(broker())
    visitor = bare_pots.Visitor(broker())
    chip.peer = visitor
    chip.files["pot/entry.json"] = private.entry_texts("de")
    slept_well(chip, chip.boot())
    chip.rtc = bare_pots.with_entry_page(chip.rtc)
    boot = chip.boot()
    slept_well(chip, boot)
    assert boot.heap <= 2 * chip32.ESP32_HEAP
    assert "Ein neues WLAN für diesen Topf".encode() in visitor.heard
    assert b"Der Topf versucht jetzt" in visitor.heard
    assert b'"wifi_name":"attic"' in chip.files["pot/private.json"]
    assert (boot.sleep_ms, visitor.broker.reports) == (100, []), "the report has the next boot"
    boot = chip.boot()
    slept_well(chip, boot)
    assert boot.heap <= 2 * chip32.ESP32_HEAP
    assert visitor.broker.reports
