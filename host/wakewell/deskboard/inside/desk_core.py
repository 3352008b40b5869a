# mypy: ignore-errors
"""The desk interpreter's clock, its line to chip.py, and what it remembers of its pins.

Belongs here: shared memory, messages, simulated time, timers and edges that fall due.
Does not belong here: anything with a name of the `machine` module.

Runs on MicroPython only. Nothing here allocates once the board code runs, because on the chip
the same calls work with the heap locked: hence globals, preallocated buffers, and 32-bit
fields (reading a 64-bit one makes a big integer).
"""

import _thread
import gc
import struct
import sys
import time as _pc_time

import layout as L
import micropython
import uctypes

_ticks_us = _pc_time.ticks_us
_usleep = _pc_time.sleep_us
_pack = struct.pack_into
_schedule = micropython.schedule

_addr = int(sys.argv[2])
MEM = uctypes.bytearray_at(_addr, L.SHARED_BYTES)
EVENTS = open(int(sys.argv[3]), "r+b")  # noqa: SIM115

S = uctypes.struct(
    _addr,
    {
        "paced": uctypes.UINT32 | L.PACED,
        "jump_ms": uctypes.UINT32 | L.JUMP_MS,
        "world_gen": uctypes.UINT32 | L.WORLD_GEN,
        "reset_cause": uctypes.UINT32 | L.RESET_CAUSE,
        "wake_reason": uctypes.UINT32 | L.WAKE_REASON,
        "run_main": uctypes.UINT32 | L.RUN_MAIN,
        "wdt_ms": uctypes.UINT32 | L.WDT_MS,
        "at_prompt": uctypes.UINT32 | L.AT_PROMPT,
        "flash_reads": uctypes.UINT32 | L.FLASH_READS,
        "flash_writes": uctypes.UINT32 | L.FLASH_WRITES,
        "flash_erases": uctypes.UINT32 | L.FLASH_ERASES,
        "noting": uctypes.UINT32 | L.NOTING,
        "cut_left": uctypes.UINT32 | L.CUT_LEFT,
        "cut_half": uctypes.UINT32 | L.CUT_HALF,
        "block_bytes": uctypes.UINT32 | L.BLOCK_BYTES,
        "block_count": uctypes.UINT32 | L.BLOCK_COUNT,
        "rtc_len": uctypes.UINT32 | L.RTC_LEN,
        "patience": uctypes.UINT32 | L.PATIENCE,
        "held": uctypes.UINT64 | L.HELD,
        "irq_off": uctypes.UINT32 | L.IRQ_OFF,
        "edges": uctypes.UINT32 | L.EDGES,
        "looking": uctypes.UINT32 | L.LOOKING,
        "rises": (uctypes.ARRAY | L.IRQ_RISES, L.PINS | uctypes.UINT32),
        "falls": (uctypes.ARRAY | L.IRQ_FALLS, L.PINS | uctypes.UINT32),
    },
    uctypes.NATIVE,
)


def _pins(offset):
    mask = struct.unpack_from("<Q", MEM, offset)[0]
    return tuple([pin for pin in range(L.PINS) if mask >> pin & 1])


OUTPUT_PINS = _pins(L.OUTPUT_PINS)
INPUT_ONLY_PINS = _pins(L.INPUT_ONLY_PINS)
RTC_PINS = _pins(L.RTC_PINS)
ADC_PINS = _pins(L.ADC_PINS)
RISES = S.rises
FALLS = S.falls

_out = bytearray(L.MESSAGE_BYTES + L.PULSE_BYTES * L.MOST_PULSES)
_in = bytearray(L.ANSWER_BYTES)
_answer = uctypes.struct(
    uctypes.addressof(_in),
    {"seq": uctypes.UINT32 | 0, "value": uctypes.INT32 | 4, "hold_us": uctypes.UINT32 | 8},
    uctypes.NATIVE,
)
_seq = 0
hold_us = 0
owed_us = 0
"""Time that the flash took and that the clock does not show yet."""

boot_us = struct.unpack_from("<q", MEM, L.BOOT_US)[0]
_now = struct.unpack_from("<q", MEM, L.NOW_US)[0]
_wall = _ticks_us()
rtc_base_us = struct.unpack_from("<q", MEM, L.RTC_BASE_US)[0]
_wdt_due = struct.unpack_from("<q", MEM, L.WDT_DUE_US)[0] if S.wdt_ms else L.NEVER_US
_timers = [None] * 16
_due = _wdt_due
_irqs = [None] * L.PINS  # (handler, trigger, pin object) of each watched pin
_watched = []
_rises_seen = [RISES[i] for i in range(L.PINS)]
_falls_seen = [FALLS[i] for i in range(L.PINS)]
_watcher_runs = False

# What a call costs in simulated microseconds when time only passes as it is used. Order of
# magnitude of an ESP32 at 160 MHz: common practice, no source.
CALL_US = 10
ADC_US = 60


# --- messages -------------------------------------------------------------------------------


