"""The files of the pot's log."""

import os


def main() -> None:
    """Print `BYTES NAME` of each."""
    try:
        for entry in os.ilistdir("/pot/log"):
            print(os.stat("/pot/log/" + entry[0])[6], entry[0])
    except OSError:
        pass
