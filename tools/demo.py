#!/usr/bin/env python3
"""Watch Wakewell work: python3 tools/demo.py

Makes an environment in the clone (`.venv`), installs the project into it and replays
the demo set: four invented months of a repair café's six window planters, through the
very core that runs on the chip, then writes a page for each and the round over all.
The first run needs a package index.
"""

import argparse
import os
import subprocess
import sys

import _env

PAGES = _env.ROOT / "report"


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--each", action="store_true", help="say how each requirement held")
    args = parser.parse_args()
    _env.ready()
    wakewell = str(_env.tool("wakewell"))
    code = subprocess.call([wakewell, "replay", "--demo", *["--each"] * args.each])
    if code == 0:
        code = write_pages(wakewell)
    if code == 0:
        own = os.path.relpath(wakewell)
        print(
            f"More: python3 tools/demo.py --each; {own} replay LOG for logs of your own; "
            "python3 tools/check.py for all tests"
        )
    return code if code >= 0 else 128 - code


def write_pages(wakewell: str) -> int:
    """The pages of the six, and where they are. The exit status: a pot in need is no failure."""
    command = [wakewell, "report", "--demo", "--out", str(PAGES)]
    code = subprocess.call(command, stdout=subprocess.DEVNULL)
    if code in (0, 1):
        print(f"Their pages: {(PAGES / 'round.html').as_uri()}")
        return 0
    return code


if __name__ == "__main__":
    sys.exit(_env.guarded(main))
