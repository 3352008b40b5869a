"""The `wakewell` command: finds the module of each subcommand and reports what goes wrong."""

from __future__ import annotations

import argparse
import contextlib
import importlib
import io
import os
import sys
from collections.abc import Sequence

import wakewell
from wakewell.logs import BadInput

# Subcommand: (module that holds arguments(parser) and run(args) -> exit code, help).
# Only the module that is asked for is loaded.
COMMANDS = {
    "replay": ("wakewell.replay", "play logs and sequences through the control core; a verdict"),
    "cut": ("wakewell.cut", "cut a sequence, a regression test, from a field log"),
    "check": ("wakewell.check", "check a pot's folder and compile it to what the board stores"),
    "simulate": ("wakewell.simulate", "months of a pot's life in a second, the core deciding"),
    "budget": ("wakewell.budget.command", "how long battery and tank last, and what to buy"),
    "report": ("wakewell.report", "pages, pictures and tables that show how a pot is doing"),
    "parcel": ("wakewell.parcel", "pack a pot's log and files into one file to send for help"),
    "flash": ("wakewell.usb.flash", "put code and settings on a pot's board over USB"),
    "pull": ("wakewell.usb.pull", "fetch a pot's log from its board over USB"),
    "inspect": ("wakewell.usb.inspect", "a board's state on one screen; end a lockout"),
    "commission": ("wakewell.commission", "a guided first start of a pot at the bench"),
    "calibrate": ("wakewell.calibrate", "fit a pot's tables from the recorded points"),
    "ask": ("wakewell.remote.ask", "ask a pot for other settings without a cable"),
    "listen": ("wakewell.remote.listen", "hear what pots tell by radio, and keep it"),
    "remind": ("wakewell.remote.remind", "remind people once a day of what a pot needs"),
    "handover": ("wakewell.remote.handover", "wipe a pot's secrets before it changes its home"),
    "deskboard": (
        "wakewell.deskboard.command",
        "a board on the desk, to try commands without hardware",
    ),
}


def main(argv: Sequence[str] | None = None) -> int:
    """Run one subcommand. Exit codes: 0 good, 1 a finding, 2 input that cannot be used."""
    for stream in (sys.stdout, sys.stderr):  # a name the terminal cannot show is escaped
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")
    words = list(sys.argv[1:] if argv is None else argv)
    parser = argparse.ArgumentParser(prog="wakewell", description=wakewell.__doc__)
    parser.add_argument("--version", action="version", version=f"wakewell {wakewell.__version__}")
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")
    for name, (module_name, text) in COMMANDS.items():
        sub = commands.add_parser(name, help=text, description=text)
        if words and words[0] == name:
            try:
                module = importlib.import_module(module_name)
            except BadInput as error:  # an extra that is not installed
                print(f"wakewell {name}: {error}", file=sys.stderr)
                return 2
            module.arguments(sub)
            sub.set_defaults(run=module.run)
    args = parser.parse_args(words)
    try:
        code: int = args.run(args)
        sys.stdout.flush()
    except BadInput as error:
        print(f"wakewell {args.command}: {error}", file=sys.stderr)
        return 2
    except EOFError:
        print(f"wakewell {args.command}: no answer came, so nothing was done", file=sys.stderr)
        return 2
    except BrokenPipeError:
        with contextlib.suppress(OSError):
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 141
    except KeyboardInterrupt:
        print(f"wakewell {args.command}: stopped", file=sys.stderr)
        return 130
    return code
