"""First contact of a board, each part tried by itself; results are kept as found.

What belongs here: the steps, what a person is told and asked, and what a finding means. What does
not: what runs on the board by itself (device/bringup.py), the file it ends in (bringup_file.py).
"""

from __future__ import annotations

import json
import statistics
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from typing import Annotated, Any

import msgspec

from wakewell.errors import BadInput
from wakewell.kept import today
from wakewell.pot import chips, description, private
from wakewell.pot.bringup_file import BringUp, BringUpStep
from wakewell.terminal import marked
from wakewell.usb import payload
from wakewell.usb.flash import check_board, check_pulse, progress, set_clock
from wakewell.usb.link import EPOCH, Identity, Link, connect

CAUTION = """\
This drives the pump's pin, again and again. Before it begins:
  - take the pump and its switch off pin {pump}; nothing may be connected to it but this jumper
  - join pin {pump} and pin {spare} by a jumper wire, and nothing else to pin {spare}
  - no mains voltage anywhere near: no charger, no mains pump
  - a lithium cell may burn if shorted: its maker's sheet comes first; the USB cable alone is enough
No water is needed, and the pot's log and settings stay as they are."""
ASLEEP = """\
The one thing that cannot be measured from here is the current asleep. To measure it safely:
  - cable out, pump and charger off; the cell's own protection circuit stays in place
  - switch off; ammeter, on its 200 mA range, between the cell's plus and the board; never across
    the cell: that is a short
  - switch on, wait a minute until the board sleeps, then go down to the microampere range; go up
    again before it wakes, for a start of the radio draws half an ampere"""
ALL_MS, REST_MS = 150, 32  # of a pulse
# By how much a pulse may be off, in parts per thousand, and how late the program sees its end
PULSE_PPT, LATE_MS = 50, 3.0  # own assumptions
WAIT_S = 180.0  # for the board to come back
UNTIL_BUTTON_S = 20.0  # its own steps before the button's
BUTTON_S = 60.0
MOST_UA = 1e6
EARLY_MS = 1000  # no person presses so soon
TRIES, AGAIN_S = 5, 5.0


class StepRow(msgspec.Struct):
    """What the boot after a step found: why the chip woke, how long the step took by its clock,
    the pin's two levels, whether RTC memory was kept, time to the program's start."""

    cause: Annotated[str, msgspec.Meta(max_length=20)]
    took_ms: Annotated[int, msgspec.Meta(ge=-(1 << 40), le=1 << 40)]
    levels: Annotated[list[Annotated[int, msgspec.Meta(ge=0, le=1)]], msgspec.Meta(max_length=2)]
    rtc_memory: bool
    started_ms: Annotated[int, msgspec.Meta(ge=0, le=1 << 30)]


class Brought(msgspec.Struct):
    """What the board brings back, by the name of each step."""

    step: int
    done: bool
    found: dict[str, StepRow]


@dataclass
class Try:
    """One sitting: the pot, its board, and what was found so far."""

    folder: Path
    pot: description.PotFolder
    port: str
    spare: int
    pump: tuple[int, int]
    say: Callable[[str], None]
    steps: list[BringUpStep] = field(default_factory=list)

    def add(self, name: str, good: bool | None, found: str, **numbers: Any) -> None:
        """A step is done: one line for the person, a row for the file."""
        self.steps.append(BringUpStep(name, good, found, numbers))
        mark = {True: "good", False: "OTHERWISE", None: "not tried"}[good]
        self.say(marked(f"  {name:<18} {mark:<10} {found}", good is False))


# --- with the board at its prompt ---------------------------------------------------------------


def at_prompt(
    t: Try, where: tuple[str, int] | None, button: list[int] | None, wait_s: float
) -> tuple[Identity, bool]:
    """Try all that can be tried at the prompt, then let the board go on by itself.

    Returns the board, and whether it is a desk board. BadInput if it is not this pot's, not flashed
    yet, or without the jumper.
    """
    with connect(t.port, progress, wait_s=wait_s) as link:
        check_board(link, t.folder)
        check_pulse(link)
        absent = [p for p in ("/code/in-force", "/chip.py", "/pump.json") if link.read(p) is None]
        if absent:
            raise BadInput(
                f"{t.port}: {absent[0]} is not on this board; run wakewell flash {t.folder} first"
            )
        link.run("use_version")
        desk = link.ask("desk_time") is not None
        identity = link.identity
        pulses(t, link)
        converter(t, link)
        memory(t, link)
        link.renew()
        tls(t, link, where)
        away(t, link, button)
    return identity, desk


