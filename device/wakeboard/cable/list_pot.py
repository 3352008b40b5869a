"""What is in the pot's folder, and in its log."""

import os


def main() -> "list[str]":
    """Names."""
    return os.listdir("/pot") + os.listdir("/pot/log")
