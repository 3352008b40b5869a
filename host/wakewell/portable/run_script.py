"""Plays scripts for the mock board and prints what came of every wake, one JSON object a line.

Portable: the host runs it on MicroPython and compares the log lines with its own. A script is a
line that has the number of its wakes in place of them (none: all lines that follow are its wakes),
and a line for each wake.
"""

import json
import sys

from wakewell.portable.mock import play


def main(path: str) -> None:
    """Play the scripts of the file at that path, one after another."""
    with open(path) as file:
        for text in file:
            script = json.loads(text)
            lines = (file.readline() for _ in range(script["wakes"])) if "wakes" in script else file
            script["wakes"] = (json.loads(row) for row in lines)
            for out in play(script):
                out["line"] = out["line"].decode()
                del out["record"]
                print(json.dumps(out))


if __name__ == "__main__":
    main(sys.argv[-1])