def tell(kind, pin=0, a=0, b=0, amount=0, big=0):
    """Send a message that wants no answer."""
    _pack(L.MESSAGE, _out, 0, kind, pin, a, b, 0, amount, _now, big)
    EVENTS.write(_out, L.MESSAGE_BYTES)


def put_pulse(index, duration, level):
    """Put a pulse into the buffer for the next ask(PULSES)."""
    _pack(L.PULSE, _out, L.MESSAGE_BYTES + L.PULSE_BYTES * index, duration, level)


def put_text(data):
    """Put a text into the buffer for the next ask(ASKED). Returns its number of bytes."""
    data = data[: L.PULSE_BYTES * L.MOST_PULSES]
    _out[L.MESSAGE_BYTES : L.MESSAGE_BYTES + len(data)] = data
    return len(data)


def ask(kind, pin=0, a=0, b=0, amount=0, big=0):
    """Send a message, wait for its answer, return the value in it; `hold_us` then says for how
    long it stays true."""
    # Ctrl-C may break off any read, and a callback may run, and ask, at any branch. So answers
    # are numbered, and nothing shared is used across a branch.
    global _seq, hold_us
    _seq = seq = (_seq + 1) & 0x3FFFFFFF or 1
    more = 0
    if kind == L.PULSES:
        more = L.PULSE_BYTES * amount
    elif kind == L.ASKED:
        more = amount
    _pack(L.MESSAGE, _out, 0, kind, pin, a, b, seq, amount, _now, big)
    EVENTS.write(_out, L.MESSAGE_BYTES + more)
    while True:
        EVENTS.readinto(_in)
        got = _answer.seq
        value = _answer.value
        hold = _answer.hold_us
        if got == seq:
            hold_us = hold
            return value


def sensors(pin):
    """Rom code and millidegrees of each one-wire sensor on a pin."""
    found = []
    for _ in range(ask(L.SENSORS, pin)):
        EVENTS.readinto(_in)
        found.append(struct.unpack(L.SENSOR, _in))
    return found


def die(kind, pin=0, a=0, amount=0, big=0):
    """Tell chip.py to end this boot, and wait for the end. `finally` clauses do not run."""
    tell(kind, pin, a, 0, amount, big)
    micropython.kbd_intr(-1)
    while True:
        _usleep(1000000)


# --- time -----------------------------------------------------------------------------------


def tick(cost_us=CALL_US):
    """Simulated microseconds since the world began. Where time is not the PC's, the call
    itself takes `cost_us`."""
    global _now, _wall, owed_us
    wall = _ticks_us()
    if S.paced:
        _now += wall - _wall
    else:
        _now += cost_us + owed_us
    owed_us = 0
    _wall = wall
    if S.jump_ms:
        _now += S.jump_ms * 1000
        S.jump_ms = 0
    _pack("<qq", MEM, 0, _now, wall)
    if _now >= _due:
        _fall_due()
    if S.edges:
        _edges()
    return _now


def sleep_us(us):
    """Let simulated time pass, with timers and edges at their time."""
    end = tick(0) + us
    while _now < end:
        if S.paced:
            left = end - _now
            _usleep(left if left < 2000 else 2000)
            tick()
        else:
            # Between here and the next event nothing can happen, so time may jump.
            step = end if end < _due else _due
            if _watched:
                step = _now + ask(L.SYNC, 0, 0, 0, 0, step - _now)
            tick(step - _now if step > _now else 0)


def set_irq_off(off):
    """Interrupts off: of the watchdog's two stages only the second, at twice its time, needs none
    (ESP-IDF, esp_system/task_wdt/task_wdt_impl_timergroup.c)."""
    S.irq_off = off
    _next_due()


def set_wdt(ms):
    """Arm the watchdog or feed it; `ms` None feeds."""
    global _wdt_due
    if ms is None:
        ms = S.wdt_ms
    now = tick()
    _wdt_due = now + ms * 1000
    _pack("<q", MEM, L.WDT_DUE_US, _wdt_due)
    S.wdt_ms = ms
    _next_due()


def add_timer(timer):
    for i in range(len(_timers)):
        if _timers[i] is None or _timers[i] is timer:
            _timers[i] = timer
            _next_due()
            start_watcher()
            return
    raise OSError(12)


def drop_timer(timer):
    for i in range(len(_timers)):
        if _timers[i] is timer:
            _timers[i] = None
    _next_due()


def _next_due():
    global _due
    due = L.NEVER_US
    for timer in _timers:
        if timer is not None and timer.due_us < due:
            due = timer.due_us
    _pack("<q", MEM, L.TIMER_DUE_US, due)
    if S.irq_off:  # no timer falls due either
        due = _wdt_due if _wdt_due == L.NEVER_US else _wdt_due + S.wdt_ms * 1000
    _due = due if due < _wdt_due or S.irq_off else _wdt_due


