"""`wakewell deskboard`: a desk board in a terminal, for trying every command without hardware.

Belongs here: its options, what it prints, the words typed at it.
Does not belong here: the board and the pot on its pins (wakewell.deskboard).
"""

from __future__ import annotations

import argparse
import contextlib
import queue
import signal
import sys
import threading
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

from wakewell import shipped
from wakewell.commands import given
from wakewell.deskboard import desk, hands
from wakewell.deskboard.board import CAUSES, DeskBoard
from wakewell.deskboard.desk import USUAL_POT
from wakewell.deskboard.hands import THINGS, USUAL_PRESS_S, Hands, help_text, read
from wakewell.deskboard.interpreter import why_not
from wakewell.deskboard.rig_world import RigWorld
from wakewell.errors import BadInput
from wakewell.tomlfile import nearest, show
from wakewell.units import soil, volts, water

MOST_NUMBER = 1_000_000
FIRST_YEAR, LAST_YEAR = 2026, 2099  # what a board believes of a clock

SWITCHES = {
    "advance": ("DAYS", "let simulated time pass"),
    "reset": ("", "reset the chip, as its reset button does"),
    "off": ("", "take the power away"),
    "on": ("", "give the power back"),
    "jumper": ("[PIN]", "the pump off, a jumper from its pin to this one; alone: undo it"),
    "unplug": ("", "pull the USB cable"),
    "plug": ("", "connect the USB cable again"),
    "state": ("", "what the board and the pot do now"),
    "help": ("", "this list"),
    "quit": ("", "end (so does Ctrl-C)"),
}  # fmt: skip

TRY = """\
Try, in another terminal:
  wakewell flash {pot} --port {port}
  wakewell inspect {pot} --port {port}
  wakewell pull {pot} --port {port}
  wakewell replay {pot}
"""
FIRST = """\
This pot is not commissioned. In another terminal:
  wakewell flash {pot} --port {port}
  wakewell commission {pot} --port {port}
until it leaves the tank for a day. Here: advance 1. There, the same command once more, to
its end, and flash again. Here: advance 3. Then there:
  wakewell pull {pot} --port {port}
  wakewell report {pot} --out pages
"""
MORE = """\
A program that opens the port resets the board. In between the board sleeps, and its time passes
{speed:g} times as fast as ours. Type "help" to see what can be done to it here."""


def arguments(parser: argparse.ArgumentParser) -> None:
    """The options of `wakewell deskboard`."""
    parser.add_argument(
        "pot",
        nargs="?",
        metavar="POT",
        type=Path,
        help=f"folder of the pot on its pins; default: a copy of the café's {USUAL_POT}",
    )
    parser.add_argument(
        "--image",
        metavar="FILE",
        type=Path,
        help="the board's flash, made blank if missing; default: one thrown away at the end",
    )
    given.option(parser, "--like", "default: probes by its own wiring and tank")
    parser.add_argument(
        "--link", type=Path, metavar="PATH",
        help="also give the port this name, a symbolic link; default: no other name",
    )  # fmt: skip
    parser.add_argument(
        "--speed",
        type=float,
        default=3600.0,
        metavar="TIMES",
        help="how many times faster deep sleep passes; default: 3600, a day in 24 s",
    )
    parser.add_argument(
        "--begins",
        metavar="DATE",
        help="the date in the board's world; its time counts from there; default: where --image "
        "was switched off last, else now",
    )
    parser.add_argument(
        "--hands",
        nargs="?",
        const=shipped.HANDS,
        type=Path,
        metavar="FILE",
        help="when commission asks something, do it at the simulated pot, as FILE says, without "
        "FILE in the usual way; default: only show what could be typed",
    )
    given.option(parser, "--seed", "default: 1", type=int, default=1)
    parser.epilog = "exit codes: 0 ended; 2 no desk board can run here, or the input cannot be used"


def run(args: argparse.Namespace) -> int:
    """Start a desk board, print its port, obey words from stdin until "quit" or Ctrl-C."""
    for ended in (signal.SIGTERM, signal.SIGHUP):  # a closed terminal leaves no port or folder
        signal.signal(ended, signal.default_int_handler)
    with contextlib.suppress(KeyboardInterrupt), opened(args) as person:
        _obey(person)
    return 0


