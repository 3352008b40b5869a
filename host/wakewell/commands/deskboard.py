"""`wakewell deskboard`: a desk board in a terminal, for trying every command without hardware.

Belongs here: its options, what it prints, the words typed at it.
Does not belong here: the board (board.py), the pot on its pins (wakewell.deskboard.rig_world).
"""

from __future__ import annotations

import argparse
import queue
import shutil
import signal
import sys
import tempfile
import threading
import time
from datetime import UTC, datetime
from pathlib import Path

from wakewell import shipped
from wakewell.commands import given
from wakewell.deskboard.board import CAUSES, DeskBoard
from wakewell.deskboard.interpreter import DeskBoardError, why_not
from wakewell.deskboard.rig_world import RigWorld
from wakewell.errors import BadInput
from wakewell.pot import bench_book, chips, pot_folder, stage
from wakewell.rig.pot import RigPot
from wakewell.simulate import trials
from wakewell.tomlfile import show
from wakewell.units import soil, volts, water

USUAL_POT = "basil"
MOST_HOLD_S = 30.0
FIRST_YEAR, LAST_YEAR = 2026, 2099  # what a board believes of a clock

HELP = """\
advance DAYS       let simulated time pass
button [SECONDS]   press the button (0.2 s; 2 s: end a lockout; 6 s: the entry page, if it
                   has secrets and radio_wakes; on a port of [entry] above 1023)
fill, water ML     fill the tank; water the pot with a can
charge, nocharge   connect the charger, take it off
reset              reset the chip, as its reset button does
off, on            take the power away, give it back
jumper [PIN]       the pump off its pin, a jumper from there to this one (bringup); without a
                   number: the pump back on
unplug, plug       pull the cable, connect it again
state              what the board and the pot do now
quit               end (so does Ctrl-C)"""

TRY = """\
Try, in another terminal:
  wakewell flash {pot} --port {port}
  wakewell inspect {pot} --port {port}
  wakewell pull {pot} --port {port}
  wakewell replay {pot}
A host that opens the port resets the board; between, it sleeps, {speed:g} times as fast as
time. Type "help" for what can be done to it here."""


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
        help="speed up deep sleep so many times; default: 3600, a day in 24 s",
    )
    parser.add_argument(
        "--begins",
        metavar="DATE",
        help="the date in the board's world; its time counts from there; default: where --image "
        "was switched off last, else now",
    )
    given.option(parser, "--seed", "default: 1", type=int, default=1)
    parser.epilog = "exit codes: 0 ended; 2 no desk board can run here, or the input cannot be used"


def rig_world(folder: Path, like: str | None = None, seed: int = 1) -> RigWorld:
    """The rig on the pins of that pot. BadInput if its folder is faulty or for another chip."""
    found = pot_folder.load(folder)
    if found.problems or found.about is None or found.pot is None:
        why = found.problems[0] if found.problems else "it is not complete"
        raise BadInput(f"{folder}: {why}; run wakewell check {folder}")
    if found.about.chip not in chips.PORTED:
        raise BadInput(
            f"{folder}: made for the {found.about.chip}; a desk board can be one of "
            f"{', '.join(chips.PORTED)}. Try the café's pots"
        )
    trial = trials.of_pot(folder, like)
    world = RigWorld(found.parts, RigPot(trial.spec, seed), trial.in_force().calibration)
    world.chip, world.notes = found.about.chip, trial.notes
    return world


def run(args: argparse.Namespace) -> int:
    """Start a desk board, print its port, obey words from stdin until "quit" or Ctrl-C."""
    if reason := why_not():
        raise BadInput(reason)
    begins = None if args.begins is None else _date(args.begins)
    if not 0 < args.speed <= 1e7:
        raise BadInput(f"--speed {args.speed:g}: allowed more than 0, up to 10000000")
    for ended in (signal.SIGTERM, signal.SIGHUP):  # a closed terminal leaves no port or folder
        signal.signal(ended, signal.default_int_handler)
    with tempfile.TemporaryDirectory(prefix="deskboard-") as temporary:
        folder = args.pot
        if folder is None:
            folder = Path(temporary) / USUAL_POT
            ignore = shutil.ignore_patterns("logs")
            shutil.copytree(shipped.CAFE / USUAL_POT, folder, ignore=ignore)
        world = rig_world(folder, args.like, args.seed)
        try:
            with DeskBoard(
                args.image or Path(temporary) / "flash.img",
                world,
                chip=world.chip,
                awake="real",
                asleep="real",
                speed=args.speed,
                sleep_error_ppm=round((world.pot.by_own_clock(1.0) - 1.0) * 1e6),
                reset_on_open=True,
                link=args.link,
                begins=begins,
            ) as board:
                world.board = board
                port = args.link or board.port
                if args.pot is None:  # its probes and pump are what its calibration says, by rig
                    book = bench_book.Book(folder)
                    book.lead_to(stage.marks(pot_folder.load(folder), board.unique_id.hex()))
                print(f"Desk board {board.unique_id.hex()} on {port}, {folder.name} on its pins.")
                print(f"Its date is {board.utc:%Y-%m-%d %H:%M} UTC, and passes as it sleeps.")
                for note in world.notes:
                    print(f"  {note}")
                print(TRY.format(pot=folder, port=port, speed=args.speed), flush=True)
                _obey(board, world)
        except DeskBoardError as error:
            raise BadInput(str(error)) from None
        except KeyboardInterrupt:
            pass
    return 0


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


def _obey(board: DeskBoard, world: RigWorld) -> None:
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
            print(answer(board, world, words), flush=True)


def answer(board: DeskBoard, world: RigWorld, words: list[str]) -> str:
    """Do what was typed; what to say to it."""
    word, rest = words[0], words[1:]
    try:
        number = float(rest[0]) if rest else None
        if number is not None and not 0 <= number <= 1e6:
            raise ValueError
    except ValueError:
        return f"{word} {rest[0]}: allowed a number from 0 to 1000000"
    if word == "button":
        # By the clock on the wall: simulated time runs fast until the press has woken the board.
        board.press_button(None)
        time.sleep(0.2 if number is None else min(number, MOST_HOLD_S))
        board.release_button()
    elif word == "reset":
        board.hard_reset()
    elif word == "off":
        board.cut_power()
    elif word == "on":
        board.power_on()
    elif word == "jumper":
        board.do(lambda: setattr(world, "jumper", None if number is None else int(number)))
    elif word == "unplug":
        board.unplug()
    elif word == "plug":
        board.plug_in()
        return f"on {board.port}"
    elif word == "advance" and number is not None:
        board.awake = "stepped"
        board.advance(number * 86400.0, timeout_s=600.0)
        board.awake = "real"
    elif word in ("fill", "charge", "nocharge") or (word == "water" and number is not None):
        board.do(lambda: _to_pot(world, word, number))
    elif word != "state":
        return HELP
    return _state(board, world)


def _to_pot(world: RigWorld, word: str, number: float | None) -> None:
    if word == "fill":
        world.pot.refill()
    elif word == "water":
        world.pot.hand_water(number or 0.0)
    else:
        world.pot.charger_ma = 500.0 if word == "charge" else 0.0


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
