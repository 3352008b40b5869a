"""Makes a folder and those above it."""

import os


def main(path: str) -> None:
    """Make those folders of it that are not there yet. path: absolute."""
    at = path.find("/", 1)
    while at > 0:
        make(path[:at])
        at = path.find("/", at + 1)
    make(path)


def make(path: str) -> None:
    try:
        os.mkdir(path)
    except OSError:
        pass  # it is there already
