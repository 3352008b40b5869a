"""`wakewell new`: its arguments, its questions in the terminal and its exit code."""

from __future__ import annotations

import argparse
import shlex
import sys
import textwrap
from pathlib import Path

from wakewell.commands import given
from wakewell.draft import answers, files, pins, project
from wakewell.draft.answers import QUESTIONS, Draft, Question
from wakewell.draft.start import drafted, named
from wakewell.errors import BadInput
from wakewell.tomlfile import show, show_path

NEXT = """\
Next:
  wakewell check {folder}      every value, and what the pot still needs
  wakewell budget {folder}     will battery and tank last, and what to buy
  wakewell sheet {folder}      what to buy, how to join it, what to measure
  wakewell simulate {folder}   months of its life in a second
  wakewell deskboard {folder} --hands   a board without hardware; it says how to go on"""


def arguments(parser: argparse.ArgumentParser) -> None:
    """The command's options: one for each question."""
    parser.add_argument(
        "folder", nargs="?", metavar="POT", help="the pot's folder, to be made; default: none"
    )
    for question in QUESTIONS:
        text = f"{question.asks} {question.allowed}; default: the one that is offered"
        parser.add_argument(f"--{question.name}", metavar="ANSWER", help=text.replace("%", "%%"))
    parser.add_argument(
        "--hose", metavar="SIZE", help=f"{answers.HOSE_FORM}; default: one that reaches"
    )
    parser.add_argument(
        "--pin", action="append", default=[], metavar="PART=PIN",
        help="put this part on that pin; may be repeated; default: pins that the chip can spare",
    )  # fmt: skip
    parser.add_argument(
        "--name", metavar="TEXT", help="what people call it; default: its folder's name"
    )
    given.option(parser, "--like", "never its stage, tables, keys or board; default: none")
    given.option(parser, "--yes", "take every offer")
    parser.add_argument(
        "--repository", metavar="DIR",
        help="make a project for your pots there, and no pot; default: none",
    )  # fmt: skip
    parser.epilog = "exit codes: 0 made; 2 it is there already, or an answer cannot be used"


def run(args: argparse.Namespace) -> int:
    """The command. Returns its exit code."""
    told = {q.name: getattr(args, q.name) for q in QUESTIONS if getattr(args, q.name) is not None}
    others = {"--like": args.like, "--hose": args.hose, "--name": args.name, "--pin": args.pin}
    options = [f"--{name}" for name in told] + [name for name, value in others.items() if value]
    if args.repository is not None:
        if args.folder is not None or options:
            word = show(args.folder) if args.folder is not None else options[0]
            raise BadInput(
                f"{word}: --repository makes a project and no pot; leave one of them out"
            )
        return _project(Path(args.repository))
    if args.folder is None:
        raise BadInput("no folder named: give the folder that the pot shall have, or --repository")
    folder = Path(args.folder)
    lacking = files.missing(folder)
    ask = _ask if not (options or args.yes) and sits_there() else None
    draft, tuned = drafted(folder, told, args.like, ask)
    if args.hose is not None:
        answers.hose(draft, args.hose)
    if args.pin:
        draft.asked_pins |= pins.read(args.pin, draft.part_names, draft.level)
    if args.name is not None:
        draft.name = named(args.name, "--name ")
    try:
        found = files.texts(draft, tuned if options == ["--like"] else None)
        written = files.write(folder, found, files.others_have_secrets(folder))
    except BadInput as why:
        if not draft.said:
            raise
        again = shlex.join(["wakewell", "new", args.folder, *draft.options])
        raise BadInput(f"{why}\nYour answers, to change one of them:\n  {again}") from None
    place = show_path(str(folder))
    kept = [f"{kind}.toml" for kind in files.KIND_FILES if kind not in lacking]
    print(f"{place}: written {', '.join(written)}; its log will be in logs/")
    if kept:
        print(f"  left as they were: {', '.join(kept)}")
    print(f"  {summary(draft)}")
    print("  Each value is written there with its reason. Nothing is calibrated yet.")
    print(NEXT.format(folder=shlex.quote(place)))
    return 0


def sits_there() -> bool:
    """Is somebody at the terminal who can be asked?"""
    return sys.stdin.isatty() and sys.stdout.isatty()


def _ask(question: Question, offer: str, why: str) -> str:
    """The person's answer; Enter takes the offer. What cannot be used is asked again."""
    print(f"\n{question.asks}")
    for text in (f"allowed: {question.allowed}", f"offered: {offer} ({why})"):
        print(textwrap.fill(text, 96, initial_indent="  ", subsequent_indent="    "))
    return input(f"{question.name} [{offer}]: ").strip() or offer


def summary(draft: Draft) -> str:
    """The pot in one line."""
    planter, tank, cell = draft.planter, draft.tank, draft.battery
    return (
        f"{draft.name}: {draft.plant}, {draft.crop.stands}, {planter.volume_ml} ml of "
        f"{planter.substrate}, tank {tank.volume_ml} ml (level: {draft.level}), {draft.chip}, "
        f"{cell.chemistry} {cell.capacity_mah} mAh"
        + (f", panel {draft.panel.peak_mw} mW" if draft.panel and draft.panel.peak_mw else "")
    )


def _project(folder: Path) -> int:
    """A project of the maker's own."""
    written, kept = project.write(folder)
    place = show_path(str(folder))
    print(f"{place}: written {', '.join(written)}")
    if kept:
        print(f"  left as they were: {', '.join(kept)}")
    pot, script = (shlex.quote(f"{place}/{name}") for name in ("pots/basil", "ci.sh"))
    print(f"Next:\n  wakewell new {pot}\n  sh {script}")
    return 0
