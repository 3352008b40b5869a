"""What is free in the board's flash."""

import os


def main() -> int:
    """Bytes."""
    block, _, _, free = os.statvfs("/")[:4]
    return int(block * free)
