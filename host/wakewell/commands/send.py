"""`wakewell send`: its arguments, its words and its exit code."""

from __future__ import annotations

import argparse
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from wakewell.commands import given
from wakewell.errors import BadInput
from wakewell.log.obeyed import known
from wakewell.pot import description, private
from wakewell.pot.board_file import board_id
from wakewell.radio import ask, pieces, send
from wakewell.radio.listen import DATABASE
from wakewell.replay import preview
from wakewell.terminal import marked, tell
from wakewell.tomlfile import show_path
from wakewell.usb import payload
from wakewell.usb.back import back_one
from wakewell.usb.flash import match_ports, progress
from wakewell.usb.link import BoardLost

WAKES = 3  # with a dose, of the pot that was sent to first


def arguments(parser: argparse.ArgumentParser) -> None:
    """The command's options."""
    parser.add_argument("pots", nargs="+", metavar="POT", help="the pots' folders")
    parser.add_argument(
        "--first", metavar="POT",
        help="send to this one first; to the others when the same command is given again after "
        "it has proved the version; default: to all at once",
    )  # fmt: skip
    parser.add_argument(
        "--wakes", type=int, default=WAKES, metavar="N",
        help="wakes with a dose, each without a trip, that prove a version at the first pot; "
        f"default: {WAKES}",
    )  # fmt: skip
    parser.add_argument(
        "--back", action="store_true",
        help="send them back to the good version before the one in force",
    )  # fmt: skip
    given.board(parser, "with --back: by cable instead, one for each pot, in their order")
    given.option(parser, "--accept-weaker")
    given.option(parser, "--dry-run")
    given.option(parser, "--database", f"default: {DATABASE} beside the pot")
    given.option(parser, "--json")
    parser.epilog = (
        "exit codes: 0 sent to all; 1 the first pot has not proved it yet, or took it back, so the "
        "others wait; 2 not sent, with the reason. A pot fetches the version with its "
        "reports and starts it before a regular wake; if it fails, the pot goes back to the one "
        "before by itself"
    )


def run(args: argparse.Namespace) -> int:
    """The command. Returns its exit code."""
    folders = [given.pot_folder(name) for name in args.pots]
    first = None if args.first is None else given.pot_folder(args.first)
    if args.database is not None:
        given.existing_database(args.database)
    if args.wakes < 1:
        raise BadInput(f"--wakes {args.wakes}: allowed 1 or more")
    if first is not None and first.resolve() not in [folder.resolve() for folder in folders]:
        folders = [first, *folders]
    if args.back and first is not None:
        raise BadInput("--first is for a new version; send back each pot that is to go back")
    see_each_once(folders)
    if args.port:
        return by_cable(args, folders)
    code = payload.compile_code()
    results: list[dict[str, Any]] = []
    if first is not None:
        others = [folder for folder in folders if folder.resolve() != first.resolve()]
        exit_code, proved = see_first(args, first, code, results)
        if not proved:
            results += [wait(args, folder) for folder in others]
            return given.show_json(args, exit_code, results) if args.json else exit_code
        folders = others
    exit_code = 0
    for folder in folders:
        try:
            results.append(one(args, folder, code))
        except BadInput as error:
            given.not_done(args, results, folder.name, "NOT sent", error)
            exit_code = 2
    return given.show_json(args, exit_code, results) if args.json else exit_code


def see_each_once(folders: list[Path]) -> None:
    """Raises BadInput where two of them are one pot, or are of one board."""
    pots: dict[Path, Path] = {}
    boards: dict[str, Path] = {}
    for folder in folders:
        if (other := pots.setdefault(folder.resolve(), folder)) is not folder:
            raise BadInput(f"{folder}: the same pot as {other}; name one of them")
        board = board_id(folder)
        if board is not None and (other := boards.setdefault(board, folder)) is not folder:
            raise BadInput(f"{folder}: the same board as {other}; name one of them")


def by_cable(args: argparse.Namespace, folders: list[Path]) -> int:
    """`--back --port`: the version before is in force when this returns."""
    if not args.back:
        raise BadInput("--port goes with --back alone; a new version comes by cable with flash")
    results: list[dict[str, Any]] = []
    code = 0
    for folder, port in match_ports(folders, args.port, True):
        try:
            was, now = back_one(folder, port, progress, args.wait)
        except (BadInput, BoardLost) as error:
            given.not_done(args, results, folder.name, "NOT sent back", error)
            code = 2
            continue
        results.append({"name": folder.name, "good": True, "version": now, "was": was})
        if not args.json:
            print(f"{folder.name}: version {now} in force again, in place of {was}")
    return given.show_json(args, code, results) if args.json else code


def see_first(
    args: argparse.Namespace, folder: Path, code: payload.Code, results: list[dict[str, Any]]
) -> tuple[int, bool]:
    """(exit code, has the version proved itself there). It is sent there if it was not yet."""
    newest = pieces.last_sent(folder)
    if newest is None or newest.version != code.version:
        results.append(one(args, folder, code))
        return 1, False
    at = send.standing(folder, args.database)
    proved = at.version == code.version and at.state == "in force" and at.doses >= args.wakes
    result = {"name": folder.name, "good": proved, "version": code.version, "state": at.state}
    results.append(result | {"why": at.why, "doses": at.doses, "wanted": args.wakes})
    if not args.json:
        how = f"{at.state}: {at.why}" if at.why else at.state or "nothing heard yet"
        text = f"{folder.name}: number {newest.n}, {how}; "
        tell(marked(f"{text}{at.doses} of {args.wakes} wakes with a dose", bool(at.why)))
    return (0 if proved else 1), proved


def wait(args: argparse.Namespace, folder: Path) -> dict[str, Any]:
    """One that is not sent to yet."""
    if not args.json:
        print(f"{folder.name}: waits for the first pot; give the same command again later")
    return {"name": folder.name, "good": False, "why": "waits for the first pot"}


def one(args: argparse.Namespace, folder: Path, code: payload.Code) -> dict[str, Any]:
    """Send to one pot. Raises BadInput if it was not."""
    found: description.PotFolder = send.loaded(folder)
    secret = private.read(folder)
    if not (secret.broker["host"] or secret.post["host"]):
        raise BadInput(f"{folder}/private.toml names no broker and no post host; flash it by cable")

    def say(text: str) -> None:
        if not args.json:
            print(text)

    if not args.back:
        preview.foresee(found, say, args.accept_weaker, only_core=True)
    made = send.order(folder, found, code, datetime.now(UTC), args.back, args.database)
    what = "back to the version before" if args.back else f"version {made.version}"
    result: dict[str, Any] = {"name": folder.name, "good": True, "number": made.n}
    result |= {"version": made.version, "back": args.back, "sent": not args.dry_run}
    result["never_reports"] = ask.never_reports(known(folder, found))
    if result["never_reports"]:
        say(f"{folder.name}: {ask.NEVER}")
    if args.dry_run:
        say(f"{folder.name}: nothing sent; it would be number {made.n}, {what}")
        return result
    path = send.leave(folder, made, send.keep(folder, made))
    how = "lies ready" if secret.post["host"] else "left with the broker"
    say(f"{folder.name}: number {made.n}, {what}; {how}, the pot fetches it with its reports")
    say(f"  kept in {show_path(str(path))}")
    return result
