"""Pins of the desk board: outputs, pulls, hold, pulses, converter, edges, echo, temperature.

Source of what each call does: MicroPython, docs/library/machine.Pin.rst, machine.ADC.rst,
esp32.rst and the ESP32 port's source; the pins themselves: ESP32 series datasheet v5.2.
"""

from __future__ import annotations

import ast
import random
import threading
import time
from itertools import pairwise

import pytest
from desk_boards import Connect, MakeBoard
from mpremote.transport import TransportExecError

from wakewell.deskboard import DeskBoard, DeskBoardError, QuietWorld, ScriptedWorld
from wakewell.deskboard.inside import layout as L
from wakewell.usb import payload


def moves(world: ScriptedWorld, pin: int) -> list[tuple[int, int | None]]:
    """(simulated microseconds, level) of each change the world saw at a pin."""
    return [
        (t_us, level)
        for t_us, kind, number, level in world.events
        if (kind, number) == ("pin", pin)
    ]


def levels(world: ScriptedWorld, pin: int) -> list[int | None]:
    return [level for _, level in moves(world, pin)]


def test_outputs_reach_the_world_and_float_after_reset(make_board: MakeBoard) -> None:
    world = ScriptedWorld()
    board = make_board(
        {
            "main.py": "from machine import Pin\np = Pin(25, Pin.OUT, value=0)\np.on()\n"
            "p.toggle()\np(1)\nprint(p.value())\n"
        },
        world=world,
    )
    board.wait_prompt()
    assert b"1\n" in board.console
    assert levels(world, 25) == [0, 1, 0, 1]
    board.cut_power()
    assert levels(world, 25)[-1] is None


def test_pins_keep_their_level_through_a_soft_reset(
    make_board: MakeBoard, connect: Connect
) -> None:
    world = ScriptedWorld()
    transport = connect(make_board(world=world))
    transport.exec("from machine import Pin; Pin(25, Pin.OUT, value=1)")
    transport.enter_raw_repl()
    assert levels(world, 25) == [1]


def test_inputs_follow_the_wiring_and_else_the_pull(
    make_board: MakeBoard, connect: Connect
) -> None:
    world = ScriptedWorld()
    transport = connect(make_board(world=world))
    transport.exec("from machine import Pin")
    assert transport.eval("Pin(26, Pin.IN, Pin.PULL_UP).value()") == 1
    assert transport.eval("Pin(26, Pin.IN, Pin.PULL_DOWN).value()") == 0
    assert transport.eval("Pin(26, Pin.IN, None).value()") == 0
    transport.exec("p = Pin(26, Pin.IN, Pin.PULL_UP)")
    world.set_pin(26, 0)
    assert transport.eval("p.value()") == 0
    world.set_pin(26, 1)
    assert transport.eval("p.value()") == 1


@pytest.mark.parametrize("pin", [6, 20, 24, 28, 40, -1])
def test_pins_that_the_chip_does_not_have(
    make_board: MakeBoard, connect: Connect, pin: int
) -> None:
    transport = connect(make_board())
    with pytest.raises(TransportExecError, match="invalid pin"):
        transport.exec(f"from machine import Pin; Pin({pin}, Pin.IN)")


def test_input_only_pins_and_pins_without_a_converter(
    make_board: MakeBoard, connect: Connect
) -> None:
    transport = connect(make_board())
    transport.exec("from machine import Pin, ADC")
    with pytest.raises(TransportExecError, match="pin can only be input"):
        transport.exec("Pin(34, Pin.OUT)")
    with pytest.raises(TransportExecError, match="invalid pin"):
        transport.exec("ADC(Pin(5))")


HOLD = """
import esp32, machine
from machine import Pin
if machine.reset_cause() == machine.DEEPSLEEP_RESET:
    p = Pin({pin}, Pin.OUT, value=1)  # latched behind the hold, so nothing moves
    p.init(hold=False)
else:
    {deep}
    Pin({pin}, Pin.OUT, value=0, hold=True)
    machine.deepsleep(1500)
"""


@pytest.mark.parametrize(
    ("pin", "deep", "expected"),
    [
        # A pin of the RTC domain is held by itself, another one only on demand.
        (25, "pass", [0, 1]),
        (18, "esp32.gpio_deep_sleep_hold(True)", [0, 1]),
        (18, "pass", [0, None, 1]),
    ],
)
def test_a_held_pin_keeps_its_level_through_deep_sleep(
    make_board: MakeBoard, pin: int, deep: str, expected: list[int | None]
) -> None:
    world = ScriptedWorld()
    board = make_board({"main.py": HOLD.format(pin=pin, deep=deep)}, world=world, awake="stepped")
    board.wait_asleep()
    board.advance(2)
    assert levels(world, pin) == expected


