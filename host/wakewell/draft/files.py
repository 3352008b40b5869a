"""A new pot's folder: the text of its files, every value with its meaning, range and reason.

What belongs here: the texts, and writing what is missing of a folder. What does not: the values
(answers.py, figures.py).
"""

from __future__ import annotations

import tempfile
import textwrap
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from wakewell.draft.answers import Draft
from wakewell.draft.figures import Figures
from wakewell.errors import BadInput
from wakewell.kept import today
from wakewell.pot import names, pot_folder, private
from wakewell.pot.description import ALL_PRIVATE, PRIVATE, TABLES, Part, PotFolder
from wakewell.tomlfile import called, show_path

KIND_FILES = ("pot", "wiring", "settings", "limits", "calibration")
WIDE = 96
HEADS = {
    "pot": "What this pot is. The budget, the rig and the build sheet read it.",
    "wiring": "Which pin of the chip goes where. Change a pin here, then run wakewell check.",
    "settings": "What may be tuned, also over the air, inside the hard limits of limits.toml.",
    "limits": "Hard limits: only a person with the cable changes them. They keep floor and cell.",
    "calibration": "What was measured on this very pot; commission and calibrate write it.",
}
TOLD = {
    "planter": "measured, or of a usual pot: measure yours",
    "tank": "measured, or offered for the days away: measure yours",
    "battery": "from the cell maker's sheet",
    "panel": "from its maker's sheet, and as it is put up",
    "pump": "as such a pump is sold: its own sheet goes before it",
    "hose": "the least that reaches, and some to spare",
    "crop": "for the water it uses",
    "board": "for what it draws",
}


def _text(value: Any) -> str:
    """A value as TOML has it."""
    if isinstance(value, str):
        quoted = value.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n")
        return f'"{quoted}"'
    return str(list(value)) if isinstance(value, tuple) else str(value)


def _line(
    file: str, table: str, name: str, value: Any, why: str = "", kind: str = ""
) -> Iterator[str]:
    """A value below its meaning, unit, range and reason."""
    said = names.find(file, table, name, kind).said + (f". Here: {why}" if why else "")
    yield from textwrap.wrap(said, WIDE, initial_indent="# ", subsequent_indent="#   ",
                             break_long_words=False, break_on_hyphens=False)  # fmt: skip
    yield f"{name} = {_text(value)}"


def _head(kind: str, draft: Draft) -> Iterator[str]:
    yield f"# {draft.name}: {HEADS[kind]}"
    yield f"# Made by wakewell new, {today().isoformat()}; wakewell check --names lists all names."
    yield ""


def pot_text(draft: Draft) -> str:
    """pot.toml."""
    about = draft.about
    rows = list(_head("pot", draft))
    for name in ("name", "plant", "place", "maker", "reach", "language", "chip"):
        value = getattr(about, name)
        if value and (name, value) != ("language", "en"):
            rows += _line("pot", "", name, value)
    for table in TABLES:
        values = getattr(about, table)
        if values is None:
            continue
        rows += ["", f"[{table}]  # {TOLD[table]}"]
        for each in names.every():
            here = (each.file, each.table) == ("pot", table)
            value = getattr(values, each.name, None) if here else None
            if value is not None:
                rows += _line("pot", table, each.name, value, _reason(draft, table, each.name))
    return "\n".join([*rows, ""])


def _reason(draft: Draft, table: str, name: str) -> str:
    """Why this value, where more is to be said than its table's heading."""
    if (table, name) == ("tank", "outlet_mm") and draft.tank.outlet_mm > draft.tank.height_mm:
        return "above the full mark, so that nothing siphons (R8)"
    if (table, name) == ("hose", "length_mm"):
        return f"it holds {draft.line.fill_ml:.0f} ml, which every run fills first"
    if (table, name) == ("panel", "peak_mw"):
        return draft.panel_why
    if (table, name) == ("panel", "panes"):
        return "it stands behind the window, as the pot does; outside: 0"
    if (table, name) == ("planter", "volume_ml"):
        return "by its measures, a pot that narrows a little"
    return ""


PART_WHY = {
    "pump": "10 kilohm from the pin to ground hold the switch off while the chip starts (R1)",
    "power": "feeds the probes only while they are read",
    "battery": "with these resistors a full battery stays inside the converter's reach",
    "button": "a pin that can wake the chip",
}