def pulses(t: Try, link: Link) -> None:
    """Length and count of the pump's hardware pulses, seen at the spare pin. BadInput without the
    jumper: then nothing else is tried."""
    pin, off = t.pump
    told = link.ask("pulses", pin, off, t.spare, ALL_MS, REST_MS, kind=list[int])
    found = [us / 1000 for us in told]
    if len(found) != 4 or max(found) < 1:
        raise BadInput(
            f"{t.port}: pin {t.spare} saw no pulse of pin {pin}: join these two pins by a jumper, "
            "or name another pin with --spare; nothing else was tried"
        )
    wanted = (ALL_MS, ALL_MS, ALL_MS, REST_MS)
    good = all(
        abs(a - b) <= PULSE_PPT * b / 1000 + LATE_MS for a, b in zip(found, wanted, strict=True)
    )
    text = ", ".join(f"{ms:.1f}" for ms in found)
    t.add("pulses", good, f"{text} ms; planned: {', '.join(map(str, wanted))}", lengths_ms=found)


def converter(t: Try, link: Link) -> None:
    """Steps and noise of every probe's converter input."""
    found = link.ask("converters", kind=dict[str, list[int]])
    for name, looks in sorted(found.items()):
        values = sorted(set(looks))
        gaps = [b - a for a, b in pairwise(values)]
        noise, step = round(statistics.pstdev(looks)), min(gaps, default=0)
        text = f"{round(statistics.median(looks))} microvolts, noise {noise}"
        text += f", steps of {step}" if step else ", all readings the same"
        t.add(f"converter, {name}", True, text, noise_uv=noise, step_uv=step)


def memory(t: Try, link: Link) -> None:
    """What is left with the Wi-Fi up."""
    free, used, system, piece = link.ask("memory", kind=list[int])
    text = f"{free} bytes free in the interpreter's heap of {free + used}, Wi-Fi up"
    text += f"; the system has {system}, the largest piece {piece}" if system else ""
    t.add("memory", True, text, heap_free=free, heap_used=used, system_free=system, largest=piece)


def tls(t: Try, link: Link, where: tuple[str, int] | None) -> None:
    """A handshake with the host that reports go to."""
    if where is None:
        t.add("TLS", None, "no host: give --tls HOST:PORT, or name a broker in private.toml")
        return
    host, port = where
    now_s = int((link.now() - EPOCH).total_seconds())
    kind = tuple[int, int, str]
    joined_ms, ms, why = link.ask("shake_hands", host, port, now_s, kind=kind)
    text = why[:100] or f"TLS connected in {ms} ms, Wi-Fi joined in {joined_ms} ms"
    t.add("TLS", not why, f"{host}:{port}: {text}", joined_ms=joined_ms, shaken_ms=ms)


# --- by itself, through sleeps and resets --------------------------------------------------------


def away(t: Try, link: Link, button: list[int] | None) -> None:
    """Give the board its plan and let it run by itself."""
    source = (payload.device_folder() / "bringup.py").read_bytes()
    plan = {"pump": list(t.pump), "spare": t.spare, "button": button, "found": {}}
    plan |= {"step": -1, "boots": 0, "done": False, "begun_ms": 0, "started_ms": 0}
    link.write("/bringup.py.new", source)
    link.replace("/bringup.json", json.dumps(plan).encode())
    link.run("begin_contact")
    link.leave()


def fetched(t: Try, wait_s: float) -> Brought:
    """What the board brings back. If the board is found between two of its steps, it goes on."""
    for left in range(TRIES - 1, -1, -1):
        with connect(t.port, progress, wait_s=wait_s) as link:
            try:
                plan = msgspec.json.decode(link.read("/bringup.json") or b"", type=Brought)
            except msgspec.DecodeError:
                raise BadInput(
                    f"{t.port}: the board brought nothing back that can be read; run this again, "
                    "and look at /error.txt on it if that does not help"
                ) from None
            if plan.done or not left:
                link.run("remove", ["/bringup.py", "/bringup.json"], [])
                # The time in RTC memory was lost in the steps
                version = link.read("/code/in-force") or b""
                set_clock(link, version.decode(errors="replace").strip())
                link.leave()
                return plan
            link.run_last("first_contact")
        progress(f"{t.port}: the board is not done yet; waiting for it")
        time.sleep(AGAIN_S)
    raise AssertionError("the last try returned or raised")


