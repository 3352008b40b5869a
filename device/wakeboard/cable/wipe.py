"""All that a pot must not take to its next home."""

import os

ENDS = ("", ".new", ".old", ".bad", ".bad.bad")


def main(names: "list[str]") -> "list[str]":
    """Remove those files of /pot with their copies, and its log. What is left of them."""
    for name in names:
        for end in ENDS:
            remove("/pot/" + name + end)
    for name in log():
        remove("/pot/log/" + name)
    left = [name for name in os.listdir("/pot") if name.split(".")[0] in ("private", "ca", "heard")]
    return left + log()


def remove(path: str) -> None:
    try:
        os.remove(path)
    except OSError:
        pass  # what is still there is returned at the end


def log() -> "list[str]":
    try:
        return os.listdir("/pot/log")
    except OSError:
        return []
