"""The deliberate way back by cable: the good version before the one in force, in force again."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from wakewell.errors import BadInput
from wakewell.usb import flash
from wakewell.usb.link import Link, connect


def back_one(
    folder: Path, port: str, say: Callable[[str], None], wait_s: float | None = None
) -> tuple[str, str]:
    """(version that was in force, version that is now). Raises BadInput or BoardLost; the board is
    then as it was."""
    with connect(port, say, **({} if wait_s is None else {"wait_s": wait_s})) as link:
        flash.check_board(link, folder)
        flash.check_belongs(link, folder)
        flash.check_pulse(link)
        link.run("finish_moves")
        was, good, before = (
            (link.read(f"/code/{name}") or b"").decode(errors="replace").strip()
            for name in ("in-force", "good", "before")
        )
        target = good if good != was else before
        if not target or not is_there(link, target):
            raise BadInput(
                f"{port}: the board keeps no version before {was or 'its own'}; flash the one you "
                "want from its own clone"
            )
        flash.settle_sent(link, folder, was)
        link.run("remove", list(flash.ON_TRIAL), [])
        link.write("/code/in-force.new", target.encode())
        link.write("/boots.new", b"0")
        link.run("switch", ["/boots", "/code/in-force"])
        link.leave()
    return was, target


def is_there(link: Link, version: str) -> bool:
    """Are there files of that version on the board?"""
    return any(path.startswith(f"/code/{version}/") for path in flash.sums(link))
