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
    away,
    back,
    button_of,
    converter,
    fetched,
    host_of,
    memory,
    pause,
    pulses,
    spare_pin,
    tls,
)
from wakewell.commands import given
from wakewell.errors import BadInput
from wakewell.kept import today
from wakewell.pot import bringup_file, pot_folder
from wakewell.pot.bringup_file import BringUp
from wakewell.usb.flash import check_board, check_pulse, match_ports, progress
from wakewell.usb.link import connect


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
    part = pot.parts["pump"]
    pump = (part.pins["pin"], 1 if part.words.get("active") == "low" else 0)
    print(CAUTION.format(pump=pump[0], spare=spare))
    if not args.yes and input("Type 'bare' when only the jumper is there: ").strip() != "bare":
        raise BadInput("nothing was tried; type bare once nothing but the jumper is at the pin")
    ((_, port),) = match_ports([folder], [args.port] if args.port else [], args.yes)
    t = Try(folder, pot, port, spare, pump, print)
    button = button_of(pot)
    with connect(port, progress, wait_s=args.wait) as link:
        check_board(link, folder)
        check_pulse(link)
        absent = [p for p in ("/code/in-force", "/chip.py", "/pump.json") if link.read(p) is None]
        if absent:
            raise BadInput(
                f"{port}: {absent[0]} is not on this board; run wakewell flash {folder} first"
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
    print("The board now sleeps and resets by itself. Leave the cable in, press nothing yet.")
    if button is not None:
        pause(args.yes, f"Count to {UNTIL_BUTTON_S:.0f}, press the POT's button once, then Enter: ",
              UNTIL_BUTTON_S + BUTTON_S)  # fmt: skip
    else:
        pause(args.yes, f"Count to {UNTIL_BUTTON_S:.0f}, then Enter: ", UNTIL_BUTTON_S)
    back(t, fetched(t, args.wait), button)
    asleep(t, args.asleep_ua, args.yes)
    micropython = ".".join(str(n) for n in identity.version)
    found = BringUp(today(), identity.unique_id, identity.machine, pot.about.chip, micropython,
                    desk, tuple(t.steps))  # fmt: skip
    if copy := bringup_file.store(folder, found):
        print(f"The earlier one is kept: {copy}")
    print(
        f"All of it is in {folder / bringup_file.FILE}. "
        "Take the jumper off before the pump goes on."
    )
    return 1 if found.bad() else 0
