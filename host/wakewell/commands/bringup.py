"""`wakewell bringup`: its arguments, its words and its exit code."""

from __future__ import annotations

import argparse
from pathlib import Path

from wakewell.bench.bringup import (
    BUTTON_S,
    CAUTION,
    MOST_UA,
    UNTIL_BUTTON_S,
    WAIT_S,
    Try,
    asleep,
    at_prompt,
    back,
    button_of,
    fetched,
    host_of,
    pause,
    pump_of,
    spare_pin,
    tried,
)
from wakewell.commands import given
from wakewell.errors import BadInput
from wakewell.pot import bringup_file, pot_folder
from wakewell.terminal import tell
from wakewell.usb.flash import match_ports


def arguments(parser: argparse.ArgumentParser) -> None:
    """The options of `wakewell bringup`."""
    parser.add_argument("pot", metavar="POT", help="the pot's folder")
    given.option(parser, "--port", default="")
    parser.add_argument(
        "--spare", type=int, metavar="PIN",
        help="pin at the jumper's other end; default: one that the pot does not use",
    )  # fmt: skip
    parser.add_argument(
        "--tls", default="", metavar="HOST:PORT",
        help="whom to try TLS with; default: the broker or server in private.toml",
    )  # fmt: skip
    parser.add_argument(
        "--asleep-ua", type=float, metavar="UA",
        help="the current asleep that you measured, in microamperes; default: asked",
    )  # fmt: skip
    given.option(parser, "--yes", "wait for each step's time instead")
    given.wait(parser, WAIT_S)
    parser.epilog = (
        f"Writes {bringup_file.FILE} into the pot's folder; an earlier one is kept. Exit codes: 0 "
        "all tests as expected; 1 a step found something else; 2 not tried"
    )


def run(args: argparse.Namespace) -> int:
    """The command. Returns its exit code."""
    folder = Path(args.pot)
    pot = pot_folder.load(folder)
    if pot.problems or pot.about is None:
        why = pot.problems[0] if pot.problems else "it is not complete"
        raise BadInput(f"{folder}: {why}; run wakewell check {folder}")
    if args.asleep_ua is not None and not 0 < args.asleep_ua <= MOST_UA:
        raise BadInput(f"--asleep-ua {args.asleep_ua:g}: allowed more than 0, up to {MOST_UA:g}")
    where = host_of(args.tls, folder)
    spare = spare_pin(pot, args.spare)
    pump = pump_of(pot)
    print(CAUTION.format(pump=pump[0], spare=spare))
    if not args.yes and input("Type 'bare' when only the jumper is there: ").strip() != "bare":
        raise BadInput("nothing was tried; type bare once nothing but the jumper is at the pin")
    ((_, port),) = match_ports([folder], [args.port] if args.port else [], args.yes)
    t = Try(folder, pot, port, spare, pump, tell)
    button = button_of(pot)
    identity, desk = at_prompt(t, where, button, args.wait)
    print("The board now sleeps and resets by itself. Leave the cable in, press nothing yet.")
    if button is not None:
        pause(args.yes, f"Count to {UNTIL_BUTTON_S:.0f}, press the POT's button once, then Enter: ",
              UNTIL_BUTTON_S + BUTTON_S)  # fmt: skip
    else:
        pause(args.yes, f"Count to {UNTIL_BUTTON_S:.0f}, then Enter: ", UNTIL_BUTTON_S)
    back(t, fetched(t, args.wait), button)
    asleep(t, args.asleep_ua, args.yes)
    found = tried(t, identity, desk)
    if copy := bringup_file.store(folder, found):
        print(f"The earlier one is kept: {copy}")
    print(
        f"All of it is in {folder / bringup_file.FILE}. "
        "Take the jumper off before the pump goes on."
    )
    return 1 if found.bad() else 0
