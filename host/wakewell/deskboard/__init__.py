"""A real MicroPython interpreter that stands in for a board on USB.

Belongs here: the names others import. Does not belong here: how any of it works.
"""

from wakewell.deskboard.board import DeskBoard
from wakewell.deskboard.chip import CAUSES, Boot, Counters
from wakewell.deskboard.image import flash_writes, make_image, read_image, write_image
from wakewell.deskboard.interpreter import DeskBoardError, why_not
from wakewell.deskboard.world import Level, QuietWorld, ScriptedWorld, World

__all__ = [
    "CAUSES",
    "Boot",
    "Counters",
    "DeskBoard",
    "DeskBoardError",
    "Level",
    "QuietWorld",
    "ScriptedWorld",
    "World",
    "flash_writes",
    "make_image",
    "read_image",
    "why_not",
    "write_image",
]
