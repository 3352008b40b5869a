"""A version that was sent by radio is settled by cable."""

import sys


def main(version: str, number: int) -> None:
    """By that version of the code: manifests up to that number count as judged, and what came of
    the newest is not put in force any more."""
    sys.path.insert(0, "/code/" + version)
    from wakeboard import sent

    sent.Sent().settle(number)
    sys.path.pop(0)
