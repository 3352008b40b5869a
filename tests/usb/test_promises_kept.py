"""Promises of the board's own code, seen from its pins, its flash and its records alone."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from usb_desks import IMAGE_BYTES, Desk, wakes

import wakeboard
from wakecore import line
from wakewell.deskboard import make_image, read_image, write_image

Start = Callable[..., Desk]


def test_the_pump_is_held_off_in_every_sleep_also_before_the_radios_boot(
    start: Start, radio_flashed: Path
) -> None:
    """R1: a pin that floats for a tenth of a second may start a pump."""
    desk = start(of=radio_flashed)
    pump = desk.world.parts["pump"].pins["pin"]
    desk.board.wait_asleep()
    levels: list[int | None] = []
    plain = desk.world.on_pin

    def on_pin(pin: int, level: int | None, pull: int, t_us: int) -> None:
        if pin == pump:
            levels.append(level)
        plain(pin, level, pull, t_us)

    desk.world.on_pin = on_pin  # type: ignore[method-assign]
    desk.days(2.1)
    asleep = list(levels)  # before the power goes
    assert "report" in wakes(desk.close())[-1]["commands"]
    assert None not in asleep


def test_a_run_lasts_as_long_as_was_commanded(start: Start) -> None:
    """R2: the last renewal of the pulse is what is left of it, and no more."""
    desk = start(changes={"water": 0.2})
    desk.days(1.1)
    runs = list(desk.world.runs)
    records = [one for one in wakes(desk.close()) if one["plan"]["pulse_ms"] and "run" in one]
    asked_ms = sum(one["plan"]["pulse_ms"] for one in records)
    assert records
    assert any(one["plan"]["pulse_ms"] % 150 for one in records), "a last renewal that is shorter"
    really_ms = sum(end - begin for begin, end in runs) / 1000
    assert really_ms == pytest.approx(asked_ms, abs=20 * len(records))


HANGS = b"""
import os
import chip
_middle = middle

def middle(values):
    if chip.memory():  # a moment and a state were kept
        try:
            os.remove('/hang')
        except OSError:
            return _middle(values)
        while True:
            pass
    return _middle(values)
"""


def test_a_watchdogs_bite_vouches_for_no_time(start: Start) -> None:
    """R10: RTC memory outlives it, and how long the chip was really away nobody knows."""
    desk = start(hang_s=0.5)
    desk.board.close()
    image = desk.board.image
    version = read_image(image)["code/in-force"].decode()
    parts = (Path(wakeboard.__file__).parent / "parts.py").read_bytes() + HANGS
    write_image(image, {f"code/{version}/wakeboard/parts.py": parts, "hang": b""})
    desk.board.start()
    desk.board.wait_asleep()
    desk.days(1.1)
    last = wakes(desk.close())[-1]["begin"]
    assert last["cause"] == "watchdog"
    assert (last["vouched"], last["slept_s"]) == (0, 0)


def test_what_the_flash_does_not_take_rtc_memory_keeps(start: Start) -> None:
    """R9, R11: a flash that takes no more states is no reason to forget the wake before."""
    desk = start()
    desk.board.close()
    image = desk.board.image
    there = read_image(image)
    files = {name: data for name, data in there.items() if not name.startswith("pot/state.")}
    files |= {f"pot/state.{n}/in_the_way": b"" for n in (0, 1)}  # a folder where a file should be
    image.unlink()
    make_image(image, files, image_bytes=IMAGE_BYTES)
    desk.board.start()
    desk.board.wait_asleep()
    desk.days(3.1)
    last = wakes(desk.close())[-3:]
    assert [one["stores"][-1] for one in last] == [0, 0, 0]
    assert last[1]["n"] == last[0]["n"] + 1
    assert last[2]["n"] == last[0]["n"] + 2


def test_one_echo_in_nine_is_no_level(start: Start) -> None:
    """R4: a gauge whose echoes hardly come back is not believed."""
    desk = start("citrus", blank=True)
    assert desk.flash().good
    heard = desk.world.pulse_us
    count = 0

    def pulse_us(pin: int, level: int, timeout_us: int, t_us: int) -> int:
        nonlocal count
        count += 1
        return heard(pin, level, timeout_us, t_us) if count % 9 == 0 else -1

    desk.days(1.1)
    assert wakes(desk.board.read_files())[-1]["judged"]["level"] == "good"
    desk.world.pulse_us = pulse_us  # type: ignore[method-assign]
    desk.days(1.0)
    last = wakes(desk.close())[-1]
    assert last["judged"]["level"] == "absent"
    assert last["needs"] == ["see to the level"]


def another_set(files: dict[str, bytes]) -> dict[str, bytes]:
    """The three files of that flash, each changed, made for one another."""
    made = {}
    for kind in ("limits", "settings", "calibration"):
        record, why = line.decode(files[f"pot/{kind}.json"].rstrip(b"\r\n"))
        assert record is not None, why
        if kind == "limits":
            record["dry_ms"] += 100
        else:
            record["limits_id"] = line.identity(made["limits"])
        made[kind] = line.encode(tuple(record), record)
    return made


def test_the_power_fails_while_files_are_put_in_force_together(
    start: Start, tmp_path: Path
) -> None:
    """R11, R14: at each write of the boot that does it; all three are the new ones in the end."""
    cuts = 0
    for count in range(1, 40):
        desk = start(under=tmp_path / str(count))
        desk.board.wait_asleep()
        made = another_set(desk.board.read_files())
        paths = {f"/pot/{kind}.json": data for kind, data in made.items()}
        staged: dict[str, str | bytes] = {f"{path[1:]}.new": data for path, data in paths.items()}
        desk.board.write_files({**staged, "moves": "\n".join(paths)})
        desk.board.cut_power_at(count)
        desk.days(1.1)
        cut = any(boot.ended == "power cut" for boot in desk.board.boots)
        desk.board.cut_power_at(0)
        desk.board.wait_asleep()
        files = desk.close()
        now = {path: files[path[1:]].rstrip(b"\r\n") for path in paths}
        assert now == {path: data.rstrip(b"\r\n") for path, data in paths.items()}, count
        assert "moves" not in files
        cuts += cut
        if not cut or count > 12:  # the rest of the wake has a test of its own
            break
    assert cuts > 4
