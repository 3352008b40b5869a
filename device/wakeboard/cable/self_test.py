"""How a version of the code reads all that was flashed."""

import sys

if False:
    from typing import Any


def main(version: str) -> "tuple[Any, ...]":
    """(how the state was found, {file: how it was found}, do they match, the stage, is the pump's
    file read, {part: its reading or None}).

    Modules that an earlier boot or wake loaded may be older than those in force, so all are loaded
    again. The loader stays, because it holds the lease of this session.
    """
    mine = [(name, sys.modules[name]) for name in ("loader", "chip") if name in sys.modules]
    for name in list(sys.modules):
        if name.split(".")[0] in ("wakecore", "wakeboard", "loader", "chip"):
            sys.modules.pop(name)
    sys.path.insert(0, "/code/" + version)
    from wakeboard import parts
    from wakeboard.board import Board

    board = Board(version, 0)
    _, how = board.store_.load_state(b"")
    pot, statuses = board.store_.load_pot(version[:12])
    board.sensors(True)
    found = {name: parts.read(part) for name, part in parts.fit(board.wiring).items()}
    board.sensors(False)
    sys.path.pop(0)
    sys.modules.update(mine)
    return how, statuses, pot.match, pot.calibration.stage, board.pump is not None, found
