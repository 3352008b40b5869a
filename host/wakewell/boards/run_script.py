"""Plays a script for the mock board and prints what came of every wake, one JSON object a line.

Portable: the host runs it on MicroPython and compares the log lines with its own. The
input's first line is the script without its wakes, each further line is one wake.
"""

import json
import sys

from wakewell.boards.mock import play


def main(path):
    """Play the script of the file at that path."""
    with open(path) as file:
        script = json.loads(file.readline())
        script["wakes"] = (json.loads(text) for text in file)
        for out in play(script):
            out["line"] = out["line"].decode()
            del out["record"]
            print(json.dumps(out))


if __name__ == "__main__":
    main(sys.argv[-1])
