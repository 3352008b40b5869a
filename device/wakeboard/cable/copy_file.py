"""Copies a file of the board to another name."""


def main(path: str, target: str) -> None:
    """Copy it piece by piece."""
    with open(path, "rb") as source, open(target, "wb") as copy:
        data = source.read(512)
        while data:
            copy.write(data)
            data = source.read(512)
