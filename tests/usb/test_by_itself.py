"""What a board does with nobody at the cable: its button, its pins asleep, a flash gone bad."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest
import tomlkit
from usb_desks import (
    IMAGE_BYTES,
    Desk,
    commission_for,
    copy_pot,
    newest_state,
    silent,
    wakes,
    world_for,
)

import wakeboard
from wakecore import line, rules
from wakewell.deskboard import DeskBoard, read_image, write_image
from wakewell.pot import pot_folder
from wakewell.replay import replaying
from wakewell.usb import payload, pull
from wakewell.usb.link import connect

Start = Callable[..., Desk]


def lock_out(desk: Desk, *names: str) -> None:
    """Latch these lockouts in the state on its flash; the board is off meanwhile."""
    desk.board.cut_power()
    desk.board.close()
    state = newest_state(read_image(desk.board.image))
    for name in names:
        rules.latch(state, name)
    state.seq += 1
    write_image(desk.board.image, {f"pot/state.{n}": state.to_bytes() for n in (0, 1)})
    desk.board.start()
    desk.board.wait_asleep()


def test_a_press_of_two_seconds_ends_the_owners_lockouts(start: Start) -> None:
    """R12: the press is timed as it is made, not after the host's window."""
    desk = start()
    desk.board.wait_asleep()
    lock_out(desk, "no response")
    desk.days(0.3)
    desk.board.press_button(2.6)
    desk.board.advance(60)
    desk.board.wait_asleep()
    last = wakes(desk.close())[-1]
    assert last["begin"]["cause"] == "button"
    assert 2000 <= last["begin"]["button_ms"] < 4000
    assert last["lockouts"] == []


def pad(desk: Desk, pin: int) -> tuple[int | None, int, bool]:
    """Level, pull and hold of a pin as it is now."""
    found = desk.board.inner.pads.by_pin[pin]
    return found.level, found.pull, found.held


def rewired(desk: Desk, more: str = "", **pins: int) -> None:
    """Other pins in the pot's wiring.toml, and parts added to it; then flashed."""
    path = desk.folder / "wiring.toml"
    document = tomlkit.parse(path.read_text())
    for part, pin in pins.items():
        document[part]["pin"] = pin  # type: ignore[index]
    path.write_text(tomlkit.dumps(document) + more)
    commission_for(desk.folder, b"desk-1")
    desk.board.close()
    desk.world = world_for(desk.folder)
    desk.board.world = desk.world
    desk.board.start()
    desk.flash()


