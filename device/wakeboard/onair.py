"""The boot that belongs to the radio: the entry page if the button asked for it, else a report and
the rest of the sleep that the wake before it commanded (R13).

It never runs the core and waters nothing. Before the radio starts, flash says that this boot began,
and the mark that called for it is removed. So after a brown-out here the next boot is an ordinary
wake, which knows of it (R17).
"""

import time

import chip
import loader
from wakeboard import kept, wiring
from wakeboard.files import SENT, Folder, exists, read_bytes
from wakeboard.kept import Kept

BITE_MS = 30000  # the watchdog while the entry page is open


class OnAir(Kept):
    """One such boot. `run()` does not come back."""

    def __init__(self, version: str, due: "tuple[int, int, int, int, int]") -> None:
        Kept.__init__(self)
        # The wake is finished, and what happens here is no unfinished one
        loader.finish_boot(version)
        self.began, self.version = time.ticks_ms(), version
        self.store_ = Folder(kept.ROOT)
        self.n, self.sleep_s, self.button, self.entry, self.vain = due
        found, _ = wiring.load(read_bytes(kept.ROOT + "/wiring.json"))
        self.wiring = wiring.Wiring() if found is None else found

    def run(self) -> None:
        """The entry page, with the report in a boot after it, or the report; then the rest of the
        sleep."""
        page_ms = kept.radio_came()[1]
        if kept.note_radio(kept.BEGAN):  # otherwise nobody would learn of a brown-out
            came = kept.FAILED
            try:
                if self.entry:
                    self.open_page()
                else:
                    if self.tell():
                        came = kept.HEARD
                    self.settle()
            except Exception as error:  # whatever it was, the board has to sleep
                loader.note(error)
            ms = page_ms + time.ticks_diff(time.ticks_ms(), self.began)
            loader.twice(kept.note_radio, "%s %d" % (came, ms))
        if self.entry:
            self.due = self.n, self.sleep_s, self.button, 0, self.vain
            self.save()
            loader.pump_off(True)
            chip.sleep(kept.NEXT_MS)
        self.save()
        self.sleep_on(self.sleep_s, self.button)

    def tell(self) -> bool:
        """The report. True if a host heard it."""
        loader.watch()
        from wakeboard import radio

        return radio.report(self, self.n)

    def proved(self) -> None:
        """A host heard a report of this version."""
        try:
            loader.heard(self.version)
        except OSError as error:
            print("wakewell: the trial goes on: %r" % error)

    def settle(self) -> None:
        """What came over the air whole is staged, now that the radio is off."""
        if exists(SENT):
            loader.watch()
            from wakeboard import fetch

            fetch.settle()

    def open_page(self) -> None:
        """The entry page, its light on. The core allowed the radio, so the cell bears it (R5)."""
        loader.lease()
        chip.watch(BITE_MS)
        light = None
        if self.wiring.light_pin >= 0:
            light = chip.drive(self.wiring.light_pin, 1)
        try:
            from wakeboard import entry

            entry.open_page(self, chip.feed)
        except Exception as error:  # whatever it was, the board has to report and sleep
            loader.note(error)
        if light is not None:
            light.value(0)
        loader.lease()
