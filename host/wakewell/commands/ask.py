"""`wakewell ask`: its arguments, its words and its exit code."""

from __future__ import annotations

import argparse

from wakewell import kept
from wakewell.commands import given
from wakewell.errors import BadInput
from wakewell.log.obeyed import FOLDER, KEPT
from wakewell.pot import pot_folder, private
from wakewell.pot.board_file import board_id
from wakewell.radio import broker, card
from wakewell.radio.ask import DAYS, message, parse, shown
from wakewell.tomlfile import show_path


def arguments(parser: argparse.ArgumentParser) -> None:
    """The command's options."""
    parser.add_argument("pot", metavar="POT", help="the pot's folder")
    parser.add_argument("values", nargs="*", metavar="KEY=VALUE", help="a setting to ask for")
    parser.add_argument("--days", type=int, default=DAYS, help="how long it may be taken (7)")
    parser.add_argument("--only-file", action="store_true", help="make the message, do not send it")
    parser.add_argument("--dry-run", action="store_true", help="check and show, make nothing")
    parser.add_argument("--database", metavar="FILE", help="what `wakewell listen` keeps")
    parser.add_argument("--new-key", action="store_true", help="make private.toml with a new key")
    parser.add_argument("--card", action="store_true", help="write the owner's card to print")
    parser.epilog = "exit codes: 0 asked or shown; 2 it cannot be asked, with the reason"


def run(args: argparse.Namespace) -> int:
    """The command. Returns its exit code."""
    folder = given.pot_folder(args.pot)
    if args.new_key:
        path = private.make(folder)
        print(f"{show_path(str(path))}: made, with a new key; git ignores it")
        print("Fill in Wi-Fi and broker there, then flash the board once more by cable.")
        print("wakewell ask POT --card makes the page that its owner needs for a new Wi-Fi.")
        return 0
    if args.card:
        found = pot_folder.load(folder)
        if found.about is None:
            raise BadInput(f"{found.problems[0]}")
        path = card.write(found, private.read(folder))
        print(f"{show_path(str(path))}: the card; print it, git ignores it")
        return 0
    if not args.values:
        print(folder.resolve().name)
        print(*shown(folder, args.database), sep="\n")
        return 0
    if not 1 <= args.days <= 60:
        raise BadInput(f"--days {args.days}: allowed 1 to 60")
    n, data, effects = message(folder, parse(args.values), args.days, None, args.database)
    said = "nothing asked, it would be" if args.dry_run else "asked,"
    print(f"{folder.resolve().name}: {said} number {n}")
    print(*effects, sep="\n")
    if args.dry_run:
        return 0
    path = folder / FOLDER / f"{n:06d}{KEPT}"
    path.parent.mkdir(exist_ok=True)
    kept.store(path, data, own=True)
    if args.only_file:
        print(f"  kept in {show_path(str(path))}; not sent")
        return 0
    secret = private.read(folder)
    how = "  kept; the pot takes it with the answer to its next report"
    if not secret.post["host"]:
        topic = broker.TOPIC.format(board=board_id(folder), what="asked")
        broker.publish(secret, folder, topic, data, retain=True)
        how = "  left with the broker; the pot takes it at its next report"
    path.rename(path.with_name(f"{n:06d}.json"))
    print(how)
    return 0
