"""The manifests of versions that were sent to a pot by radio, in its folder `sent/`, by number."""

from __future__ import annotations

from pathlib import Path

FOLDER = "sent"
UNSENT = ".kept.json"  # end of the name of one that was made and not sent


def numbered(folder: Path) -> list[tuple[int, Path]]:
    """(number, file) of every manifest made for the pot in that folder, oldest first."""
    files = (folder / FOLDER).glob("[0-9]*.json") if (folder / FOLDER).is_dir() else ()
    found = [(p.name.removesuffix(UNSENT).removesuffix(".json"), p) for p in files]
    return sorted((int(n), p) for n, p in found if n.isdigit())
