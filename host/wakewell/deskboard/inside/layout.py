"""Where each number lies in the memory that chip.py and the interpreter share, and what
the messages between them look like.

Belongs here: offsets, sizes, message kinds. Read by both sides, CPython and MicroPython.
Does not belong here: anything that acts on them.
"""

# Written by the board: simulated microseconds since the world began, and the monotonic clock
# of the PC at the moment they were true.
NOW_US = 0  # int64
WALL_US = 8  # int64
# Written by chip.py.
PACED = 16  # uint32: 1 = awake time runs with the PC's clock, 0 = only as the board uses it
JUMP_MS = 20  # uint32: time to be added once; the board sets it back to 0
WORLD_GEN = 24  # uint32: counts up when the world changed without the board's doing
RESET_CAUSE = 28  # uint32
WAKE_REASON = 32  # uint32
RUN_MAIN = 36  # uint32: 0 after a soft reset out of the raw prompt
BOOT_US = 40  # int64: simulated time at which this boot began
# The chip's clock: microseconds since 2000-01-01 are RTC_BASE_US + NOW_US.
RTC_BASE_US = 48  # int64
WDT_MS = 56  # uint32: 0 = watchdog not armed
AT_PROMPT = 60  # uint32: chip.py saw the prompt waiting while a timer is due
WDT_DUE_US = 64  # int64
FLASH_READS = 72  # uint32, since power-on of the desk board
FLASH_WRITES = 76  # uint32
FLASH_ERASES = 80  # uint32
CUT_LEFT = 84  # uint32: the power goes at this many-th write or erase from now; 0 = never
CUT_HALF = 88  # uint32: 1 = half of that operation is done, 0 = none of it
BLOCK_BYTES = 92  # uint32
BLOCK_COUNT = 96  # uint32
RTC_LEN = 100  # uint32
TIMER_DUE_US = 104  # int64: the next machine.Timer, NEVER_US if none
HELD = 112  # uint64: mask of the pins held through the last reset
EDGES = 120  # uint32: set by chip.py at an edge, cleared by the board before it looks
UNIQUE_ID = 128  # 6 bytes
IRQ_RISES = 160  # uint32 per pin, 64 pins: edges seen so far
IRQ_FALLS = 416
# The chip, as wakewell.pot.chips has it. Masks of pins, uint64.
OUTPUT_PINS = 672
INPUT_ONLY_PINS = 680
RTC_PINS = 688  # those that wake from deep sleep, and are held in it by themselves
ADC_PINS = 696
FEATURES = 704  # uint32, a sum of what follows
EXT0 = 1  # else it is a chip like the ESP32-C3, which wakes by esp32.wake_on_gpio
HOLD_SWITCH = 2  # esp32.gpio_deep_sleep_hold
PULSE_COUNTER = 8  # machine.Counter
RAW_TEMPERATURE = 4  # esp32.raw_temperature, else esp32.mcu_temperature
WORLD_BEGAN_S = 712  # int64: the date at which the world began, seconds since 2000-01-01
PATIENCE = 708  # uint32: how much of a wait for the network passes, in parts per thousand
NOTING = 724  # uint32: 1 = each write and erase is also added to the file NOTES
IRQ_OFF = 720  # uint32: 1 = machine.disable_irq(): only the watchdog's last word is heard
LOOKING = 728  # uint32: 1 = timers and edges are looked at, in a callback that swallows a Ctrl-C
RTC_MEMORY = 1024  # 2048 bytes, as on the ESP32 port
RTC_MEMORY_BYTES = 2048
SHARED_BYTES = 4096

# In the board's own folder: for each write or erase its place and size, then what is written.
NOTES = "writes"
NOTE = "<II"
NOTE_BYTES = 8

# How long it takes to find a Wi-Fi, join it and be given an address: 1 to 3 s on a chip, common
# practice, no source.
JOIN_US = 1500000
NEVER_US = 1 << 60
PINS = 64

# A message from the board: kind, pin, two small numbers, a sequence number (0: no answer
# wanted), an amount, the simulated time and one large number.
MESSAGE = "<BBbbIIqq"
MESSAGE_BYTES = 28
# The answer: sequence number, value, and for how many microseconds the value stays true.
ANSWER = "<IiI"
ANSWER_BYTES = 12
SENSOR = "<8si"  # rom code, millidegrees; as long as an answer
NO_TEMPERATURE = -(1 << 31)
PULSE = "<IB"  # duration in units of the resolution, level; as many as `amount` says
PULSE_BYTES = 5
MOST_PULSES = 256
MOST_SENSORS = 8

READY = 1  # set up, about to run boot.py
DONE = 2  # boot.py and main.py are over, the prompt comes next
PIN = 3  # level (-1 floats), pull
READ_PIN = 4
READ_UV = 5
PULSES = 6  # idle level; amount = how many; large number = resolution in Hz; as PULSE follow
ECHO = 7  # time_pulse_us
SENSORS = 8  # one-wire sensors on this pin; after the answer one packet for each, as SENSOR
WATCH = 9  # tell me of edges on this pin
SYNC = 10  # how far may I sleep without missing an event?
DEEP_SLEEP = 11
RESET = 12
SOFT_RESET = 13
BITE = 14  # the watchdog's time is up
CUT = 15  # the power-cut switch has been reached
PANIC = 16
WAKE_PIN = 17  # armed or not, level: this pin wakes from deep sleep
WAKE_PINS = 18  # level; large number = mask: these pins do
WOKEN = 19  # is an armed pin at its level? A wake reason, or 0
HOLD = 20  # hold this pin (level 1) or let go (0)
DEEP_SLEEP_HOLD = 21
ASKED = 22  # what a host asks its person; amount = bytes of the question's name, which follow
NO_FIGURE = -(1 << 31)  # no hand here shows a figure for it; else the answer is in thousandths
COUNT = 23  # pulses on this pin so far

PULL_NONE = 0
PULL_DOWN = 1
PULL_UP = 2
FLOATING = -1

# As machine.reset_cause() and machine.wake_reason() of the ESP32 port
# (MicroPython, ports/esp32/modmachine.c).
PWRON_RESET = 1
HARD_RESET = 2
WDT_RESET = 3
DEEPSLEEP_RESET = 4
SOFT_RESET_CAUSE = 5
EXT0_WAKE = 2
EXT1_WAKE = 3
GPIO_WAKE = 7
TIMER_WAKE = 4