def test_the_converter_reads_each_pin_and_clips_at_its_span(
    make_board: MakeBoard, connect: Connect
) -> None:
    world = ScriptedWorld()
    world.uv = {34: 1_234_567, 35: 2_900_000, 36: -5, 39: lambda t_us: t_us % 1000}
    transport = connect(make_board(world=world))
    transport.exec("from machine import ADC, Pin\nf = ADC.ATTN_11DB")
    assert transport.eval("ADC(Pin(34), atten=f).read_uv()") == 1_234_000
    assert transport.eval("ADC(35, atten=f).read_uv()") == 2_900_000
    assert transport.eval("ADC(35).read_uv()") == 1_100_000
    assert transport.eval("ADC(36, atten=f).read_uv()") == 0
    assert transport.eval("[ADC(35).read_u16(), ADC(35).read()]") == [65535, 4095]
    transport.exec("a = ADC(34, atten=f); a.read_uv()")
    world.set_uv(34, 7_900)
    assert transport.eval("a.read_uv()") == 7_000


def test_a_world_that_says_how_long_it_is_steady_is_asked_less(make_board: MakeBoard) -> None:
    class Counting(QuietWorld):
        steady_us = 100_000
        asked = 0

        def read_uv(self, pin: int, t_us: int) -> int:
            self.asked += 1
            return 1000 * self.asked

    world = Counting()
    board = make_board(
        {
            "main.py": "from machine import ADC, Pin\nimport time\na = ADC(34)\n"
            "print([a.read_uv() for _ in range(5)])\nPin(25, Pin.OUT, value=1)\n"
            "print(a.read_uv())\ntime.sleep_ms(200)\nprint(a.read_uv())\n"
        },
        world=world,
        awake="stepped",
    )
    board.wait_prompt()
    assert board.console.splitlines()[:3] == [b"[1000, 1000, 1000, 1000, 1000]", b"2000", b"3000"]


PULSE = """
import esp32, machine, time
r = esp32.RMT(pin=machine.Pin(25), resolution_hz=10000)
{body}
"""


def test_a_pulse_ends_by_itself(make_board: MakeBoard) -> None:
    world = ScriptedWorld()
    board = make_board(
        {
            "main.py": PULSE.format(
                body="r.write_pulses((2000,), 1)\nprint(r.wait_done(), r.active())\n"
                "time.sleep_ms(150)\nprint(r.wait_done())\n"
                "print(r.wait_done(timeout=20), r.wait_done(timeout=100))\n"
            )
        },
        world=world,
        awake="stepped",
    )
    board.wait_prompt()
    assert board.console.splitlines()[:3] == [b"False True", b"False", b"False True"]
    (_, idle), (on_us, on), (off_us, off) = moves(world, 25)
    assert (idle, on, off) == (0, 1, 0)
    assert off_us - on_us == 200_000


def test_pulses_follow_one_another_and_each_waits_for_the_last(make_board: MakeBoard) -> None:
    world = ScriptedWorld()
    board = make_board(
        {
            "main.py": PULSE.format(
                body="for _ in range(3):\n    r.write_pulses((1000, 500, 1000), 1)\n"
                "r.wait_done(timeout=1000)\n"
            )
        },
        world=world,
        awake="stepped",
    )
    board.wait_prompt()
    times = [t_us for t_us, _ in moves(world, 25)][1:]  # after the idle level
    lengths = [end - begin for begin, end in pairwise(times)]
    # On 100 ms, off 50, on 100, then off for as long as the next call takes to begin.
    assert lengths[0::4] == lengths[2::4] == [100_000] * 3
    assert lengths[1::4] == [50_000] * 3
    assert all(0 < gap < 1000 for gap in lengths[3::4])


def test_a_pulse_outlives_an_interpreter_that_hangs_or_resets_softly(
    make_board: MakeBoard, connect: Connect
) -> None:
    world = ScriptedWorld()
    board = make_board(world=world, awake="real")
    transport = connect(board)
    transport.exec(PULSE.format(body="r.write_pulses((2000,), 1)"))
    transport.enter_raw_repl()
    board.advance(1)
    (on_us, on), (off_us, off) = moves(world, 25)[-2:]
    assert (on, off) == (1, 0)
    assert off_us - on_us == 200_000


