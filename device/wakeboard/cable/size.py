"""The size of a file."""

import os


def main(path: str) -> int:
    """Bytes; below 0 the number of the error (-2 on every port: no such file)."""
    try:
        return os.stat(path)[6]
    except OSError as error:
        return -(error.errno or 5)
