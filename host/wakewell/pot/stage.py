"""Which stage a pot's commissioning gives it, on which board (R14).

A stage above 0 counts only with the bench book of this very board, for the calibration, highest
flow and wiring that the book led to. Everything else is stage 0, whatever calibration.toml says:
a copied folder, another board, a table changed by hand afterwards.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass, replace
from typing import Any

from wakecore import fields, line
from wakewell.errors import BadInput
from wakewell.pot import bench_book, description, pot_folder
from wakewell.tomlfile import show_path

WORDS = {
    0: "not commissioned: it reads and reports, and never pumps by itself",
    1: "provisional: upkeep doses only, if settings.toml agrees to them",
    2: "commissioned",
}


@dataclass(frozen=True)
class Standing:
    """How far a pot is commissioned.

    stage: what counts. claimed: what calibration.toml says. why: why that is not so; do: what to do
    about it. old: the book names no board, and only the board itself can tell whether it is that
    one.
    """

    stage: int
    claimed: int
    why: str = ""
    do: str = ""
    old: bool = False

    @property
    def text(self) -> str:
        """The difference in a sentence; "" if there is none."""
        if not self.why:
            return ""
        head = f"stage = {self.claimed} does not count, so this is stage 0 (R14)"
        return f"{head}: {self.why}; {self.do}"


def digest(content: Any) -> str:
    """Of what a file says, comments aside."""
    text = json.dumps(content, sort_keys=True, default=str)
    return hashlib.sha256(text.encode()).hexdigest()[:12]


def calibration_mark(pot: description.PotFolder) -> str:
    """The mark of what calibration.toml says, comments aside, and of the flow that R3 counts by."""
    return digest([pot.files["calibration"].data, pot.limits.get("flow_max_ul_s")])


def wiring_mark(pot: description.PotFolder) -> str:
    """The mark of what wiring.toml says, comments aside."""
    return digest(pot.files["wiring"].data)


def marks(pot: description.PotFolder, board: str) -> bench_book.LedTo:
    """What a bench book of that board leads to if it leads to this pot as it is."""
    marks = calibration_mark(pot), wiring_mark(pot)
    return bench_book.LedTo(pot.calibration["stage"], board, *marks)


def standing(pot: description.PotFolder, board: str | None) -> Standing:
    """The stage that counts on that board. board: its unique id; None: not known.

    pot has no problems.
    """
    claimed = pot.calibration["stage"]
    if claimed == 0:
        return Standing(0, 0)
    place = show_path(str(pot.path))
    commission = f"run wakewell commission {place}"

    def less(why: str, do: str, old: bool = False) -> Standing:
        return Standing(0, claimed, why, do, old)

    try:
        book = bench_book.led_to(pot.path)
    except BadInput as error:
        kept = f"put the copy of {place}/kept or of your repository back, or move it away and "
        kept += commission
        return less(f"the bench book is damaged ({error})", kept)
    if book is None:
        flash = "flash it onto its own board, then " if board is None else ""
        return less(f"there is no bench book here ({bench_book.NAME})", flash + commission)
    if book.stage < claimed:
        return less(f"its commissioning is not finished (stage {book.stage})", commission)
    if not book.board:
        text = "flash it onto its board, which is known by the calibration it carries; where that "
        text += f"refuses, {commission}"
        return less("the bench book is from before books named their board", text, old=True)
    if board is None:
        text = f"the bench book belongs to board {book.board}, and this folder's board is not known"
        return less(text, f"flash it: wakewell flash {place}")
    if book.board != board:
        text = f"the bench book is of board {book.board}, and this is board {board}"
        return less(text, commission)
    mine = marks(pot, board)
    for changed, what in (
        (book.wiring != mine.wiring, "wiring.toml was changed since it was commissioned"),
        (
            book.calibration != mine.calibration,
            "calibration.toml, or flow_max_ul_s of limits.toml, is not what the bench book led to",
        ),
    ):
        if changed:
            return less(what, f"put it back as it was ({place}/kept), or {commission}")
    return Standing(claimed, claimed)


def compiled(pot: description.PotFolder, stage: int) -> description.PotFolder:
    """That pot at that stage, for its lines."""
    if pot.calibration["stage"] == stage:
        return pot
    return pot_folder.with_values(pot, "calibration", {"stage": stage})


def stage_of(calibration: bytes) -> int:
    """The stage in a stored calibration; 0 where there is none."""
    found = _values(calibration).get("stage", 0)
    return found if type(found) is int else 0


def same_calibration(one: bytes, other: bytes) -> bool:
    """Do two stored calibrations say the same, whatever limits they were made for?"""
    usual = {row[0]: row[3] for row in fields.CALIBRATION}
    values = [_values(data) for data in (one, other)]
    return all(values) and {**usual, **values[0]} == {**usual, **values[1]}


def same_names(one: bytes, other: bytes) -> bool:
    """Do two stored lines say the same, by all names that both have?"""
    values, others = _values(one), _values(other)
    shared = values.keys() & others.keys()
    return bool(shared) and all(values[name] == others[name] for name in shared)


def _values(data: bytes) -> dict[str, Any]:
    record, _ = line.decode(data.rstrip(b"\r\n"))
    passing = ("kind", "version", "limits_id", "crc")
    return {k: v for k, v in (record or {}).items() if k not in passing}


def follow(
    book: bench_book.Book, before: description.PotFolder, after: description.PotFolder
) -> None:
    """A command changed a calibration that the book had led to: the book leads to the new one."""
    led = book.led_to()
    if led.stage and led.board and led.calibration == calibration_mark(before):
        mark = calibration_mark(after)
        book.lead_to(replace(led, stage=after.calibration["stage"], calibration=mark))