def test_setting_the_pin_up_anew_ends_a_pulse(make_board: MakeBoard) -> None:
    world = ScriptedWorld()
    board = make_board(
        {
            "main.py": PULSE.format(
                body="r.write_pulses((2000,), 1)\ntime.sleep_ms(50)\n"
                "machine.Pin(25).value(0)\n"  # the latch is not connected: no effect
                "time.sleep_ms(50)\nmachine.Pin(25, machine.Pin.OUT, value=0)\n"
                "time.sleep_ms(500)\n"
            )
        },
        world=world,
        awake="stepped",
    )
    board.wait_prompt()
    (on_us, _), (off_us, off) = moves(world, 25)[-2:]
    assert off == 0
    assert 100_000 <= off_us - on_us < 101_000


@pytest.mark.parametrize("how", ["machine.reset()", "machine.deepsleep()", "hang"])
def test_a_reset_ends_a_pulse(make_board: MakeBoard, how: str) -> None:
    world = ScriptedWorld()
    board = make_board(
        {
            "main.py": "import machine\nif machine.reset_cause() == 1:\n"
            + "".join(
                f"    {line}\n"
                for line in PULSE.format(
                    body="machine.WDT(timeout=100)\nr.write_pulses((2000,), 1)\ntime.sleep_ms(50)\n"
                    + how.replace("hang", "while True: pass")
                ).splitlines()
            )
        },
        world=world,
        awake="stepped",
        hang_s=0.2,
    )
    if "deepsleep" in how:
        board.wait_asleep()
    else:
        board.wait_boots(2)
        board.wait_prompt()
    (on_us, on), (end_us, end) = moves(world, 25)[-2:]
    assert (on, end) == (1, None)
    assert 50_000 <= end_us - on_us <= 110_000


def test_taking_down_a_long_pulse_panics_as_an_esp32_does(make_board: MakeBoard) -> None:
    world = ScriptedWorld()
    board = make_board(
        {
            "main.py": "import machine\nif machine.reset_cause() == 1:\n"
            + "".join(
                f"    {line}\n"
                for line in PULSE.format(
                    body="r.write_pulses((30000,), 1)\nr.deinit()"
                ).splitlines()
            )
        },
        world=world,
        awake="stepped",
    )
    board.wait_boots(2)
    assert board.boots[0].ended == "panic"
    assert levels(world, 25) == [0, 1, None]


@pytest.mark.parametrize(
    ("call", "says"),
    [
        ("r.write_pulses((), 1)", "No pulses"),
        ("r.write_pulses((40000,), 1)", "1 to 32767"),
        ("r.write_pulses((1, 2), (1,))", "same length"),
        ("r.active(1)", "write_pulses"),
        ("r.deinit(); r.write_pulses((1,), 1)", "deinitialized"),
        ("esp32.RMT(pin=25, num_symbols=2)", "num_symbols"),
        ("esp32.RMT(pin=34)", "only be input"),
    ],
)
def test_pulses_that_the_chip_refuses(
    make_board: MakeBoard, connect: Connect, call: str, says: str
) -> None:
    transport = connect(make_board())
    with pytest.raises(TransportExecError, match=says):
        transport.exec(PULSE.format(body=call))


LOCKED = """
import esp32, machine, micropython, time
p = machine.Pin(25, machine.Pin.OUT, value=0)
a = machine.ADC(machine.Pin(34), atten=machine.ADC.ATTN_11DB)
f = machine.Pin(33, machine.Pin.IN, machine.Pin.PULL_UP)
r = esp32.RMT(pin=p, resolution_hz=10000)
dog = machine.WDT(timeout=60000)
pulse = (2000,)
line = b"x" * 40
log = open("log.txt", "w")
def run():
    start = time.ticks_ms()
    r.write_pulses(pulse, 1)
    while time.ticks_diff(time.ticks_ms(), start) < 1000:
        a.read_uv()
        f.value()
        if r.wait_done():
            r.write_pulses(pulse, 1)
        time.sleep_ms(10)
    r.wait_done(timeout=300)
    p.init(machine.Pin.OUT, value=0)
    dog.feed()
    log.write(line)
    log.flush()
micropython.heap_lock()
try:
    run()
finally:
    micropython.heap_unlock()
log.close()
print("ran")
"""


def test_nothing_a_pump_run_calls_allocates(make_board: MakeBoard) -> None:
    """On the chip these calls work with the heap locked, so they must here."""
    board = make_board({"main.py": LOCKED}, awake="stepped")
    board.wait_prompt()
    assert b"ran\n" in board.console, board.console.decode()


