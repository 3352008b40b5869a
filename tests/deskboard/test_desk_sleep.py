"""Simulated time on the desk board: deep sleep, causes, RTC memory, watchdog, timers.

Source of the causes and reasons: MicroPython, docs/library/machine.rst and
ports/esp32/modmachine.c.
"""

from __future__ import annotations

import os
import signal
import time

import pytest
from desk_boards import Connect, MakeBoard

from wakewell.deskboard import DeskBoardError, ScriptedWorld, read_image
from wakewell.deskboard.inside import layout as L

COUNT_WAKES = """
import machine
rtc = machine.RTC()
n = int(rtc.memory() or b"0") + 1
rtc.memory(str(n).encode())
with open("log.txt", "a") as f:
    f.write("%d %d %d\\n" % (n, machine.reset_cause(), machine.wake_reason()))
machine.deepsleep(3600000)
"""


def test_weeks_of_deep_sleep_keep_rtc_memory_and_time(make_board: MakeBoard) -> None:
    world = ScriptedWorld()
    board = make_board({"main.py": COUNT_WAKES}, world=world, awake="stepped")
    board.wait_asleep()
    board.advance(14 * 86400)
    # The first wake and one each hour; a wake takes less than 0.2 s, so the last hour's may
    # be yet to come.
    assert len(board.boots) in (14 * 24, 14 * 24 + 1)
    assert board.rtc_memory == str(len(board.boots)).encode()
    slept_us = sum(took or 0 for _, kind, _, took in world.events if kind == "sleep")
    awake_us = sum(boot.end_us - boot.t_us for boot in board.boots)
    assert slept_us + awake_us == board.now_us
    board.close()
    lines = read_image(board.image)["log.txt"].decode().splitlines()
    assert lines[0] == f"1 {L.PWRON_RESET} 0"
    assert all(line.endswith(f" {L.DEEPSLEEP_RESET} {L.TIMER_WAKE}") for line in lines[1:])


def test_stepped_time_is_the_same_every_time(make_board: MakeBoard) -> None:
    ends = []
    for _ in range(2):
        board = make_board({"main.py": COUNT_WAKES}, awake="stepped")
        board.wait_asleep()
        board.advance(86400)
        ends.append([(boot.t_us, boot.end_us, boot.writes) for boot in board.boots])
    assert ends[0] == ends[1]


WORK_A_WHILE = """
import machine, time
time.sleep_ms(20)
machine.deepsleep(3600000)
"""


def test_a_wake_on_the_way_is_not_stretched(make_board: MakeBoard) -> None:
    """By the PC's clock, too: time runs fast while the chip sleeps, not while it works."""
    world = ScriptedWorld()
    board = make_board({"main.py": WORK_A_WHILE}, world=world, awake="real")
    board.wait_asleep()
    board.advance(5.5 * 3600)
    assert len(board.boots) == 6
    slept = [took for _, kind, _, took in world.events if kind == "sleep" and took is not None]
    assert slept[:5] == [3_600_000_000] * 5


def test_power_on_and_reset_line_lose_rtc_memory_and_clock(make_board: MakeBoard) -> None:
    board = make_board(
        {
            "main.py": "import machine, time\nrtc = machine.RTC()\n"
            "print(machine.reset_cause(), rtc.memory(), time.time())\n"
            "rtc.memory(b'kept')\nrtc.datetime((2026, 6, 1, 0, 12, 0, 0, 0))\n"
            "machine.deepsleep(60000)\n"
        },
        awake="stepped",
    )
    board.wait_asleep()
    board.advance(61)
    board.hard_reset()
    board.wait_asleep()
    board.cut_power()
    assert board.state == "off"
    board.power_on()
    board.wait_asleep()
    noon_s = 833630400  # 2026-06-01 12:00:00 in seconds from 2000, by CPython's datetime
    assert board.console.decode().splitlines() == [
        "1 b'' 0",
        f"4 b'kept' {noon_s + 60}",
        "1 b'' 0",
        "1 b'' 0",
    ]


def test_software_reset_keeps_rtc_memory(make_board: MakeBoard) -> None:
    board = make_board(
        {
            "main.py": "import machine\nm = machine.RTC().memory()\n"
            "print(machine.reset_cause(), m)\n"
            "machine.RTC().memory(m + b'x')\n"
            "if len(m) == 0:\n    machine.reset()\n"
            "if len(m) == 1:\n    machine.soft_reset()\n"
        },
        awake="stepped",
    )
    board.wait_boots(3)
    board.wait_prompt()
    assert b"1 b''\n2 b'x'\nMPY: soft reboot\n5 b'xx'\n" in board.console.replace(b"\r\n", b"\n")


