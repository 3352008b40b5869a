"""What several commands are given: a pot's folder, and how its board is reached."""

from __future__ import annotations

import argparse
from pathlib import Path

from wakewell.commands.durations import seconds
from wakewell.errors import BadInput
from wakewell.tomlfile import show_path


def pot_folder(text: str) -> Path:
    """The folder of a pot as it was named. Raises BadInput where there is none."""
    folder = Path(text)
    if not folder.is_dir():
        raise BadInput(f"{show_path(text)}: no such folder; give a pot's folder")
    return folder


def board(parser: argparse.ArgumentParser, port: str = "serial port of its board") -> None:
    """The options by which boards are found: --port, once for each, and --wait."""
    parser.add_argument("--port", action="append", default=[], help=port)
    wait(parser)


def wait(parser: argparse.ArgumentParser, wait_s: float | None = None) -> None:
    """The option --wait, in seconds. wait_s: without it; None: as long as is usual for the link."""
    parser.add_argument(
        "--wait", type=seconds, default=wait_s, metavar="S", help="wait for the board: 30s, 2m"
    )
