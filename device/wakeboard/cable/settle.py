"""Settles by cable what was asked for by radio."""

import sys


def main(version: str, number: int) -> None:
    """By that version of the code: the message of that number counts as judged."""
    sys.path.insert(0, "/code/" + version)
    from wakeboard import heard

    known = heard.load("/pot")
    if not known.lost and known.asked < number:
        known.asked, known.answer = number, "settled by cable"
        known.save()
    sys.path.pop(0)