def test_rtc_memory_refuses_more_than_a_chip_has(make_board: MakeBoard, connect: Connect) -> None:
    transport = connect(make_board())
    transport.exec("import machine; m = machine.RTC().memory")
    transport.exec("m(bytes(2048))")
    assert transport.eval("len(m())") == 2048
    with pytest.raises(Exception, match="buffer too long"):
        transport.exec("m(bytes(2049))")


def test_finally_does_not_run_when_the_chip_goes_to_sleep(make_board: MakeBoard) -> None:
    board = make_board(
        {
            "main.py": "import machine\ntry:\n    machine.deepsleep(1000)\n"
            "except BaseException as e:\n    print('caught', e)\nfinally:\n    print('finally')\n"
        }
    )
    board.wait_asleep()
    assert board.console == b""


def test_the_sleep_oscillator_may_be_slow(make_board: MakeBoard) -> None:
    board = make_board({"main.py": COUNT_WAKES}, awake="stepped", sleep_error_ppm=50_000)
    first = board.wait_asleep()
    board.advance(3800)
    assert board.boots[1].t_us - first.end_us == 3_780_000_000
    assert first.sleep_ms == 3_600_000


def test_sleep_without_a_timer_lasts_until_the_button(make_board: MakeBoard) -> None:
    world = ScriptedWorld(button_pin=33)
    board = make_board(
        {
            "main.py": "import machine, esp32\n"
            "p = machine.Pin(33, machine.Pin.IN, machine.Pin.PULL_UP)\n"
            "esp32.wake_on_ext0(p, esp32.WAKEUP_ALL_LOW)\n"
            "print(machine.wake_reason(), p.value())\n"
            "while not p.value():\n    machine.lightsleep(20)\n"
            "machine.deepsleep()\n"
        },
        world=world,
        awake="stepped",
    )
    board.wait_asleep()
    board.advance(86400)
    assert len(board.boots) == 1
    board.press_button(0.5)
    board.wait_boots(2)
    board.wait_asleep()
    board.advance(10)
    assert board.console.splitlines() == [b"0 1", b"2 0"]
    # It slept no sooner than the button was let go.
    assert 500_000 <= board.boots[1].end_us - board.boots[1].t_us < 600_000
    assert [boot.wake_reason for boot in board.boots] == [0, L.EXT0_WAKE]


def test_ext1_wakes_when_any_pin_is_high(make_board: MakeBoard) -> None:
    world = ScriptedWorld()
    world.pins = {32: 0, 25: 0}
    board = make_board(
        {
            "main.py": "import machine, esp32\n"
            "pins = [machine.Pin(n, machine.Pin.IN) for n in (32, 25)]\n"
            "esp32.wake_on_ext1(pins, esp32.WAKEUP_ANY_HIGH)\n"
            "if pins[1].value():\n    raise SystemExit\n"
            "machine.deepsleep(3600000)\n"
        },
        world=world,
        awake="stepped",
    )
    board.wait_asleep()
    board.advance(60)
    world.set_pin(25, 1)
    board.wait_boots(2)
    assert board.boots[1].wake_reason == L.EXT1_WAKE


def test_a_held_down_button_wakes_again_and_again(make_board: MakeBoard) -> None:
    world = ScriptedWorld(button_pin=33)
    board = make_board(
        {
            "main.py": "import machine, esp32\n"
            "p = machine.Pin(33, machine.Pin.IN, machine.Pin.PULL_UP)\n"
            "if machine.RTC().memory() != b'masked':\n    esp32.wake_on_ext0(p, 0)\n"
            "if not p.value():\n    machine.RTC().memory(b'masked')\n"
            "machine.deepsleep(60000)\n"
        },
        world=world,
        awake="stepped",
    )
    board.wait_asleep()
    board.press_button(None)
    # One wake by the button, one at once because it is still armed, then masked.
    board.wait_boots(3)
    board.wait_asleep()
    assert [boot.wake_reason for boot in board.boots] == [0, L.EXT0_WAKE, L.EXT0_WAKE]
    board.release_button()
    board.advance(61)
    assert board.boots[-1].wake_reason == L.TIMER_WAKE


@pytest.mark.parametrize(
    "hang",
    [
        "while True:\n    time.sleep_ms(10)\n",
        "while True:\n    pass\n",
        "while True: time.ticks_ms()\n",
    ],
)
@pytest.mark.parametrize("awake", ["stepped", "real"])
def test_the_watchdog_bites_a_board_that_hangs(
    make_board: MakeBoard, awake: str, hang: str
) -> None:
    board = make_board(
        {
            "main.py": "import machine, time\n"
            "print(machine.reset_cause(), machine.RTC().memory())\n"
            "if machine.reset_cause() == machine.WDT_RESET:\n    machine.deepsleep(1000)\n"
            "machine.RTC().memory(b'kept')\n"
            "dog = machine.WDT(timeout=300)\n"
            "for _ in range(4):\n    time.sleep_ms(100)\n    dog.feed()\n" + hang
        },
        awake=awake,
        hang_s=0.2,
    )
    board.wait_asleep()
    assert [boot.ended for boot in board.boots] == ["watchdog", "deep sleep"]
    assert board.boots[1].cause == L.WDT_RESET
    assert b"3 b'kept'" in board.console
    # Fed four times over 400 ms, then 300 ms more. In real time a busy PC sees the boot begin late
    # or its end late: only stepped time is exact.
    ran_us = board.boots[0].end_us - board.boots[0].t_us
    assert awake == "real" or 700_000 <= ran_us < 710_000