@contextlib.contextmanager
def opened(args: argparse.Namespace) -> Iterator[Hands]:
    """A running desk board, as the arguments have it, with hands at it; prints how it is reached.
    Raises BadInput."""
    if reason := why_not():
        raise BadInput(reason)
    begins = None if args.begins is None else _date(args.begins)
    if not 0 < args.speed <= 1e7:
        raise BadInput(f"--speed {args.speed:g}: allowed more than 0, up to 10000000")
    script = hands.script(args.hands or shipped.HANDS)
    with desk.opened(
        args.pot, args.image, like=args.like, seed=args.seed, speed=args.speed, link=args.link,
        begins=begins,
    ) as found:  # fmt: skip
        board, folder, port = found.board, found.folder, args.link or found.board.port
        print(f"Desk board {board.unique_id.hex()} on {port}, {folder.name} on its pins.")
        print(f"Its date is {board.utc:%Y-%m-%d %H:%M} UTC; time passes while it sleeps.")
        for note in found.world.notes:
            print(f"  {note}")
        text = (TRY if found.is_commissioned else FIRST) + MORE
        print(text.format(pot=folder, port=port, speed=args.speed), flush=True)
        yield Hands(board, found.world, script, plays=args.hands is not None, say=_say)


def _date(text: str) -> datetime:
    """That date at midnight UTC."""
    try:
        found = datetime.strptime(text, "%Y-%m-%d").replace(tzinfo=UTC)
    except ValueError:
        found = None
    if found is None or not FIRST_YEAR <= found.year <= LAST_YEAR:
        raise BadInput(
            f"--begins {show(text)}: allowed a date such as 2026-03-01, of the years {FIRST_YEAR} "
            f"to {LAST_YEAR}; correct it"
        )
    return found


def _say(text: str) -> None:
    print(text, flush=True)


def _obey(person: Hands) -> None:
    board = person.board
    lines: queue.SimpleQueue[str | None] = queue.SimpleQueue()

    def read() -> None:
        for line in sys.stdin:
            lines.put(line)
        lines.put(None)

    # A daemon, because nothing can end a thread that waits for a line.
    threading.Thread(target=read, daemon=True).start()
    while True:
        try:
            line = lines.get(timeout=0.5)
        except queue.Empty:
            board.check()
            board.keep_clock()
            continue
        if line is None:
            # Without a terminal to type at, it runs until it is stopped.
            while True:
                threading.Event().wait(0.5)
                board.check()
                board.keep_clock()
        words = line.split()
        if words and words[0] == "quit":
            return
        if words:
            _say(answer(person, words))


def answer(person: Hands, words: list[str]) -> str:
    """Do what was typed; what to say to it."""
    board, world, word, rest = person.board, person.world, words[0], words[1:]
    if word not in SWITCHES:
        return _by_hand(person, words)
    form = f"{word} {SWITCHES[word][0]}".rstrip()
    least = int(word == "advance")
    most = least + int(word == "jumper")
    try:
        numbers = [float(text) for text in rest]
        if not least <= len(numbers) <= most or not all(0 <= n <= MOST_NUMBER for n in numbers):
            raise ValueError
    except ValueError:
        return f"{show(' '.join(words))}: allowed {form}, a number from 0 to {MOST_NUMBER}"
    if word == "help":
        return f"{_switches()}\n{help_text()}"
    if word == "reset":
        board.hard_reset()
    elif word == "off":
        board.cut_power()
    elif word == "on":
        board.power_on()
    elif word == "jumper":
        pin = int(numbers[0]) if numbers else None
        board.do(lambda: setattr(world, "jumper", pin))
    elif word == "unplug":
        board.unplug()
    elif word == "plug":
        board.plug_in()
        return f"on {board.port}"
    elif word == "advance":
        board.awake = "stepped"
        board.advance(numbers[0] * 86400.0, timeout_s=600.0)
        board.awake = "real"
    return _state(board, world)


def _switches() -> str:
    rows = ((f"{word} {number}".rstrip(), text) for word, (number, text) in SWITCHES.items())
    return "\n".join(f"{form:<20} {text}" for form, text in rows)


def _by_hand(person: Hands, words: list[str]) -> str:
    board = person.board
    try:
        order = read(" ".join(words))
        if order.row.words == "button" and board.state == "sleeps":
            # By the clock on the wall: simulated time runs fast until the press wakes the board.
            board.press_button(None)
            time.sleep(USUAL_PRESS_S if order.number is None else order.number)
            board.release_button()
            return _state(board, person.world)
        return board.do(lambda: person.do(" ".join(words))).text
    except BadInput as why:
        if words[0] in THINGS:
            return str(why)
        near = nearest(words[0], (*SWITCHES, *THINGS))
        return f"{show(' '.join(words))}: not understood; {near}; help lists all"


def _state(board: DeskBoard, world: RigWorld) -> str:
    boot = board.boots[-1]
    said = {"off": "off", "runs": "runs", "sleeps": "in deep sleep"}[board.state]
    now = board.do(world.pot.snapshot)
    return (
        f"{said} at day {board.now_us / 86400e6:.3f}, {board.utc:%Y-%m-%d %H:%M}, boot "
        f"{len(board.boots)} by {CAUSES[boot.cause]}, {board.counters.writes} flash writes; tank "
        f"{water(now['tank_ml'])}, soil {soil(1000 * now['soil_content'])}, cell "
        f"{volts(now['rest_mv'])}; pumped {world.pump_us / 1e6:.1f} s"
    )
