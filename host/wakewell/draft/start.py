"""How a new pot starts: from nothing, like another pot, or from files that its folder has already.

What belongs here: what is taken over from where, and the pot's name. What does not: the questions
(answers.py), the files (files.py), the terminal (commands/new.py).
"""

from __future__ import annotations

from pathlib import Path

from wakewell.draft import answers, files
from wakewell.draft.answers import Draft
from wakewell.errors import BadInput
from wakewell.pot.description import ABOUT, PotFolder
from wakewell.pot.pot_folder import load
from wakewell.shipped import CAFE
from wakewell.tomlfile import show, show_path


def drafted(
    folder: Path, told: dict[str, str], like: str | None, ask: answers.Ask | None
) -> tuple[Draft, PotFolder | None]:
    """The new pot by its answers, and the pot that it is like.

    told: answers that were given with the command. like: that pot's folder or name. ask: asks the
    person for the rest; None: every offer is taken. Raises BadInput.
    """
    draft, other = Draft(named(folder.absolute().name.capitalize(), "")), None
    if (folder / "pot.toml").exists():
        if like is not None or told:
            text = f"{show_path(str(folder))}: its pot.toml says what it is; leave --like and the "
            raise BadInput(text + "answers out, and only what is missing is written")
        other = _of_files(folder)
    elif like is not None:
        other = _like(like)
    if other is not None and other.about is not None:
        about = other.about
        draft.place, draft.maker, draft.reach = about.place, about.maker, about.reach
        draft.language = about.language
        draft.name = draft.name if like is not None else about.name
    answers.answered(draft, told, other, ask if other is None else None)
    return draft, other if like is not None else None


def named(name: str, option: str) -> str:
    """A name for a pot. Raises BadInput."""
    most = next(row[2] for row in ABOUT if row[0] == "name")
    if not name.strip() or len(name) > most or not name.isprintable():
        text = f"{option}{show(name)}: allowed a line of text, up to {most} characters, as the "
        raise BadInput(text + "pot's name; give it with --name")
    return name


def _of_files(folder: Path) -> PotFolder:
    """A folder of which some files are there already."""
    found = load(folder)
    there = [p for p in found.problems if Path(p.file).name in ("pot.toml", "wiring.toml")]
    absent = {found.file_name(kind) for kind in files.KIND_FILES if kind not in found.files}
    wrong = [p for p in there if p.file not in absent]
    if wrong or found.about is None:
        raise BadInput(f"{(wrong or found.problems)[0]}; correct it first, nothing was written")
    return found


def _like(word: str) -> PotFolder:
    """The pot that a new one is to be like."""
    cafe = CAFE / word.removeprefix("cafe/")
    known = sorted(path.name for path in CAFE.iterdir() if path.is_dir())
    inside = word.removeprefix("cafe/") in known and not Path(word).is_dir()
    found = load(cafe if inside else Path(word))
    if found.problems or found.about is None:
        why = found.problems[0] if found.problems else "not complete"
        text = f"--like {show(word)}: {why} (the café's pots: "
        raise BadInput(text + f"{', '.join('cafe/' + name for name in known)})")
    return found