def back(t: Try, plan: Brought, button: list[int] | None) -> None:
    """Judge each step of what the board brought back."""
    found = plan.found
    if not plan.done:
        t.add("its own steps", False, f"stopped in step {plan.step}, see /error.txt on it")
    off = t.pump[1]
    held, on, free = [off, off], [1 - off, 1 - off], [0, 1]
    asleep = ("asleep, the pin let go", "asleep, the pin held", "reset, the pin held")
    for name, title, cause, wanted in (
        ("floats", asleep[0], "timer", free),
        ("held", asleep[1], "timer", held),
        ("reset", asleep[2], "reset", held),
    ):
        row = found.get(name)
        if row is not None:
            good = row.levels == wanted and row.cause == cause
            text = f"{pin_text(row.levels)} after it; {row.cause} in {row.took_ms / 1000:.1f} s"
            t.add(title, good, text, levels=row.levels, took_ms=row.took_ms)
    if (row := found.get("bite")) is not None:
        good = row.levels != on and row.cause == "watchdog"
        text = f"{pin_text(row.levels)} after it; {row.cause} in {row.took_ms / 1000:.1f} s"
        t.add("watchdog, in a pulse", good, text, levels=row.levels, took_ms=row.took_ms)
    if button is None:
        t.add("wake by button", None, "no button in wiring.toml")
    elif (row := found.get("button")) is not None:
        early = row.took_ms < EARLY_MS
        text = f"{row.cause} in {row.took_ms / 1000:.1f} s"
        if row.cause == "timer":
            text += ": nobody pressed it, or it does not wake the chip"
        elif early:
            text += ": before anybody can have pressed it; does its pin float?"
        t.add("wake by button", row.cause == "button" and not early, text, took_ms=row.took_ms)
    kept = [row.rtc_memory for row in found.values()]
    text = f"2048 bytes kept through {sum(kept)} of {len(kept)} sleeps and resets"
    t.add("RTC memory", bool(kept) and all(kept), text)
    if found:
        ms = max(row.started_ms for row in found.values())
        t.add("start", True, f"{ms} ms from the start to the program", started_ms=ms)


def pin_text(levels: list[int]) -> str:
    """What a pair of levels tells of a pin."""
    words = {(0, 1): "pin free", (0, 0): "pin low", (1, 1): "pin high"}
    return words.get(tuple(levels), "pin at no clear level")  # type: ignore[arg-type]


def tried(t: Try, identity: Identity, desk: bool) -> BringUp:
    """All that was found, as it is kept."""
    assert t.pot.about is not None
    micropython = ".".join(str(n) for n in identity.version)
    return BringUp(today(), identity.unique_id, identity.machine, t.pot.about.chip, micropython,
                   desk, tuple(t.steps))  # fmt: skip


# --- the command --------------------------------------------------------------------------------


def pause(yes: bool, question: str, wait_s: float) -> None:
    """Until the person says so, or the time is over."""
    if yes:
        time.sleep(wait_s)
    else:
        input(question)


def asleep(t: Try, given: float | None, yes: bool) -> None:
    """The current asleep: the person's own measurement."""
    value = given
    if value is None and not yes:
        print(ASLEEP)
        answer = input("Current asleep in microamperes (empty: not measured): ").strip()
        if answer:
            try:
                value = float(answer.replace(",", "."))
            except ValueError:
                value = -1.0
            if not 0 < value <= MOST_UA:
                t.say(f"  {answer!r}: allowed more than 0, up to {MOST_UA:g}; not noted")
                value = None
    if value is None:
        t.add("current asleep", None, "not measured")
    else:
        t.add(
            "current asleep", True, f"{value:g} microamperes, as measured by hand", asleep_ua=value
        )


def host_of(given: str, folder: Path) -> tuple[str, int] | None:
    """The host for the handshake: as given, else from private.toml, else none."""
    if given:
        host, _, port = given.rpartition(":")
        if not host or not port.isdigit() or not 0 < int(port) < 65536:
            raise BadInput(f"--tls {given}: allowed HOST:PORT, such as broker.example.org:8883")
        return host, int(port)
    if not (folder / description.PRIVATE).exists():
        return None
    for name, way in private.read(folder).ways().items():
        if name == "post" or way["tls"]:
            return str(way["host"]), int(way["port"])
    return None


def spare_pin(pot: description.PotFolder, given: int | None) -> int:
    """The pin at the jumper's other end. BadInput if the one given will not do."""
    assert pot.about is not None
    chip = chips.CHIPS[pot.about.chip]
    taken = frozenset(pin for part in pot.parts.values() for pin in part.pins.values())
    # Not a pin that the chip reads while it starts: the jumper could keep it from starting.
    never = taken | chip.strapping.keys() | chip.serial.keys()
    free = [p for p in sorted(chip.pins - never) if not chips.refused(chip, chips.DRIVE, p)]
    best = chips.fitting(chip, chips.DRIVE, frozenset(never)) or free
    if given is None and best:
        return best[-1]
    if given not in free:
        said = "no pin is free" if given is None else f"--spare {given}: not one of them"
        raise BadInput(
            f"{said}; allowed: a free pin with internal pull resistors that the chip does not read "
            f"as it starts: {', '.join(map(str, free)) or 'none on this pot'}"
        )
    return given


def pump_of(pot: description.PotFolder) -> tuple[int, int]:
    """(pin, level while off) of the pot's pump."""
    part = pot.parts["pump"]
    return part.pins["pin"], 1 if part.words.get("active") == "low" else 0


def button_of(pot: description.PotFolder) -> list[int] | None:
    """[pin, level while pressed, its pull] of the pot's button, as the board knows it."""
    if "button" not in pot.parts:
        return None
    part = pot.parts["button"]
    pull = {"none": 0, "down": 1, "up": 2}[str(part.words.get("pull") or "up")]
    return [part.pins["pin"], 1 if pull == 1 else 0, pull]