def test_with_interrupts_off_the_watchdog_has_its_last_word_at_twice_its_time(
    make_board: MakeBoard,
) -> None:
    """ESP-IDF, esp_system/task_wdt/task_wdt_impl_timergroup.c: the first of its two stages is an
    interrupt, the second resets the chip."""
    board = make_board(
        {
            "main.py": "import machine, time\n"
            "if machine.reset_cause() == machine.WDT_RESET:\n    machine.deepsleep(1000)\n"
            "machine.WDT(timeout=300)\nmachine.disable_irq()\nwhile True: time.ticks_ms()\n"
        },
        awake="stepped",
    )
    board.wait_asleep()
    assert [boot.ended for boot in board.boots] == ["watchdog", "deep sleep"]
    assert 600_000 <= board.boots[0].end_us - board.boots[0].t_us < 610_000


COMPUTE = """
import machine
dog = machine.WDT(timeout=300)
print("armed")
for _ in range(2000000):
    pass
machine.deepsleep(1000)
"""


def test_a_computer_with_other_things_to_do_is_no_hang(make_board: MakeBoard) -> None:
    """The interpreter gets no time of the processor for longer than a hang may last."""
    board = make_board({"main.py": COMPUTE}, awake="stepped", hang_s=1.0)

    def stop() -> int:
        """On the board's own thread, so that the boot does not end meanwhile."""
        assert board.inner.interpreter is not None
        os.kill(board.inner.interpreter.pid, signal.SIGSTOP)
        return board.inner.interpreter.pid

    while b"armed" not in board.console:
        pass
    pid = board.do(stop)
    time.sleep(1.5)
    os.kill(pid, signal.SIGCONT)
    board.wait_asleep()
    assert [boot.ended for boot in board.boots] == ["deep sleep"]


def test_the_watchdog_stays_armed_through_a_soft_reset(
    make_board: MakeBoard, connect: Connect
) -> None:
    board = make_board()
    transport = connect(board)
    transport.exec("import machine; machine.WDT(timeout=60000)")
    transport.enter_raw_repl()
    transport.exec("import time")
    board.advance(61)
    board.wait_boots(4)
    assert [boot.cause for boot in board.boots][-1] == L.WDT_RESET


TIMERS = """
import machine, time
start = time.ticks_ms()
fired = []
def note(t):
    fired.append((t.name, time.ticks_diff(time.ticks_ms(), start)))
once = machine.Timer(0)
once.name = "once"
once.init(mode=machine.Timer.ONE_SHOT, period=250, callback=note)
often = machine.Timer(1)
often.name = "often"
often.init(period=100, callback=note)
time.sleep_ms(520)
often.deinit()
time.sleep_ms(300)
print(fired)
"""


def test_timers_fire_in_simulated_time(make_board: MakeBoard) -> None:
    board = make_board({"main.py": TIMERS}, awake="stepped")
    board.wait_prompt()
    fired = eval(board.console.splitlines()[0])
    assert [name for name, _ in fired] == ["often", "often", "once", "often", "often", "often"]
    for (_, at_ms), due_ms in zip(fired, (100, 200, 250, 300, 400, 500), strict=True):
        assert due_ms <= at_ms <= due_ms + 1


def test_a_timer_fires_while_code_never_looks_at_the_clock(make_board: MakeBoard) -> None:
    board = make_board(
        {
            "main.py": "import machine\nstop = []\n"
            "machine.Timer(0).init(mode=0, period=50, callback=stop.append)\n"
            "while not stop:\n    pass\nprint('fired')\n"
        },
        awake="real",
    )
    board.wait_prompt()
    assert b"fired\n" in board.console


def test_a_timer_fires_at_the_prompt(make_board: MakeBoard, connect: Connect) -> None:
    """What a host's lease needs: the host has gone quiet, the prompt waits."""
    board = make_board(awake="real")
    transport = connect(board)
    transport.exec(
        "import machine\n"
        "machine.Timer(0).init(mode=0, period=300000, callback=lambda t: machine.reset())"
    )
    boots = len(board.boots)
    board.advance(299)
    assert len(board.boots) == boots
    board.advance(2)
    board.wait_boots(boots + 1)
    assert board.boots[-1].cause == L.HARD_RESET
    took_s = (board.boots[-1].t_us - board.boots[-2].t_us) / 1e6
    assert took_s >= 300


