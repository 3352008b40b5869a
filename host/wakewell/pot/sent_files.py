"""What was made to be sent to a pot by radio, kept in its folder by number.

Manifests of versions are in `sent/`, messages that ask for settings in `asked/` (log/obeyed.py).
"""

from __future__ import annotations

from pathlib import Path

FOLDER = "sent"
UNSENT = ".kept.json"  # end of the name of one that was made and not sent


def numbered(folder: Path, below: str = FOLDER) -> list[tuple[int, Path]]:
    """(number, file) of everything made for the pot in that folder, oldest first.

    below: where in it: FOLDER, the manifests; or log.obeyed.FOLDER, the messages.
    """
    place = folder / below
    files = place.glob("[0-9]*.json") if place.is_dir() else ()
    found = [(p.name.removesuffix(UNSENT).removesuffix(".json"), p) for p in files]
    return sorted((int(n), p) for n, p in found if n.isdigit())
