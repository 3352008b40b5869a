"""A proposal taken: into settings.toml, and what it foretold into taken.jsonl.

What belongs here: those two, and what to do next. What does not: the proposals (proposals.py), how
one came out (log/taken.py). Nothing goes to a board from here.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from wakewell.errors import BadInput
from wakewell.log import taken
from wakewell.log.taken import SEEN, Taken
from wakewell.pot import pot_folder, settings_file
from wakewell.tuning.proposals import Proposal, Proposals
from wakewell.tuning.study import Study


@dataclass(frozen=True)
class Taking:
    """What was taken. written: what changed in settings.toml; copy: of the old one, if it did."""

    proposal: Proposal
    written: dict[str, int]
    copy: Path | None


def chosen(found: Proposals, number: int) -> Proposal:
    """The proposal of that number, counted from one. Raises BadInput."""
    if not 1 <= number <= len(found.rows):
        raise BadInput(f"--take {number}: allowed 1 to {len(found.rows)}; wakewell tune shows them")
    return found.rows[number - 1]


def take(study: Study, found: Proposals, number: int) -> Taking:
    """Write it down. Raises BadInput, and then nothing is written."""
    one = chosen(found, number)
    folder = study.folder
    values = {k: v for k, v in one.settings.items() if folder.settings.get(k) != v}
    made = pot_folder.with_values(folder, "settings", values)
    if made.problems:
        raise BadInput(f"{made.problems[0]}; so it cannot be taken")
    copy = settings_file.write(folder.path, values) if values else None
    names = [name for name, _, _ in SEEN]
    marks = {
        days: {name: row[name] for name in names if name in row} for days, row in one.marks.items()
    }
    taken.note(folder.path, Taken(found.last, found.time_s, one.kind, dict(one.settings), marks))
    return Taking(one, values, copy)