EDGES = """
from machine import Pin
import time
seen = []
p = Pin(33, Pin.IN, Pin.PULL_UP)
p.irq(lambda pin: seen.append((pin.value(), time.ticks_ms())), Pin.IRQ_FALLING | Pin.IRQ_RISING)
print("watching")
while len(seen) < 2:
    time.sleep_ms(1)
print(seen)
"""


def test_an_edge_calls_its_handler(make_board: MakeBoard) -> None:
    world = ScriptedWorld(button_pin=33)
    board = make_board({"main.py": EDGES}, world=world, awake="real")
    while b"watching" not in board.console:
        pass
    board.press_button(0.1)
    board.wait_prompt()
    seen = eval(board.console.splitlines()[1])
    assert [level for level, _ in seen] == [0, 1]
    assert seen[0][1] < seen[1][1]


def test_an_edge_calls_its_handler_at_the_prompt(make_board: MakeBoard, connect: Connect) -> None:
    world = ScriptedWorld()
    world.pins[33] = 1
    board = make_board(world=world, awake="real")
    transport = connect(board)
    transport.exec(
        "import machine\n"
        "machine.Pin(33, machine.Pin.IN).irq(lambda p: machine.reset(), machine.Pin.IRQ_FALLING)"
    )
    boots = len(board.boots)
    world.set_pin(33, 0)
    board.wait_boots(boots + 1)
    assert board.boots[-1].cause == L.HARD_RESET


def test_the_echo_of_an_ultrasonic_sensor(make_board: MakeBoard, connect: Connect) -> None:
    world = ScriptedWorld()
    world.echo_us = {27: 1180}
    transport = connect(make_board(world=world))
    transport.exec("import machine")
    assert transport.eval("machine.time_pulse_us(machine.Pin(27), 1, 30000)") == 1180
    assert transport.eval("machine.time_pulse_us(machine.Pin(27), 1, 1000)") == -1
    assert transport.eval("machine.time_pulse_us(machine.Pin(26), 1, 30000)") == -2


def test_one_wire_temperatures(make_board: MakeBoard, connect: Connect) -> None:
    rom, other = bytes.fromhex("28ff641e8016043c"), bytes.fromhex("2800000000000011")
    world = ScriptedWorld()
    world.sensors[14] = {rom: 21_500, other: None}
    transport = connect(make_board(world=world, awake="real"))
    transport.exec(
        "import machine, onewire, ds18x20, time\n"
        "d = ds18x20.DS18X20(onewire.OneWire(machine.Pin(14)))\nroms = d.scan()"
    )
    assert transport.eval("[bytes(r) for r in roms]") == [rom, other]
    # 85 degrees is what the scratchpad holds before a conversion (DS18B20 data sheet).
    assert transport.eval("d.read_temp(roms[0])") == 85.0
    transport.exec("d.convert_temp(); time.sleep_ms(760)")
    assert transport.eval("d.read_temp(roms[0])") == 21.5
    with pytest.raises(TransportExecError, match="CRC"):
        transport.exec("d.read_temp(roms[1])")
    with pytest.raises(TransportExecError, match="OneWireError"):
        transport.exec("ds18x20.DS18X20(onewire.OneWire(machine.Pin(15))).convert_temp()")


class WeakCell(QuietWorld):
    """Browns the chip out when a pin goes high: at once, or for good."""

    def __init__(self, how: str) -> None:
        super().__init__()
        self.how = how
        self.board: DeskBoard | None = None

    def on_pin(self, pin: int, level: int | None, pull: int, t_us: int) -> None:
        if level == 1 and self.board is not None:
            getattr(self.board, self.how)()
            self.changed()


BROWN_OUT = """
import machine
if machine.RTC().memory() == b"" and "tried" not in __import__("os").listdir():
    open("tried", "w").close()
    {start}
    open("went on", "w").close()
machine.deepsleep()
"""


@pytest.mark.parametrize("how", ["hard_reset", "cut_power"])
@pytest.mark.parametrize(
    "start",
    [
        "machine.Pin(25, machine.Pin.OUT, value=1)",
        "__import__('esp32').RMT(pin=machine.Pin(25)).write_pulses((100,), 1)",
    ],
)
def test_a_brown_out_stops_the_chip_there_and_then(
    make_board: MakeBoard, how: str, start: str
) -> None:
    world = WeakCell(how)
    board = make_board(world=world, awake="stepped")
    board.wait_prompt()
    board.cut_power()
    world.board = board
    board.write_files({"main.py": BROWN_OUT.format(start=start)})
    board.power_on()
    if how == "cut_power":
        board.wait_off()
        assert board.boots[-1].ended == "power cut"
    else:
        board.wait_asleep()
        assert [boot.ended for boot in board.boots[-2:]] == ["hard reset", "deep sleep"]
    assert sorted(set(board.read_files()) - {"boot.py", "main.py"}) == ["tried"]


