"""Puts new files, which lie beside the old ones, in force together.

Once the list of them is renamed, the loader finishes the work at the next boot if the power fails
(`loader.finish_moves`).
"""

import os


def main(paths: "list[str]") -> None:
    """Put PATH.new in the place of each; of a file in /pot the old one is kept as PATH.old."""
    for path in paths:
        if path.startswith("/pot/"):
            keep(path)
    with open("/moves.new", "w") as file:
        file.write("\n".join(paths))
    os.rename("/moves.new", "/moves")
    for path in paths:
        os.rename(path + ".new", path)
    os.remove("/moves")


def keep(path: str) -> None:
    try:
        with open(path, "rb") as file:
            data = file.read()
    except OSError:
        return
    with open(path + ".old", "wb") as file:
        file.write(data)