def _fall_due():
    if S.irq_off:
        die(L.BITE)
    if _now >= _wdt_due:
        die(L.BITE)
    for i in range(len(_timers)):
        timer = _timers[i]
        if timer is None or timer.due_us > _now:
            continue
        # Set on first: the callback may run at any branch from here, and look at the clock.
        period = timer.period_us
        timer.due_us += period or L.NEVER_US
        try:
            _fire(timer.callback, timer)
        except RuntimeError:
            # The queue is full, as it can be on the chip; tried again at the next look.
            timer.due_us -= period or L.NEVER_US
        if timer.due_us >= L.NEVER_US:
            _timers[i] = None
    _next_due()


def _edges():
    S.edges = 0  # first, so that an edge that comes meanwhile sets it again
    for pin in _watched:
        irq = _irqs[pin]
        rises = RISES[pin]
        falls = FALLS[pin]
        wanted = (irq[1] & 1 and rises != _rises_seen[pin]) or (
            irq[1] & 2 and falls != _falls_seen[pin]
        )
        _rises_seen[pin] = rises
        _falls_seen[pin] = falls
        if wanted:
            try:
                _fire(irq[0], irq[2])
            except RuntimeError:
                return


def watch(pin, handler, trigger, pin_object):
    """Call `handler` at each edge of a kind in `trigger` (1 rising, 2 falling)."""
    if pin in _watched:
        _watched.remove(pin)
    # Answered, so that no edge before this moment is taken for one after it.
    ask(L.WATCH, pin, handler is not None, pulls[pin])
    _rises_seen[pin] = RISES[pin]
    _falls_seen[pin] = FALLS[pin]
    _irqs[pin] = (handler, trigger, pin_object)
    if handler is not None:
        _watched.append(pin)
        start_watcher()


def _look(_):
    # Already called from the scheduler, which at the prompt runs one callback a signal.
    global _fire
    S.looking = 1
    _fire = _call
    try:
        tick(0)
    finally:
        _fire = _schedule
        S.looking = 0


def _call(callback, argument):
    try:
        callback(argument)
    except Exception as error:
        sys.print_exception(error)  # as the scheduler does with one of its own


_fire = _schedule


def _watcher():
    # There is no lock against the main thread: this one only reads and schedules.
    while True:
        _usleep(1000)
        if not S.paced and not S.at_prompt:
            continue
        if _now + _ticks_us() - _wall >= _due or S.edges or S.jump_ms or S.at_prompt:
            try:  # noqa: SIM105 - MicroPython has no contextlib
                _schedule(_look, None)
            except RuntimeError:
                pass  # the queue is full: the main thread is at work
            if S.at_prompt:
                # The prompt waits in read(), where nothing scheduled is run. A collection
                # signals every thread, read() returns early and the schedule is looked at.
                # The bridge sends no input meanwhile: nothing stops the world for it.
                gc.collect()
                S.at_prompt = 0


def start_watcher():
    """A second thread, only where something may fall due while the main one is busy."""
    global _watcher_runs
    if not _watcher_runs:
        _watcher_runs = True
        _thread.start_new_thread(_watcher, ())


# --- pins -----------------------------------------------------------------------------------

# The chip's registers: output latch, whether the pin drives, its pull, hold, and whether the
# pulse hardware rather than the latch is connected to it.
latch = bytearray(L.PINS)
drives = bytearray(L.PINS)
pulls = bytearray(L.PINS)
pulsed = bytearray(L.PINS)
# A held pad keeps its level through a reset; the registers behind it do not.
held = bytearray(L.PINS)
for _i in range(L.PINS):
    held[_i] = S.held >> _i & 1

# The world's last answer, how long it holds, and its era. An era ends when the board moves a pin or
# the world says that it changed.
_pin_value = [0] * L.PINS
_pin_until = [0] * L.PINS
_pin_era = [-1] * L.PINS
_uv_value = [0] * L.PINS
_uv_until = [0] * L.PINS
_uv_era = [-1] * L.PINS
_moves = 0


def moved():
    """The board changed a pin: the world may answer differently now."""
    global _moves
    _moves = (_moves + 1) & 0xFFFFFF


def apply(pin):
    """Bring the pad to what the registers say, unless it is held or belongs to the pulses."""
    tick()
    if not held[pin] and not pulsed[pin]:
        level = latch[pin] if drives[pin] else L.FLOATING
        moved()
        # Answered, so that a pump whose start browns the chip out ends it there and then.
        ask(L.PIN, pin, level, pulls[pin])


def read_pin(pin):
    """Level at a pin, 0 or 1."""
    now = tick()
    if drives[pin] and not pulsed[pin] and not held[pin]:
        return latch[pin]
    era = _moves << 32 | S.world_gen
    if era != _pin_era[pin] or now >= _pin_until[pin]:
        _pin_value[pin] = ask(L.READ_PIN, pin, 0, pulls[pin])
        _pin_until[pin] = now + hold_us
        _pin_era[pin] = era
    return _pin_value[pin]


def read_uv(pin):
    """Voltage at a pin, microvolts."""
    now = tick(ADC_US)
    era = _moves << 32 | S.world_gen
    if era != _uv_era[pin] or now >= _uv_until[pin]:
        _uv_value[pin] = ask(L.READ_UV, pin)
        _uv_until[pin] = now + hold_us
        _uv_era[pin] = era
    return _uv_value[pin]
