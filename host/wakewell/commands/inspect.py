"""`wakewell inspect`: its arguments, its words and its exit code."""

from __future__ import annotations

import argparse
import sys

from wakewell.commands import given
from wakewell.errors import BadInput
from wakewell.pot import pot_folder
from wakewell.terminal import tell
from wakewell.usb.flash import check_belongs, check_board, match_ports, progress
from wakewell.usb.inspect import as_json, look, order_clear, screen
from wakewell.usb.link import Link, connect
from wakewell.usb.pull import Pulled, leave


def arguments(parser: argparse.ArgumentParser) -> None:
    """The options of `inspect`."""
    parser.add_argument("pot", metavar="POT", help="the pot's folder")
    given.board(parser)
    given.option(parser, "--json")
    parser.add_argument(
        "--clear", metavar="LOCKOUT", help="end this lockout at the next wake; default: none"
    )
    parser.add_argument(
        "--seen-to", metavar="TEXT",
        help="with --clear: what the cause was and what was done; default: asked",
    )  # fmt: skip
    parser.epilog = "exit codes: 0 shown; 1 a lockout is in force; 2 not reached"


def run(args: argparse.Namespace) -> int:
    """The command. Returns its exit code."""
    folder = given.pot_folder(args.pot)
    steps = pot_folder.load(folder).steps
    port = match_ports([folder], args.port, True)[0][1]
    with connect(port, progress, **({} if args.wait is None else {"wait_s": args.wait})) as link:
        check_board(link, folder)
        check_belongs(link, folder)
        seen = look(link)
        if not args.json:
            tell(*screen(seen, folder), *(f"  next         {text}" for text in steps))
        locked = seen.locked
        try:
            if args.clear:
                clear(link, locked, args)
        finally:  # an order that is refused keeps nobody's board awake
            leave(link, folder / "logs", Pulled(folder.name))
    code = 1 if locked else 0
    return (
        given.show_json(args, code, [as_json(seen, folder) | {"next": steps}])
        if args.json
        else code
    )


def clear(link: Link, locked: list[str], args: argparse.Namespace) -> None:
    """Ask for the cause to be seen to, then leave the order for the next wake."""
    if args.clear not in locked:
        raise BadInput(f"{args.clear!r} is not in force; in force: {', '.join(locked) or 'none'}")
    seen_to = args.seen_to
    if not seen_to and sys.stdin.isatty():
        print(f"A lockout protects somebody's floor, cell or plant. {args.clear}: what was the")
        seen_to = input("cause, and what was done about it? ").strip()
    if not seen_to:
        raise BadInput(
            f"{args.clear}: not cleared: first find and mend the cause, then say what it was with "
            "--seen-to 'hose end raised above the water, check valve fitted'"
        )
    order_clear(link, args.clear)
    if not args.json:
        print(f"  {args.clear}: will end at the next wake")
