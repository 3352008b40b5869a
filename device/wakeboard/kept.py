"""What RTC memory keeps through a sleep: a hint, lost with power.

The moment the wake ended, by how much the chip's clock is off, the state's bytes, and whether the
next boot is the radio's. Also what a boot of the radio leaves in flash for the next wake.
"""

import os
import struct
import time
from binascii import crc32, hexlify

import chip
from wakeboard.files import read_bytes, write_bytes

ROOT = "/pot"
MARK = b"kep2"
# Mark, slept from, UTC offset in days and seconds, trust; of a report that is due: its wake (-1:
# none is), the sleep commanded, the button, the entry page, tries in vain before; length of state
KEPT = "<4siiiiiiBBHI"
KEPT_SIZE = 36
DAY_S = 86400
NEXT_MS = 100  # sleep before a boot of the radio
TOLD, HEARSAY = 1, 2  # trust: by the host or the cable; by a server that could be anybody
RADIO = ROOT + "/radio"  # "began", then "heard MS" or "failed MS"
BEGAN, HEARD, FAILED = "began", "heard", "failed"


class Kept:
    """What RTC memory kept. due: (wake, sleep_s, button, entry page, tries in vain) of a report,
    or None. slept_from: None if nothing was kept."""

    def __init__(self) -> None:
        self.slept_from, self.utc_day, self.utc_s, self.trust = None, 0, 0, 0
        self.due, self.hint = None, b""
        data = chip.memory()
        good = len(data) >= KEPT_SIZE + 4 and data[:4] == MARK
        if good and struct.unpack("<I", data[-4:])[0] == crc32(data[:-4]):
            found = struct.unpack(KEPT, data[:KEPT_SIZE])
            self.slept_from, self.utc_day, self.utc_s, self.trust = found[1:5]
            if found[5] >= 0:
                self.due = found[5:10]
            self.hint = data[KEPT_SIZE : KEPT_SIZE + found[10]]

    def save(self) -> None:
        """Into RTC memory: kept through a sleep and most resets."""
        due = self.due or (-1, 0, 0, 0, 0)
        times = self.slept_from, self.utc_day, self.utc_s, self.trust
        body = struct.pack(KEPT, MARK, *times, *due, len(self.hint)) + self.hint
        chip.memory(body + struct.pack("<I", crc32(body)))

    def sleep_on(self, sleep_s: int, button: int) -> None:
        """Deep sleep for what is left of the sleep commanded, pump pin held off; with `button` a
        press ends it too. Never returns."""
        import loader
        from wakeboard import wiring

        loader.pump_off(True)
        found, _ = wiring.load(read_bytes(ROOT + "/wiring.json"))
        wakes = wiring.button(found) if button and found is not None else None
        slept_s = 0 if self.slept_from is None else time.time() - self.slept_from
        left_s = sleep_s - max(0, slept_s)
        chip.sleep(max(1, left_s) * 1000, wakes)

    def utc(self) -> list[int]:
        """[day, second, trust]: the chip's clock plus the stored offset."""
        now = time.time()
        second = now % DAY_S + self.utc_s
        trusted = 1 if self.trust else 0
        return [now // DAY_S + self.utc_day + second // DAY_S, second % DAY_S, trusted]

    def set_utc(self, day: int, second: int, trust: int = TOLD) -> None:
        """Note by how much the chip's clock is off."""
        self.trust = trust
        self.offset(day, second)
        if trust == TOLD:
            from wakeboard import clock

            clock.raise_floor(ROOT, day, second)

    def offset(self, day: int, second: int) -> None:
        """The chip's clock is that much off."""
        now = time.time()
        self.utc_day, self.utc_s = day - now // DAY_S, second - now % DAY_S

    def chip_s(self) -> int:
        """The chip's clock, seconds since 2000-01-01."""
        return time.time()

    def move_clock(self, to_s: int) -> None:
        """Set the chip's clock, for certificates. Sleep is counted, and UTC told, as if it had not
        been (R10)."""
        day, second, _ = self.utc()
        moved_s = to_s - time.time()
        chip.set_clock(to_s)
        self.offset(day, second)
        if self.slept_from is not None:  # else nothing was kept, and no sleep is counted
            self.slept_from += moved_s
            self.save()  # a reset from here on finds both moved

    def identity(self) -> str:
        """The chip's own id, hexadecimal."""
        return hexlify(chip.identity()).decode()


def radio_came() -> "tuple[str, int]":
    """(what came of the last report, milliseconds on the radio), as `begin` says them: a boot of
    the radio that began and did not end was cut off."""
    data = read_bytes(RADIO, 32)
    if data is None:
        return "none", 0
    came, _, ms = data.partition(b" ")
    word = came.decode()
    if word in (HEARD, FAILED) and ms.isdigit() and len(ms) < 9:
        return word, int(ms)
    return "cut off", 0


def note_radio(text: str) -> bool:
    """True if flash says so now."""
    return write_bytes(RADIO, text.encode())


def forget_radio() -> None:
    """The wake has it in its record."""
    try:
        os.remove(RADIO)
    except OSError:
        pass  # there was no report; or the flash is broken, and it counts once more