def test_a_callback_that_raises_is_told_and_not_called_again(
    make_board: MakeBoard, connect: Connect
) -> None:
    board = make_board(awake="real")
    connect(board).exec(
        "import machine\nn = []\n"
        "def fail(t):\n    n.append(1)\n    raise RuntimeError('call %d' % len(n))\n"
        "machine.Timer(0).init(mode=0, period=1000, callback=fail)"
    )
    for _ in range(5):
        board.advance(2)
    while b"RuntimeError" not in board.console:
        pass
    assert board.console.count(b"RuntimeError: call 1") == 1
    assert b"call 2" not in board.console


def test_advance_says_when_the_board_does_not_come_to_rest(make_board: MakeBoard) -> None:
    board = make_board({"main.py": "print('here')\nwhile True:\n    pass\n"}, awake="stepped")
    with pytest.raises(DeskBoardError, match=r"did not come to rest in 0\.2 s.*\n.*here"):
        board.advance(10, timeout_s=0.2)


def test_deep_sleep_skipped_without_waiting(make_board: MakeBoard) -> None:
    board = make_board({"main.py": COUNT_WAKES}, awake="stepped", asleep="skip")
    board.wait_boots(20)
    assert board.now_us > 18 * 3_600_000_000


def test_deep_sleep_in_real_time_but_faster(make_board: MakeBoard) -> None:
    board = make_board({"main.py": COUNT_WAKES}, awake="stepped", asleep="real", speed=36000)
    board.wait_boots(3)
    assert board.boots[1].wake_reason == L.TIMER_WAKE


ASLEEP = """
import machine, esp32
p = machine.Pin({pin}, machine.Pin.IN, {pull}, hold={hold})
{wake}
machine.deepsleep(60000)
"""
EXT0 = "esp32.wake_on_ext0(p, esp32.WAKEUP_ALL_LOW)"
GPIO = "esp32.wake_on_gpio((p,), esp32.WAKEUP_ALL_LOW)"
UP = "machine.Pin.PULL_UP"


@pytest.mark.parametrize(
    ("chip", "pin", "wake", "pull", "hold", "wakes_itself"),
    [
        # ESP-IDF, gpio_pullup_en: on the plain ESP32 the pull is the RTC domain's own.
        ("esp32", 33, EXT0, UP, False, False),
        ("esp32", 33, EXT0, None, False, True),
        # On the S3 it is the digital pad's, and gone with it, unless it is held.
        ("esp32-s3", 8, EXT0, UP, False, True),
        ("esp32-s3", 8, EXT0, UP, True, False),
        # ESP-IDF, CONFIG_ESP_SLEEP_GPIO_ENABLE_INTERNAL_RESISTORS: pulled against the level.
        ("esp32-c3", 4, GPIO, None, False, False),
        ("esp32-c6", 4, GPIO, None, False, False),
    ],
)
def test_what_becomes_of_a_wake_pins_own_pull(
    make_board: MakeBoard,
    chip: str,
    pin: int,
    wake: str,
    pull: str | None,
    hold: bool,
    wakes_itself: bool,
) -> None:
    """Nothing is wired to the pin: only its pull can keep it from waking the chip."""
    source = ASLEEP.format(pin=pin, wake=wake, pull=pull, hold=hold)
    board = make_board({"main.py": source}, chip=chip, awake="stepped")
    if wakes_itself:
        board.wait_boots(3)
        assert {boot.wake_reason for boot in board.boots[1:3]} == {L.EXT0_WAKE}
    else:
        board.wait_asleep()
        board.advance(59)
        assert len(board.boots) == 1
        board.advance(2)
        assert board.boots[1].wake_reason == L.TIMER_WAKE


def test_a_c6_holds_each_pin_by_itself_and_has_no_switch_for_all(make_board: MakeBoard) -> None:
    """ESP-IDF, SOC_GPIO_SUPPORT_HOLD_SINGLE_IO_IN_DSLP; MicroPython, ports/esp32/modesp32.c."""
    source = """
import machine, esp32
print(hasattr(esp32, "gpio_deep_sleep_hold"), hasattr(esp32, "wake_on_ext0"))
machine.Pin(20, machine.Pin.OUT, value=0, hold=True)
machine.deepsleep(60000)
"""
    world = ScriptedWorld()
    board = make_board({"main.py": source}, world=world, chip="esp32-c6", awake="stepped")
    board.wait_asleep()
    assert board.console.splitlines() == [b"False False"]
    assert world.driven[20] == 0
