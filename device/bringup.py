"""First contact: what only a chip can show of sleeps and resets, tried by itself.

`wakewell bringup` writes this file and its plan, /bringup.json, beside the loader, lets the board
go, and fetches what was found. Every step but the last ends in a sleep or a reset, and the next
boot looks at what became of the pump's pin: a jumper joins it to a spare pin, and nothing else is
connected to it. The pump's own file is set aside meanwhile, so that no boot drives that pin before
it was looked at (R1). It ends by itself: after its steps, an error, or too many boots.
"""

import json
import os
import time

import micropython

import chip
import loader

if False:
    from typing import Any

PLAN = "/bringup.json"  # what is to be tried and what was found so far
ASIDE = "/pump.json.aside"
PATTERN = bytes(range(256)) * 8  # of 2,048 bytes, all the RTC memory there is
SLEEP_MS = 3000
BUTTON_MS = 60000
BITE_MS = 2000
PULSE_MS = 150
MOST_BOOTS = 12
WAIT_MS = 120000  # for the host, once all is done
STEPS = ("floats", "held", "reset", "bite", "button")


def now_ms() -> int:
    """The chip's clock, which counts through sleeps and resets."""
    return time.time_ns() // 1000000


def levels(spare: int) -> list[int]:
    """[level of the pump's pin against a pull down, against a pull up], by the jumper: [0, 1] is a
    pin that nobody drives, [0, 0] one that is driven or held low, [1, 1] high."""
    found = []
    for pull in (1, 2):
        pin = chip.sense(spare, pull)
        time.sleep_ms(5)
        found.append(pin.value())
    chip.sense(spare)
    return found


def begin(name: str, plan: "dict[str, Any]") -> None:
    """Do a step, to the sleep or reset that ends this boot."""
    pin, off = plan["pump"]
    if name == "floats":
        chip.sense(pin)
        chip.sleep(SLEEP_MS)
    elif name == "held":
        chip.drive(pin, off, True)
        chip.sleep(SLEEP_MS)
    elif name == "reset":
        chip.drive(pin, off, True)
        chip.reset_after(1)
    elif name == "bite":
        pulser = chip.Pulser(pin, off)
        pulser.arm(PULSE_MS, 1)
        chip.watch(BITE_MS)
        for _ in range(3):
            pulser.pulse(True)
        while True:  # the program hangs in a pulse
            pass
    else:
        chip.drive(pin, off, True)
        chip.sleep(BUTTON_MS, plan["button"])
    while True:
        time.sleep_ms(100)


def look(plan: "dict[str, Any]") -> None:
    """What the boot before left: into the plan, by the step's name."""
    row = {
        "cause": chip.cause(),
        "took_ms": now_ms() - plan["begun_ms"],
        "levels": levels(plan["spare"]),
        "rtc_memory": chip.memory() == PATTERN,
        "started_ms": plan["started_ms"],
    }
    plan["found"][STEPS[plan["step"]]] = row


def keep(plan: "dict[str, Any]") -> None:
    """Write the plan down."""
    loader.write(PLAN, json.dumps(plan))


def run() -> bool:
    """The next step; False when there is none, and the board is the pot's again."""
    started_ms = time.ticks_ms()
    micropython.kbd_intr(-1)
    try:
        with open(PLAN) as file:
            plan = json.load(file)
        if not plan["done"]:
            plan["boots"] += 1
            plan["started_ms"] = started_ms
            if plan["step"] >= 0:
                look(plan)
            chip.drive(plan["pump"][0], plan["pump"][1])
            plan["step"] += 1
            if plan["step"] == STEPS.index("button") and plan["button"] is None:
                plan["step"] += 1
            plan["done"] = plan["step"] >= len(STEPS) or plan["boots"] > MOST_BOOTS
            plan["begun_ms"] = now_ms()
            chip.memory(PATTERN)
            keep(plan)
        if not plan["done"]:
            begin(STEPS[plan["step"]], plan)
    except Exception as error:  # whatever it was, the board is to be the pot's again
        loader.note(error)
    finish()
    return False


def finish() -> None:
    """The pump's file back in force; a while for the host, then out of the way."""
    try:
        os.rename(ASIDE, loader.PUMP)
    except OSError:
        pass  # it is there already
    loader.pump_off()
    chip.memory(b"")
    micropython.kbd_intr(3)
    loader.lease()
    loader.window(WAIT_MS)
    for path in ("/bringup.py", PLAN):
        try:
            os.remove(path)
        except OSError:
            pass  # the host has done it
