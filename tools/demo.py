#!/usr/bin/env python3
"""Watch Wakewell work: python3 tools/demo.py

Makes an environment in the clone (`.venv`), installs the project into it and replays
the demo set: four invented months of a repair café's six window planters, through the
very core that runs on the chip. The first run needs a package index.
"""

import argparse
import os
import subprocess
import sys

import _env


def main() -> int:
    argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    ).parse_args()
    _env.ready()
    wakewell = str(_env.tool("wakewell"))
    code = subprocess.call([wakewell, "replay", "--demo"])
    if code == 0:
        own = f"{os.path.relpath(wakewell)} replay --help"
        print(f"\nNext: python3 tools/check.py runs all tests; {own} is for logs of your own.")
    return code if code >= 0 else 128 - code


if __name__ == "__main__":
    sys.exit(_env.guarded(main))
