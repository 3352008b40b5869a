"""The maker's own pictures and notes: files of the folder `sheet/` in the pot's folder, by step.

    sheet/20-switch.jpg     a picture for step 2; its words: switch
    sheet/21-switch.md      a note beside it, in Markdown

What belongs here: finding, checking and reading them. What does not: the steps (page.py).
"""

from __future__ import annotations

import base64
import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path

from wakewell.errors import BadInput
from wakewell.report import pages
from wakewell.tomlfile import show

FOLDER = "sheet"
MOST_FILES, MOST_NOTE, MOST_PICTURE = 60, 20_000, 5_000_000  # bytes
# By the end of its name: how such a file begins, and what a browser calls it
PICTURES: dict[str, tuple[bytes, str]] = {
    ".png": (b"\x89PNG\r\n\x1a\n", "image/png"),
    ".jpg": (b"\xff\xd8\xff", "image/jpeg"),
    ".jpeg": (b"\xff\xd8\xff", "image/jpeg"),
    ".webp": (b"RIFF", "image/webp"),
}
NAME = re.compile(r"([1-9])[0-9]?-(.+)")


@dataclass(frozen=True)
class Laid:
    """One file: words for a picture and what a page embeds of it, or a note as safe HTML."""

    step: int
    words: str
    picture: str = ""
    note: str = ""


@dataclass
class Own:
    """What was found. left: (file, why) of what is not laid in."""

    laid: list[Laid] = field(default_factory=list)
    left: list[tuple[str, str]] = field(default_factory=list)

    def at(self, step: int) -> list[Laid]:
        """Those of that step, in their order."""
        return [each for each in self.laid if each.step == step]


def read(pot: Path, steps: Sequence[int]) -> Own:
    """The files of that pot's `sheet/`, in the order of their names."""
    found, folder = Own(), pot / FOLDER
    if not folder.is_dir():
        return found
    if folder.is_symlink():
        found.left.append(("", "a link; allowed a folder of this pot's own"))
        return found
    inside = folder.resolve()
    for path in islice(sorted(folder.iterdir()), MOST_FILES + 1):
        if path.name.startswith("."):
            continue
        try:
            if len(found.laid) == MOST_FILES:
                raise BadInput(f"allowed {MOST_FILES} files")
            if not path.resolve().is_relative_to(inside) or not path.is_file():
                raise BadInput("allowed files that lie in this folder")
            found.laid.append(_read(path, steps))
        except BadInput as why:
            found.left.append((path.name, str(why)))
        except OSError as error:
            found.left.append((path.name, error.strerror or "cannot be read"))
    return found


def _read(path: Path, steps: Sequence[int]) -> Laid:
    """One file. Raises BadInput with what is allowed."""
    if not path.name.isprintable():
        raise BadInput("allowed a name of letters, digits and signs that can be printed")
    named, ending = NAME.fullmatch(path.stem), path.suffix.lower()
    if named is None or int(named[1]) not in steps:
        first, last = steps[0], steps[-1]
        text = f"allowed a name that begins with its step, {first} to {last}, such as "
        raise BadInput(text + f"{first}0-name{ending or '.md'}")
    step, words = int(named[1]), named[2].replace("-", " ").replace("_", " ")
    most = MOST_NOTE if ending == ".md" else MOST_PICTURE
    with path.open("rb") as file:
        data = file.read(most + 1)
    if len(data) > most:
        raise BadInput(f"more than {most} bytes; allowed up to that; make it smaller")
    if ending == ".md":
        try:
            return Laid(step, words, note=_note(data.decode()))
        except UnicodeDecodeError:
            raise BadInput("not UTF-8; save it as UTF-8 text") from None
    if ending not in PICTURES:
        raise BadInput(f"allowed {', '.join(('.md', *PICTURES))}: {show(ending)} is none of them")
    begins, kind = PICTURES[ending]
    if not data.startswith(begins):
        raise BadInput(f"not a picture of the kind that its name says ({ending})")
    return Laid(step, words, picture=f"data:{kind};base64,{base64.b64encode(data).decode()}")


def _note(text: str) -> str:
    """Markdown as HTML: no HTML of its own, no picture from elsewhere."""
    made: str = pages.markdown("notes").disable("image").render(text)
    return re.sub(r"<(/?)h[1-4]>", r"<\1h4>", made)