def wiring_text(draft: Draft, parts: Mapping[str, Part]) -> str:
    """wiring.toml."""
    rows = list(_head("wiring", draft))
    for name, part in parts.items():
        why = PART_WHY.get(name, "")
        rows.append(f"[{name}]" + (f"  # {why}" if why else ""))
        values = {**({"kind": part.kind} if part.kind else {}), **part.pins, **part.words}
        for key, value in {**values, **part.numbers}.items():
            use = "suitable for that without limits" if key in part.uses else ""
            rows += _line("wiring", name, key, value, use, part.kind)
        rows.append("")
    return "\n".join(rows)


NOT_MEASURED = """
# Nothing below is measured yet: {probes}.
# Until their tables are here the pot reads and reports, and its pump stays off. When board and pot
# are there:
#   wakewell flash POT
#   wakewell commission POT     at the bench, then in the pot; it can be stopped and taken up again
# Nobody else's tables: two probes never read the same.
"""


def kind_text(draft: Draft, kind: str, made: Figures) -> str:
    """settings.toml, limits.toml or calibration.toml."""
    rows = list(_head(kind, draft))
    for name, figure in made.files[kind].items():
        rows += [*_line(kind, "", name, figure.value, figure.why), ""]
    text = "\n".join(rows)
    if kind == "calibration":
        probes = [name for name in draft.part_names if name in ("soil", "level", "battery")]
        probes += [name for name in draft.probes if name != "light"]
        text += NOT_MEASURED.format(probes=", ".join(probes))
    return text


def as_tuned(made: Figures, like: PotFolder) -> None:
    """Settings and hard limits as the other pot has them. The highest flow is its pump's alone."""
    for kind in ("settings", "limits"):
        for name, value in like.files[kind].data.items():
            if name != "flow_max_ul_s":
                made.put(kind, name, value, f"as {like.name} has it")


def texts(draft: Draft, tuned: PotFolder | None = None) -> dict[str, str]:
    """The five files by kind. Raises BadInput where the answers do not go together.

    tuned: another pot whose settings and limits it has too.
    """
    parts = draft.parts()
    made = draft.figures(parts)
    if tuned is not None:
        as_tuned(made, tuned)
    found = {"pot": pot_text(draft), "wiring": wiring_text(draft, parts)}
    return found | {
        kind: kind_text(draft, kind, made) for kind in ("settings", "limits", "calibration")
    }


def missing(folder: Path) -> list[str]:
    """The kinds of files that a folder lacks. Raises BadInput where none can be put."""
    if not folder.exists():
        return list(KIND_FILES)
    if not folder.is_dir():
        text = f"{show_path(str(folder))}: a file of that name is there; name a new folder"
        raise BadInput(text)
    lacking = [kind for kind in KIND_FILES if not (folder / f"{kind}.toml").exists()]
    if not lacking:
        text = f"{show_path(str(folder))}: is a pot's folder already, and nothing in it is "
        raise BadInput(text + f"overwritten; name another, or run wakewell check {folder}")
    return lacking


def write(folder: Path, found: Mapping[str, str], secrets: bool) -> list[str]:
    """Write the files that the folder lacks, if all then go together; what was written.

    secrets: private.toml too, with a key of its own. Raises BadInput; then nothing was written.
    """
    lacking = missing(folder)
    with tempfile.TemporaryDirectory(prefix="new-") as temporary:
        tried = Path(temporary) / folder.absolute().name
        tried.mkdir()
        for kind in KIND_FILES:
            name = f"{kind}.toml"
            data = found[kind].encode() if kind in lacking else (folder / name).read_bytes()
            (tried / name).write_bytes(data)
        with called(str(tried), str(folder)):
            problems = pot_folder.load(tried).problems
        if problems:
            more = f" (and {len(problems) - 1} more)" if problems[1:] else ""
            raise BadInput(f"{problems[0]}{more}; nothing was written")
    (folder / "logs").mkdir(parents=True, exist_ok=True)
    for kind in lacking:
        with (folder / f"{kind}.toml").open("x", encoding="utf-8", newline="\n") as file:
            file.write(found[kind])
    written = [f"{kind}.toml" for kind in lacking]
    private.ignore(folder, PRIVATE, ALL_PRIVATE)
    if secrets and not (folder / PRIVATE).exists():
        private.make(folder)
        written.append(PRIVATE)
    return written


def others_have_secrets(folder: Path) -> bool:
    """Has another pot beside this one a private.toml?"""
    return any(folder.absolute().parent.glob(f"*/{PRIVATE}"))
