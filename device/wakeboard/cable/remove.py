"""Files and folders that are no longer needed."""

import os


def main(files: "list[str]", folders: "list[str]") -> None:
    """Remove them. What is gone already is no fault; a folder that is not empty stays."""
    for path in files:
        attempt(os.remove, path)
    for path in folders:
        attempt(os.rmdir, path)


def attempt(remove: object, path: str) -> None:
    try:
        remove(path)  # type: ignore[operator]
    except OSError:
        pass