def test_the_light_answers_a_press(start: Start) -> None:
    """R12: one long light for a pot that is well, short ones for one that needs somebody."""
    desk = start()
    rewired(desk, "light = { pin = 22 }\n")
    lit: list[tuple[int, int | None]] = []
    seen = desk.world.on_pin

    def on_pin(pin: int, level: int | None, pull: int, t_us: int) -> None:
        if pin == 22:
            lit.append((t_us, level))  # the first is the answer to the press itself
        seen(pin, level, pull, t_us)

    desk.world.on_pin = on_pin  # type: ignore[method-assign]

    def lights_ms() -> list[int]:
        lit.clear()
        desk.board.press_button(0.2)
        desk.board.advance(60)
        desk.board.wait_asleep()
        on = [t for t, level in lit if level == 1]
        off = [t for t, level in lit if level == 0 and t > on[0]]
        return [(b - a) // 1000 for a, b in zip(on, off, strict=False)][1:]

    assert lights_ms() == pytest.approx([1500], abs=5)
    desk.board.do(lambda: setattr(desk.world.pot.line, "tank_ml", 700.0))
    assert lights_ms() == pytest.approx([150], abs=5)
    last = wakes(desk.close())[-1]
    assert last["needs"] == ["fill the tank"]


def test_asleep_nothing_draws_that_need_not(start: Start) -> None:
    """R1, and the sensors' supply: both held off through deep sleep; pulls of switches gone.

    A closed switch would draw through its pull all the time (MicroPython, quick reference for
    the ESP32, deep-sleep mode).
    """
    desk = start()
    desk.days(1.1)
    parts = desk.world.parts
    assert pad(desk, parts["pump"].pins["pin"]) == (0, 0, True)
    assert pad(desk, parts["power"].pins["pin"]) == (0, 0, True)
    assert pad(desk, parts["charger"].pins["pin"]) == (None, 0, False)
    # The supply comes on again at the next wake, and the readings with it.
    desk.days(1)
    assert wakes(desk.close())[-1]["judged"]["soil"] == "good"


def test_a_wake_that_fails_sleeps_with_pump_and_sensors_held_off(start: Start) -> None:
    """R1, R13: pump and sensors on pins that only the hold of all pins keeps."""
    desk = start()
    rewired(desk, pump=19, power=23)
    desk.board.close()
    image = desk.board.image
    version = read_image(image)["code/in-force"].decode()
    parts = (Path(wakeboard.__file__).parent / "parts.py").read_bytes()
    broken = (
        parts.replace(b"except Exception", b"except OSError")
        + b"""
def middle(values):
    if values[0] < 1800000:  # the soil probe's, with the sensors on
        raise SystemError
    return [values[0], 0]
"""
    )
    # A source file is found before a compiled one of the same name.
    write_image(image, {f"code/{version}/wakeboard/parts.py": broken})
    desk.board.start()
    assert desk.board.wait_asleep().sleep_ms == 3_600_000
    assert pad(desk, 19) == (0, 0, True)
    assert pad(desk, 23) == (0, 0, True)
    assert b"SystemError" in desk.close()["error.txt"]


# Another program's files on every block, the last bytes too.
FILL = """
for size in (65536, 4096, 64):
    try:
        for n in range(1000):
            with open('/theirs-%d-%d' % (size, n), 'wb') as f:
                for _ in range(size // 64):
                    f.write(bytes(64))
    except OSError:
        pass
"""


def test_a_full_flash_does_not_keep_it_from_reading_and_sleeping(start: Start) -> None:
    """R9, R13: what cannot be stored cannot be pumped; it sleeps as long as it should."""
    desk = start(changes={"water": 0.2})
    desk.days(1.1)
    with connect(desk.take(), silent, 20) as session:
        session.exec(FILL)
    desk.let_go()
    pumped_us, before = desk.world.pump_us, len(desk.board.boots)
    desk.days(3)
    boots = desk.board.boots[before:]
    assert len(boots) >= 2
    assert {boot.ended for boot in boots} == {"deep sleep"}
    assert 3_600_000 not in [boot.sleep_ms for boot in boots], "the sleep of a wake that failed"
    assert desk.world.pump_us == pumped_us


def test_a_damaged_count_of_boots_is_no_end(start: Start) -> None:
    desk = start()
    desk.board.close()
    write_image(desk.board.image, {"boots": b"\xfe?x"})
    desk.board.start()
    assert desk.board.wait_asleep().sleep_ms > 3_600_000
    assert desk.close()["boots"] == b"0"


def test_the_window_is_short_on_a_weak_cell(start: Start) -> None:
    """R5: each reset of a browning-out board would cost the cell ten seconds awake."""
    desk = start()
    desk.let_go()
    full_us = awake_us(desk)
    lock_out(desk, "battery low")
    desk.board.close()
    assert read_image(desk.board.image)["boots"] == b"0 weak"
    desk.board.start()
    desk.board.wait_asleep()
    assert full_us - awake_us(desk) == pytest.approx(7e6, rel=0.1)


def awake_us(desk: Desk) -> int:
    """How long the last boot was awake."""
    return desk.board.boots[-1].end_us - desk.board.boots[-1].t_us


def test_a_leak_outlives_a_lost_state_and_the_button(start: Start) -> None:
    """R8, R11: the owner's press ends the lost state; a latched leak still waits for the cable."""
    desk = start()
    lock_out(desk, "leak")
    desk.days(1.1)
    desk.board.close()
    write_image(desk.board.image, {f"pot/state.{n}": b"rust" for n in (0, 1)})
    desk.board.start()
    desk.board.wait_asleep()
    desk.board.advance(60)
    desk.board.press_button(3)
    desk.board.advance(60)
    desk.board.wait_asleep()
    files = desk.close()
    lost, pressed = wakes(files)[-2:]
    assert lost["begin"]["state"] == "lost"
    assert lost["lockouts"] == ["leak", "state lost"]
    assert pressed["begin"]["button_ms"] >= 2000
    assert pressed["lockouts"] == ["leak"]
    desk.board.start()
    pull.pull_one(desk.folder, desk.take(), 20)
    report = replaying.replay_log("basil", sorted((desk.folder / "logs").glob("*.jsonl")))
    assert report.good
    assert report.played == len(wakes(files))


def test_a_part_on_the_pumps_pin_is_never_moved(start: Start) -> None:
    """R1: a power cut between two files of a new wiring may leave half of each in force."""
    desk = start()
    desk.board.close()
    pot = pot_folder.load(desk.folder)
    pump, power = pot.parts["pump"].pins["pin"], pot.parts["power"].pins["pin"]
    data = payload.wiring_line(pot).replace(b'"power_pin":%d' % power, b'"power_pin":%d' % pump)
    record = json.loads(data)
    del record["crc"]
    write_image(desk.board.image, {"pot/wiring.json": line.encode(tuple(record), record)})
    desk.board.start()
    desk.board.wait_asleep()
    desk.days(1.1)
    assert not desk.world.runs
    assert wakes(desk.close())[-1]["judged"]["soil"] == "absent"


def test_a_pot_with_a_mere_float_switch(tmp_path: Path) -> None:
    """R4: it waters, stops when the float opens, locks out when that comes again and again, and
    goes on after a refill and a press. The hose has no check valve and holds 23 ml, which run back
    into the tank after each stop, more than the float's 15 ml from open to closed."""
    folder = copy_pot("mint", tmp_path)
    about = folder / "pot.toml"
    own = 'inner_mm = 4\nlength_mm = 500\nvalve = "check"'
    text = about.read_text()
    assert own in text
    about.write_text(text.replace(own, 'inner_mm = 6\nlength_mm = 800\nvalve = "none"'))
    world = world_for(folder, water=0.2, tank_ml=560.0)
    with DeskBoard(
        tmp_path / "flash.img", world, image_bytes=IMAGE_BYTES, awake="real",
        chip="esp32-c3", unique_id=b"desk-1",
    ) as board:  # fmt: skip
        world.board = board
        desk = Desk(board, world, folder)
        assert desk.flash().good
        desk.days(5)
        assert pad(desk, 10) == (None, 0, False)
        pumped_us = world.pump_us
        desk.days(2)
        assert world.pump_us == pumped_us
        board.do(world.pot.refill)
        board.press_button(3)
        desk.days(5)
        assert world.pump_us > pumped_us
        pull.pull_one(folder, desk.take(), 20)
    found = wakes(read_image(tmp_path / "flash.img"))
    trips = [record["trips"] for record in found if record["trips"]]
    assert trips == [["reserve"]] * 3
    locked = [record["lockouts"] for record in found]
    assert ["dry run"] in locked
    assert locked[-1] == []
    assert "fill the tank" in found[[bool(x) for x in locked].index(True)]["needs"]
    report = replaying.replay_log("mint", sorted((folder / "logs").glob("*.jsonl")))
    assert report.good
    assert report.played == len(found)


def on_a_c6(folder: Path) -> None:
    """The mint's pot, on pins that are fit for it on a C6."""
    about, wiring = folder / "pot.toml", folder / "wiring.toml"
    about.write_text(about.read_text().replace('"esp32-c3"', '"esp32-c6"'))
    text = wiring.read_text()
    for old, new in ((7, 20), (10, 21), (5, 22), (4, 2)):
        text = text.replace(f"pin = {old},", f"pin = {new},")
        text = text.replace(f"pin = {old} ", f"pin = {new} ")
    wiring.write_text(text)


@pytest.mark.parametrize(
    ("name", "chip"),
    [("citrus", "esp32"), ("fern", "esp32-s3"), ("mint", "esp32-c3"), ("mint", "esp32-c6")],
)
def test_every_chip_waters_and_wakes_by_its_button(tmp_path: Path, name: str, chip: str) -> None:
    """An ultrasonic gauge, a chip whose pulls are lost in deep sleep, one that wakes by
    wake_on_gpio, one that holds each pin by itself. Nothing wakes them but time and the press."""
    folder = copy_pot(name, tmp_path)
    if chip == "esp32-c6":
        on_a_c6(folder)
        commission_for(folder, b"desk-1")
    world = world_for(folder, water=0.15)
    with DeskBoard(
        tmp_path / "flash.img", world, image_bytes=IMAGE_BYTES, awake="real", chip=chip,
        unique_id=b"desk-1",
    ) as board:  # fmt: skip
        world.board = board
        desk = Desk(board, world, folder)
        assert desk.flash().good
        desk.days(2.5)
        board.press_button(0.5)
        board.advance(60)
        board.wait_asleep()
        pull.pull_one(folder, desk.take(), 20)
    found = wakes(read_image(tmp_path / "flash.img"))
    causes = [record["begin"]["cause"] for record in found]
    assert set(causes[1:-1]) == {"timer"}
    assert causes[-1] == "button"
    assert world.pump_us > 1_000_000
    report = replaying.replay_log(name, sorted((folder / "logs").glob("*.jsonl")))
    assert report.good
    assert report.played == len(found)
