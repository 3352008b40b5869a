"""A file that lies beside the old one takes its place, by one rename."""

import os


def main(path: str) -> None:
    """PATH.new becomes PATH."""
    os.rename(path + ".new", path)
