"""`wakewell ask`: its arguments, its words and its exit code."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from wakewell.commands import given
from wakewell.errors import BadInput
from wakewell.log.obeyed import known
from wakewell.pot import pot_folder, private
from wakewell.radio import card
from wakewell.radio.ask import (
    DAYS,
    NEVER,
    another_key,
    as_json,
    keep,
    leave,
    message,
    never_reports,
    parse,
    shown,
)
from wakewell.radio.listen import DATABASE
from wakewell.tomlfile import show_path


def arguments(parser: argparse.ArgumentParser) -> None:
    """The command's options."""
    parser.add_argument("pot", metavar="POT", help="the pot's folder")
    parser.add_argument(
        "values",
        nargs="*",
        metavar="KEY=VALUE",
        help="settings to ask for, each in its own unit; default: show what is asked and in force",
    )
    parser.add_argument(
        "--days", type=int, default=DAYS, metavar="DAYS",
        help=f"for how many days the pot may take it; default: {DAYS}",
    )  # fmt: skip
    parser.add_argument("--only-file", action="store_true", help="make the message, do not send it")
    given.option(parser, "--dry-run")
    given.option(parser, "--database", f"default: {DATABASE} beside the pot")
    given.option(parser, "--new-key")
    parser.add_argument(
        "--replace-key", action="store_true",
        help="have its board agree on another key by radio; default: the key stays",
    )  # fmt: skip
    given.option(parser, "--json")
    parser.add_argument("--card", action="store_true", help="write the owner's card to print")
    parser.epilog = "exit codes: 0 asked or shown; 2 it cannot be asked, with the reason"


def run(args: argparse.Namespace) -> int:
    """The command. Returns its exit code."""
    folder = given.pot_folder(args.pot)
    if args.database is not None:
        given.existing_database(args.database)
    if args.new_key:
        return new_key(args, folder)
    if args.card:
        return owners_card(args, folder)
    if args.replace_key:
        return replace_key(args, folder)
    if args.values:
        return ask_for(args, folder)
    if args.json:
        return given.show_json(args, 0, [as_json(folder, args.database)])
    print(folder.resolve().name)
    print(*shown(folder, args.database), sep="\n")
    return 0


def new_key(args: argparse.Namespace, folder: Path) -> int:
    """The part with --new-key."""
    path = private.make(folder)
    if args.json:
        return made(args, folder, file=str(path))
    print(f"{show_path(str(path))}: made, with a new key; git ignores it")
    print("Fill in Wi-Fi and broker there, then flash the board once more by cable.")
    print("wakewell ask POT --card makes the page that its owner needs for a new Wi-Fi.")
    return 0


def owners_card(args: argparse.Namespace, folder: Path) -> int:
    """The part with --card."""
    found = pot_folder.load(folder)
    if found.about is None:
        raise BadInput(f"{found.problems[0]}")
    path = card.write(found, private.read(folder))
    if args.json:
        return made(args, folder, file=str(path))
    print(f"{show_path(str(path))}: the card; print it, git ignores it")
    return 0


def ask_for(args: argparse.Namespace, folder: Path) -> int:
    """The part with KEY=VALUE."""
    check_days(args)
    values = parse(args.values)
    n, data, effects = message(folder, values, args.days, None, args.database)
    said = "nothing asked, it would be" if args.dry_run else "asked,"
    if not args.json:
        print(f"{folder.resolve().name}: {said} number {n}")
        print(*effects, sep="\n")
    facts = {"number": n, "values": values, "days": args.days}
    if args.dry_run:
        return made(args, folder, **facts, file=None, sent=False) if args.json else 0
    path = keep(folder, n, data)
    if args.only_file and args.json:
        return made(args, folder, **facts, file=str(path), sent=False)
    if args.only_file:
        print(f"  kept in {show_path(str(path))}; not sent")
        return 0
    how = "  kept; the pot takes it with the answer to its next report"
    if leave(folder, data):
        how = "  left with the broker; the pot takes it at its next report"
    path = path.rename(path.with_name(f"{n:06d}.json"))
    if args.json:
        return made(args, folder, **facts, file=str(path), sent=True)
    print(how)
    return 0


def check_days(args: argparse.Namespace) -> None:
    """Raises BadInput where --days is out of its range."""
    if not 1 <= args.days <= 60:
        raise BadInput(f"--days {args.days}: allowed 1 to 60")


def replace_key(args: argparse.Namespace, folder: Path) -> int:
    """The part with --replace-key."""
    if args.values or args.only_file:
        raise BadInput("--replace-key: ask for settings by themselves, once the key is in force")
    check_days(args)
    n, data = another_key(folder, args.days, args.database, args.dry_run)
    if data:
        leave(folder, data)
    never = never_reports(known(folder, pot_folder.load(folder)))
    if args.json:
        facts = {"number": n, "days": args.days, "sent": bool(data), "never_reports": never}
        return made(args, folder, **facts)
    said = "asked for another key" if data else "nothing asked, it would be another key"
    print(f"{folder.resolve().name}: {said}, number {n}")
    if never:
        print(f"  {NEVER}")
    print(
        "  Both keys are good until listen hears the pot under the new one, two reports from now;"
    )
    print(
        "  private.toml holds it then. Keep listen running; wakewell ask POT shows how far it is."
    )
    print("  A version that was sent and is not in force by then has to be sent once more.")
    print("  Somebody with the old key who answers in place of your listener could do the same:")
    print("  where that may be, use a cable instead (rename private.toml, --new-key, flash).")
    return 0


def made(args: argparse.Namespace, folder: Path, **facts: Any) -> int:
    """What was made, for a machine."""
    result = {"name": folder.resolve().name, "good": True} | facts
    return given.show_json(args, 0, [result])
