"""Puts the new file, which lies beside the old one, in its place by one rename."""

import os


def main(path: str) -> None:
    """PATH.new becomes PATH."""
    os.rename(path + ".new", path)