def test_a_world_that_raises_ends_the_board_with_its_reason(make_board: MakeBoard) -> None:
    class Broken(QuietWorld):
        def read_uv(self, pin: int, t_us: int) -> int:
            raise RuntimeError("the tank has no gauge")

    board = make_board({"main.py": "import machine\nmachine.ADC(34).read_uv()\n"}, world=Broken())
    with pytest.raises((DeskBoardError, RuntimeError), match="the tank has no gauge"):
        board.wait_prompt()
    with pytest.raises(DeskBoardError, match="the tank has no gauge"):
        board.check()
    with pytest.raises(DeskBoardError, match="the tank has no gauge"):
        board.close()


def test_who_begins_to_wait_as_the_world_raises_is_told_too(make_board: MakeBoard) -> None:
    reads = threading.Event()

    class Late(QuietWorld):
        def read_uv(self, pin: int, t_us: int) -> int:
            reads.set()
            time.sleep(0.2)  # until somebody waits; on a slow machine nobody does yet
            raise RuntimeError("the tank has no gauge")

    board = make_board({"main.py": "import machine\nmachine.ADC(34).read_uv()\n"}, world=Late())
    reads.wait()
    with pytest.raises((DeskBoardError, RuntimeError), match="the tank has no gauge"):
        board.wait_prompt()
    with pytest.raises(DeskBoardError, match="the tank has no gauge"):
        board.close()


READINGS = """
import time
from wakeboard.parts import Analogue
part = Analogue(34, 9)
for _ in range(40):
    print(part.read())
    time.sleep_ms(1000)
"""


def test_a_quiet_probe_is_not_the_same_from_reading_to_reading(make_board: MakeBoard) -> None:
    """R6: in whole millivolts nine single conversions are often all the same, and so is the next
    reading's median; then a probe that is only quiet would be called frozen."""
    scatter = random.Random(1)
    world = ScriptedWorld()
    world.uv = {34: lambda _: round(scatter.gauss(1_500_500, 250))}
    files = dict(payload.compile_code(6).files)
    files |= {name: payload.root_files("esp32")[name] for name in ("chip.py", "loader.py")}
    files |= {"main.py": READINGS.encode()}
    board = make_board(files, world=world, awake="stepped", flash=512 * 1024)
    board.wait_prompt()
    readings = [ast.literal_eval(text) for text in board.console.decode().splitlines()[:40]]
    assert len(readings) == 40
    assert all(1_499_900 < counts < 1_500_600 for counts, _ in readings)
    assert not [b for a, b in pairwise(readings) if a[0] == b[0] and b[1] == 0]
    # Single conversions tell the spread, as ever: the flicker of a probe stays seen.
    assert max(spread for _, spread in readings) == 1000


HANGS = """
import chip, machine, time
if machine.reset_cause() == machine.WDT_RESET:
    machine.deepsleep(1000)
x = chip.Pulser(25, 0)
x.arm(150, 1)
chip.watch(1000)
x.pulse(True)
x.pulse(True)
machine.disable_irq()
while True:
    time.ticks_ms()
"""


def test_a_pulse_ends_by_itself_where_even_the_watchdog_is_late(make_board: MakeBoard) -> None:
    """R2: the program hangs in a pulse with interrupts off. The pump is off after its 150 ms, long
    before the watchdog's last word, at twice its time."""
    world = ScriptedWorld()
    files = {"chip.py": payload.root_files("esp32")["chip.py"], "main.py": HANGS}
    board = make_board(files, world=world, awake="stepped")
    board.wait_asleep()
    assert [boot.ended for boot in board.boots] == ["watchdog", "deep sleep"]
    began_us, ended_us = board.boots[0].t_us, board.boots[0].end_us
    assert ended_us - began_us > 2_000_000
    on = [(t_us, level) for t_us, level in moves(world, 25) if t_us < ended_us]
    assert on[-1][1] == 0
    highs = [b[0] - a[0] for a, b in pairwise(on) if a[1] == 1]
    assert 250_000 < sum(highs) < 350_000
    assert on[-1][0] - began_us < 400_000
