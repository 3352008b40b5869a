"""`wakewell flash`: its arguments, its words and its exit code."""

from __future__ import annotations

import argparse
import sys
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict
from pathlib import Path
from typing import Any

from wakewell import extras
from wakewell.commands import given
from wakewell.errors import BadInput
from wakewell.terminal import Bad, marked, tell
from wakewell.usb import image
from wakewell.usb.flash import (
    CAUTION,
    Bar,
    FlashResult,
    Undecided,
    flash_one,
    match_ports,
    one_board_each,
    progress,
)
from wakewell.usb.link import BoardLost


def arguments(parser: argparse.ArgumentParser) -> None:
    """The command's options."""
    parser.add_argument("pots", nargs="+", metavar="POT", help="the pots' folders")
    given.board(parser, "one for each pot, in their order")
    parser.add_argument(
        "--interpreter", metavar="FILE",
        help="write this MicroPython image first; it is looked at before anything is erased; "
        "default: the board has MicroPython",
    )  # fmt: skip
    given.option(parser, "--yes")
    given.option(parser, "--json")
    parser.add_argument(
        "--take-over", action="store_true",
        help="the board was another pot's: set that one's files aside on it",
    )  # fmt: skip
    asked = parser.add_mutually_exclusive_group()
    asked.add_argument(
        "--keep-asked", action="store_true",
        help="keep settings that were asked by radio, and write them into settings.toml",
    )  # fmt: skip
    asked.add_argument(
        "--replace-asked", action="store_true",
        help="replace settings that were asked by radio by what settings.toml says",
    )  # fmt: skip
    given.option(parser, "--accept-weaker")
    parser.epilog = (
        "exit codes: 0 flashed; 1 flashed, and a self-test found something, or a pot that was "
        "commissioned no longer is; 2 not flashed. A new chip needs MicroPython first: an image "
        f"comes from {image.SOURCE}: {image.list_of_images()}, the file that ends in .bin; no "
        "PSRAM is needed, and none of its images. Then: --interpreter FILE, with esptool "
        f"({extras.install('esptool')})"
    )


def run(args: argparse.Namespace) -> int:
    """The command. Returns its exit code."""
    folders = [given.pot_folder(name) for name in args.pots]
    one_board_each(folders)
    print(CAUTION, file=sys.stderr if args.json else sys.stdout)
    if args.interpreter and args.json:
        raise BadInput("--interpreter has no --json; leave it out")
    if args.interpreter:
        return write_interpreter(args, folders)
    pairs = match_ports(folders, args.port, args.yes)
    keep_asked = True if args.keep_asked else False if args.replace_asked else None

    def one(row: int, keep_asked: bool | None) -> FlashResult:
        folder, port = pairs[row]
        bar = Bar(folder.name, row)
        return flash_one(
            folder, port, progress, args.wait, bar, args.take_over, keep_asked, args.accept_weaker
        )

    code = 0
    results: list[dict[str, Any]] = []
    with ThreadPoolExecutor(max_workers=max(1, len(pairs))) as pool:
        jobs = [pool.submit(one, row, keep_asked) for row in range(len(pairs))]
        for row, (folder, _) in enumerate(pairs):
            try:
                try:
                    result = jobs[row].result()
                except Undecided as why:
                    result = one(row, person_keeps(folder.name, why, args.yes))
            except (BadInput, BoardLost) as error:
                given.not_done(args, results, folder.name, "NOT flashed", error)
                code = 2
                continue
            results.append({"name": result.pot} | asdict(result))
            if not args.json:
                tell(*result_lines(result))
            code = max(code, 0 if result.good else 1)
    return given.show_json(args, code, results) if args.json else code


def person_keeps(name: str, why: Undecided, yes: bool) -> bool:
    """Whether the person at the terminal keeps what was asked; raises it again without one."""
    if yes or not sys.stdin.isatty():
        raise why
    print(f"{name}: {why}")
    answer = input("Type keep or replace: ").strip()
    if answer not in ("keep", "replace"):
        raise why
    return answer == "keep"


def result_lines(result: FlashResult) -> list[str]:
    """What a flash did, in words."""
    what = (
        "nothing to send; the board is up to date"
        if not result.files_sent
        else f"{result.files_sent} files sent, {result.bytes_sent} bytes, {result.copied} kept"
    )
    lines = [
        f"{result.pot}: {what}; version {result.version} in force",
        f"  board {result.identity.unique_id}, {result.identity.machine}, "
        f"MicroPython {'.'.join(str(n) for n in result.identity.version)}",
    ]
    shown = ", ".join(
        f"{name} {'-' if r is None else r[0]}" for name, r in sorted(result.readings.items())
    )
    if shown:
        lines.append(f"  reads {shown} (counts)")
    return lines + [marked(f"  note: {note}", isinstance(note, Bad)) for note in result.notes]


def write_interpreter(args: argparse.Namespace, folders: list[Path]) -> int:
    """Write a MicroPython image with esptool, after asking. It erases what is on the chip."""
    if len(folders) != 1 or len(args.port) != 1:
        raise BadInput("--interpreter needs one POT and its --port")
    found = image.for_pot(folders[0], Path(args.interpreter))
    print(*found.lines(), sep="\n")
    print(
        f"This erases the board on {args.port[0]} and all its logs, and writes {found.path.name}."
    )
    if not args.yes and input("Type 'erase' to go on: ").strip() != "erase":
        raise BadInput("nothing was written")
    image.write(found, args.port[0])
    print("Written. Now run the same command without --interpreter.")
    return 0
