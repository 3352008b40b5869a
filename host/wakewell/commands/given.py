"""What several commands are given, and what a value on the command line may be.

An option that more than one command takes stands in OPTIONS, so that it means the same everywhere.
What stands for a value in the help is in VALUES.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from wakewell.commands.durations import seconds
from wakewell.errors import BadInput
from wakewell.radio import unit
from wakewell.terminal import Bad, tell
from wakewell.tomlfile import show_path

# What stands for a value in the help: what it is, with its unit
VALUES = {
    "ADDRESS": "the address of a Dask scheduler, such as tcp://there:8786",
    "ANSWER": "an answer to that question",
    "CAUSE": "too wet, too dry or silent",
    "COMMAND": "the name of a command",
    "DATE": "a date such as 2026-05-27",
    "DAYS": "whole days",
    "DIR": "a folder",
    "FILE": "a file",
    "FORM": "page, png, svg, csv or parquet",
    "FROM": "the number of a wake",
    "HOST:PORT": "a computer's name and its TCP port",
    "KEY=VALUE": "a setting and its value, in the setting's own unit",
    "KIND": "micropython or micropython32",
    "LOCKOUT": "the name of a lockout, as inspect shows it",
    "LOG": "a log's file or folder, a pot's folder or a parcel",
    "N": "a whole number, without a unit",
    "NAME": "the name of one of the café's pots",
    "NUMBER": "the number of a TCP port",
    "PART=PIN": "a part of the wiring and the number of its pin, such as soil=32",
    "PATH": "the name of a link to be made",
    "PEM": "a PEM file",
    "PIN": "the number of a pin, as the chip's maker counts (GPIO)",
    "PORT": "a serial port, such as /dev/ttyUSB0 or COM3",
    "POT": "a pot's folder",
    "PROBE": "the name of a probe, such as soil",
    "SHELL": "the name of a shell",
    "SIZE": "measures in mm with an x between",
    "STEP": "the name of a step",
    "TEXT": "words, in quotes",
    "TIME": "a length of time: 90s, 15m, 2h or 1d; a number alone is seconds",
    "TIMES": "a factor, without a unit",
    "TO": "the number of a wake",
    "TRIAL": "a trial's file, or a pot's folder",
    "UA": "microamperes",
    "WAKE": "a wake's number, a date such as 2026-03-14, a day such as Tuesday, or last",
    "ZONE": "a time zone, such as Europe/Brussels",
}

# Option: (what stands for its value, "" for none; what it does)
OPTIONS = {
    "--accept-weaker": (
        "",
        "send a version even if it protects less, by the pot's own log, than the present one",
    ),
    "--dask": ("ADDRESS", "hand the runs to this Dask scheduler instead; default: to none"),
    "--database": ("FILE", "the database that listen keeps, or postgresql+psycopg://..."),
    "--demo": ("", "take the repair café's six planters"),
    "--dry-run": ("", "only show what would be done; nothing is written or sent"),
    "--every": ("TIME", "keep running and do it again after this time"),
    "--file": ("FILE", "the file to write"),
    "--json": ("", "print one JSON object instead of text: command, good, exit, results"),
    "--like": ("POT", "take from this pot what the new or planned one lacks, such as cafe/basil"),
    "--names": (
        "",
        "print every name that the files may hold, with its meaning, and do nothing else",
    ),
    "--new-key": ("", "make private.toml with a new key"),
    "--out": ("DIR", "the folder to write into"),
    "--page": ("DIR", "write the pages of each log into this folder"),
    "--picture": ("FILE", "draw the result into this file, a .png or .svg"),
    "--port": ("PORT", "the serial port of the board; default: looked for"),
    "--seed": ("N", "the seed of what is random"),
    "--timezone": ("ZONE", "tell times as in this time zone; default: this computer's"),
    "--unit": ("", "print a systemd user unit that runs this very command here; nothing is run"),
    "--wait": ("TIME", "wait this long for the board"),
    "--workers": ("N", "processes that share the runs; default: 1"),
    "--yes": ("", "do not ask"),
}


WAIT_S = 120.0  # for a board that sleeps


def option(parser: Any, name: str, more: str = "", **rest: Any) -> None:
    """One of OPTIONS. more: what this command adds to its help."""
    value, text = OPTIONS[name]
    how: dict[str, Any] = {"metavar": value} if value else {"action": "store_true"}
    parser.add_argument(name, help=f"{text}; {more}" if more else text, **how | rest)


def pot_folder(text: str) -> Path:
    """The folder of a pot as it was named. Raises BadInput where there is none."""
    folder = Path(text)
    if not folder.is_dir():
        raise BadInput(f"{show_path(text)}: no such folder; give a pot's folder")
    return folder


def board(parser: argparse.ArgumentParser, more: str = "") -> None:
    """The options by which boards are found: --port, once for each, and --wait."""
    option(parser, "--port", more, action="append", default=[])
    wait(parser)


def wait(parser: argparse.ArgumentParser, wait_s: float = WAIT_S) -> None:
    """The option --wait, in seconds. wait_s: without it."""
    option(parser, "--wait", f"default: {wait_s:g}s", type=seconds, default=wait_s)


def not_done(
    args: argparse.Namespace, results: list[dict[str, Any]], name: str, what: str, error: Exception
) -> None:
    """Tell of a pot with which something was not done, and why; the other pots go on. what: such
    as "NOT sent"."""
    results.append({"name": name, "good": False, "why": str(error)})
    if not args.json:
        tell(Bad(f"{name}: {what}: {error}"))


def check_every(args: argparse.Namespace, least_s: float, most_s: float, allowed: str) -> None:
    """Raises BadInput where --every is given and out of that range. allowed: the same in words."""
    if args.every is not None and not least_s <= args.every <= most_s:
        raise BadInput(f"--every {args.every:g}s: allowed {allowed}")


def existing_database(where: str) -> str:
    """That database, which listen has to have made already. A URL is taken as it is. Raises
    BadInput."""
    if "://" not in where and not Path(where).exists():
        raise BadInput(f"{show_path(where)}: no such database; run wakewell listen first")
    return where


def show_unit(args: argparse.Namespace, about: str, watched: bool = False) -> int:
    """What --unit prints; the exit code. watched: see radio.unit."""
    print(unit.unit([word for word in args.words if word != "--unit"], about, watched), end="")
    return 0


def show_json(
    args: argparse.Namespace, code: int, results: Sequence[Mapping[str, Any]], **more: Any
) -> int:
    """Print what --json prints, and return the exit code. results: one for each pot, log or trial,
    with its name; more: what is true of all of them."""
    told = {"command": args.command, "good": code == 0, "exit": code, "results": results}
    print(json.dumps(told | more, indent=2, default=str))
    return code
