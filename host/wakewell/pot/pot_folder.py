"""A pot's folder: the TOML a person edits, checked and compiled to what the board stores.

What belongs here: the way from a folder to the three stored lines and the core's own Pot. What does
not: which names there are and their ranges (description.py), how values must fit one another
(agree.py), what a chip's pins can do (chips.py), what is printed (check.py).
"""

from __future__ import annotations

import datetime
import os
import subprocess
from collections.abc import Iterable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from wakecore import fields, line
from wakecore.number import is_whole
from wakewell import language
from wakewell.pot.description import (
    ABOUT,
    ALL_PRIVATE,
    KINDS,
    LISTS,
    MOST_NAME,
    MOST_PEOPLE,
    NEEDED,
    PRIVATE,
    TABLES,
    TOLD_BY_POT,
    TOLD_OF,
    About,
    ListRow,
    Part,
    PotFolder,
    Row,
)
from wakewell.pot.parts import PART_NAMES, PARTS, kinds_of
from wakewell.tomlfile import (
    Problem,
    nearest,
    read_toml,
    shorten,
    show,
    show_key,
    show_path,
)

from . import agree, chips, meanings

# Names that the calibration got later. At its default such a name changes nothing and is left out,
# so that the stored line of an older pot stays the same, and its id too.
LEFT_OUT = ("panel",)


def load(folder: str | os.PathLike[str]) -> PotFolder:
    """Everything about a pot's folder. Never raises because of a user's text: see `problems`."""
    path = Path(folder)
    found = PotFolder(path, os.path.basename(os.path.abspath(path)))
    if not os.path.isdir(path):
        text = "not a pot's folder; name a folder that holds pot.toml and wiring.toml"
        found.problems.append(Problem(show_path(str(path)), 1, text))
        return found
    for kind in ("pot", "wiring", *KINDS):
        # For a pot that was never at the bench nothing is measured
        empty = kind == "calibration"
        file = read_toml(path / (kind + ".toml"), found.file_name(kind), empty)
        if isinstance(file, Problem):
            found.problems.append(file)
        else:
            found.files[kind] = file
    if "pot" in found.files:
        found.about = _about(found)
    if "wiring" in found.files:
        found.parts = _parts(found)
    for kind in KINDS:
        if kind in found.files:
            said = meanings.of(kind)
            rows = tuple((*row, said[row[0]]) for row in fields.KINDS[kind])
            values = _numbers(found, kind, (), [r for r in rows if r[0] not in TOLD_BY_POT])
            if kind == "calibration":
                values |= _probes(found) | {r[0]: r[3] for r in rows if r[0] in TOLD_BY_POT}
            setattr(found, kind, values)
    _told_twice(found)
    tell_calibration(found)
    in_range = not found.problems
    _known(found)
    _private(found)
    _judge(found, in_range)
    return found


def _told_twice(found: PotFolder) -> None:
    """Values of pot.toml may not stand in calibration.toml."""
    file = found.files.get("calibration")
    for name, (table, there) in TOLD_BY_POT.items():
        if file is None or name not in file.data:
            continue
        text = f"{name} = {show(file.data[name])}: it belongs in pot.toml, as {there} of [{table}]"
        cell = found.about.battery if found.about else None
        if name == "self_ua" and cell is not None and is_whole(file.data[name], 0, 100000):
            ppt = round(file.data[name] * 30 * 24 / cell.capacity_mah)
            text += f": of {cell.capacity_mah} mAh that is {ppt} parts per thousand a month"
        found.problem("calibration", text + "; write it there, and take this line out", name)


def tell_calibration(found: PotFolder) -> None:
    """Put into the calibration what pot.toml tells of it."""
    about = found.about
    if about is None or not found.calibration:
        return
    if about.battery is not None and about.battery.self_ua is not None:
        found.calibration["self_ua"] = about.battery.self_ua
    if about.board is not None and about.board.radio_ua is not None:
        found.calibration["radio_ua"] = about.board.radio_ua
    found.calibration["panel"] = int(about.panel is not None)


def with_values(found: PotFolder, kind: str, values: Mapping[str, Any]) -> PotFolder:
    """That pot with other values in its file of that kind, by every rule that `load` has.

    kind: one of KINDS. values: by name, each in its range; the others stay. found has no problems.
    """
    made = replace(found, problems=[], warnings=[], steps=[], lines={}, pot=None)
    setattr(made, kind, {**getattr(found, kind), **values})
    _judge(made, True)
    return made


def _judge(found: PotFolder, in_range: bool) -> None:
    """How the values fit one another, and what they are compiled to."""
    if found.about:
        agree.check_pins(found)
        agree.check_sizes(found)
    if in_range:
        agree.check_values(found)
    if not found.problems:
        _compile(found)
    found.problems.sort()
    found.warnings.sort()


def _known(found: PotFolder) -> None:
    """Every unknown name in a file is a problem."""
    rows = {kind: [row[0] for row in fields.KINDS[kind]] for kind in KINDS}
    rows["calibration"] += [row[0] for row in fields.PROBES]
    rows["pot"] = [row[0] for row in ABOUT] + ["chip", "language", "noted", "people", *TABLES]
    rows["wiring"] = list(PART_NAMES)
    for kind, file in found.files.items():
        _unknown(found, kind, (), file.data, rows[kind], rows)


def _unknown(
    found: PotFolder,
    kind: str,
    table: tuple[str, ...],
    data: Mapping[str, Any],
    known: list[str],
    elsewhere: Mapping[str, list[str]] | None = None,
) -> None:
    for key, value in data.items():
        if key in known:
            continue
        others = [name for name, names in (elsewhere or {}).items() if key in names]
        advice = f"{nearest(key, known)}; correct the name or take the line out"
        if others:
            advice = f"it is a name of {others[0]}.toml; move it there"
        where = show_key(*table) + " of " if table else ""
        text = f"{show_key(*table, key)} = {show(value)}: not a name of {where}{kind}.toml; "
        found.problem(kind, text + advice, *table, key)


def _table(found: PotFolder, kind: str, key: str, needed: bool) -> dict[str, Any] | None:
    """A table inside a file, or None, with a problem where it is missing or no table."""
    data = found.files[kind].data
    if key not in data:
        if needed:
            found.problem(kind, f"[{key}]: missing; add this table")
        return None
    value = data[key]
    if not isinstance(value, dict):
        found.problem(kind, f"{key} = {show(value)}: allowed a table, [{key}]", key)
        return None
    return value


def _numbers(
    found: PotFolder, kind: str, table: tuple[str, ...], rows: Iterable[Row]
) -> dict[str, Any]:
    """The whole numbers of a table by name, defaults filled in."""
    data = found.files[kind].data
    for key in table:
        data = data[key]
    values: dict[str, Any] = {}
    for name, least, most, default, meaning in rows:
        value = data.get(name, default)
        if is_whole(value, least, most):
            values[name] = value
            continue
        key = show_key(*table, name)
        if name not in data:
            text = f"{key}: missing, allowed {least} to {most} ({meaning}); add it"
        elif type(value) is int:
            text = f"{key} = {show(value)}: allowed {least} to {most} ({meaning}); correct it"
        else:
            text = f"{key} = {show(value)}: allowed {least} to {most} ({meaning}); "
            text += "write a whole number"
        found.problem(kind, text, *table, name)
    return values


def _word(
    found: PotFolder,
    kind: str,
    table: tuple[str, ...],
    data: Mapping[str, Any],
    name: str,
    allowed: tuple[str, ...],
    default: str | None,
) -> str:
    """A word out of a few, or "" with a problem."""
    value = data.get(name, default)
    if isinstance(value, str) and value in allowed:
        return value
    key, words = show_key(*table, name), ", ".join(allowed)
    if value is None:
        text = f"{key}: missing, allowed {words}; add it"
    else:
        text = f"{key} = {show(value)}: allowed {words}; correct it"
    found.problem(kind, text, *table, name)
    return ""


def _about(found: PotFolder) -> About | None:
    """pot.toml, or None with problems."""
    before, data = len(found.problems), found.files["pot"].data
    texts: dict[str, str] = {}
    for name, needed, most, meaning in ABOUT:
        value = data.get(name, None if needed else "")
        if isinstance(value, str) and _is_text(value, needed, most, lines=name == "notes"):
            texts[name] = value
        elif value is None:
            found.problem("pot", f'{name}: missing ({meaning}); add {name} = "..."')
        else:
            text = f"{name} = {show(value)}: allowed a line of text, up to {most} characters "
            found.problem("pot", text + f"({meaning}); correct it", name)
    chip = _word(found, "pot", (), data, "chip", tuple(chips.CHIPS), None)
    spoken = _word(found, "pot", (), data, "language", tuple(language.NAMES), language.ENGLISH)
    noted = data.get("noted")
    if noted is not None and type(noted) is not datetime.date:
        text = f"noted = {show(noted)}: allowed a date without quotes, such as 2026-05-01"
        found.problem("pot", text + " (when tank and charge were looked at); correct it", "noted")
    people = _people(found)
    tables = {key: _section(found, key, *TABLES[key]) for key in TABLES}
    if len(found.problems) > before:
        return None
    made: dict[str, Any] = {**texts, "chip": chip, "noted": noted, "battery": None}
    made["language"], made["people"] = spoken, people
    for key, values in tables.items():
        if values is not None:
            made[key] = TABLES[key][0](**values)
    return About(**made)


def _people(found: PotFolder) -> dict[str, tuple[str, ...]]:
    """[people] of pot.toml: who is told of what, beside owner and maker."""
    inner = _table(found, "pot", "people", needed=False) or {}
    people: dict[str, tuple[str, ...]] = {}
    if len(inner) > MOST_PEOPLE:
        text = f"[people]: {len(inner)} names, allowed {MOST_PEOPLE}; take some out"
        found.problem("pot", text, "people")
    for name, told in inner.items():
        key, words = show_key("people", name), told if isinstance(told, list) else []
        if name in ("owner", "maker") or not _is_text(name, True, MOST_NAME, lines=False):
            text = f"{key}: allowed a name of up to {MOST_NAME} characters, not owner or maker, "
            found.problem("pot", text + "who are told already; correct it", "people", name)
        elif not words:
            text = f'{key} = {show(told)}: allowed a list such as ["fill the tank"]; correct it'
            found.problem("pot", text, "people", name)
        elif strange := [word for word in words if word not in TOLD_OF]:
            text = f"{key}: {show(strange[0])}: nothing that people are told of; "
            text += f"{nearest(str(strange[0]), TOLD_OF)}; correct it"
            found.problem("pot", text, "people", name)
        else:
            people[name] = tuple(dict.fromkeys(words))
    return people


def _section(
    found: PotFolder,
    key: str,
    made: type,
    rows: tuple[Row, ...],
    optional: tuple[Row, ...],
    words: Mapping[str, tuple[tuple[str, ...], str | None]],
) -> dict[str, Any] | None:
    """The values of one table of pot.toml, or None where it is absent."""
    inner = _table(found, "pot", key, needed=key in NEEDED)
    if inner is None:
        return None
    values: dict[str, Any] = {
        word: _word(found, "pot", (key,), inner, word, allowed, default)
        for word, (allowed, default) in words.items()
    }
    given = tuple(row for row in optional if row[0] in inner)
    lists = LISTS.get(key, ())
    known = [*words, *(row[0] for row in rows + optional), *(row[0] for row in lists)]
    _unknown(found, "pot", (key,), inner, known)
    values |= _lists(found, key, inner, lists)
    return values | _numbers(found, "pot", (key,), rows + given)


def _lists(
    found: PotFolder, key: str, inner: Mapping[str, Any], rows: tuple[ListRow, ...]
) -> dict[str, Any]:
    """The lists of whole numbers that a table of pot.toml has."""
    values = {}
    for name, count, least, most, meaning in rows:
        given = inner.get(name)
        if given is None:
            continue
        listed = isinstance(given, list) and len(given) == count
        if listed and all(is_whole(value, least, most) for value in given):
            values[name] = tuple(given)
            continue
        text = f"{key}.{name} = {show(given)}: allowed {count} whole numbers from {least} to {most}"
        found.problem("pot", f"{text} ({meaning}); correct it", key, name)
    return values


def _is_text(text: str, needed: bool, most: int, lines: bool) -> bool:
    """Text of allowed length that a terminal can print."""
    plain = text.replace("\n", " ") if lines else text
    return len(text) <= most and plain.isprintable() and bool(plain.strip() or not needed)


def _parts(found: PotFolder) -> dict[str, Part]:
    """wiring.toml: the parts that are written without fault."""
    parts: dict[str, Part] = {}
    for name in PART_NAMES:
        data = _table(found, "wiring", name, needed=name == "pump")
        if data is None:
            continue
        before, table, kind = len(found.problems), (name,), ""
        if kinds := kinds_of(name):
            usual = None if name == "level" else kinds[0]
            kind = _word(found, "wiring", table, data, "kind", kinds, usual)
            if not kind:
                continue
        what = PARTS[name, kind]
        rows = tuple((pin, 0, 48, None, "a pin of the chip") for pin in what.pins) + what.rows
        numbers = _numbers(found, "wiring", table, rows)
        words = {
            word: _word(found, "wiring", table, data, word, allowed, allowed[0])
            for word, allowed in what.words.items()
        }
        known = [*(["kind"] if kind else []), *(row[0] for row in rows), *words]
        _unknown(found, "wiring", table, data, known)
        if len(found.problems) == before:
            pins = {pin: numbers.pop(pin) for pin in what.pins}
            parts[name] = Part(name, kind, pins, what.pins, words, numbers)
    return parts


def _probes(found: PotFolder) -> dict[str, Any]:
    """The probes of calibration.toml: tables of points, rails and spread."""
    probes: dict[str, Any] = {}
    said = meanings.PROBES
    for name, least, most, _ in fields.PROBES:
        meaning = said[name]
        data = _table(found, "calibration", name, False)
        if data is None:
            continue
        before = len(found.problems)
        _unknown(found, "calibration", (name,), data, ["points", "rails", "spread"])
        points = data.get("points")
        pairs = isinstance(points, list) and all(
            isinstance(pair, list) and len(pair) == 2 for pair in points
        )
        if not pairs:
            text = f"{name}.points = {show(points)}: allowed pairs [counts, value], value in "
            found.problem("calibration", text + f"{meaning}; correct it", name, "points")
            continue
        stored = {name + "_points": [n for pair in data["points"] for n in pair]}
        stored |= {f"{name}_{key}": data[key] for key in ("rails", "spread") if key in data}
        _, why = fields.load_probe(name, stored, least, most)
        if why:
            text = shorten(why.encode("unicode_escape").decode(), 80)
            text += "; counts rise from point to point, values only rise or only fall, rails lie "
            text += "outside all points; correct the table"
            key = _wrong_key(name, stored, least, most)
            found.problem("calibration", text, name, key)
            continue
        if data.get("spread", 0) < 0:
            text = f"{name}.spread = {show(data['spread'])}: allowed 0 to {fields.COUNTS_MOST} "
            text += "(counts between highest and lowest sample of a reading); correct it"
            found.problem("calibration", text, name, "spread")
        if len(found.problems) == before:
            probes[name] = data
    return probes


def _wrong_key(name: str, stored: Mapping[str, Any], least: int, most: int) -> str:
    """Which key of a probe's table the core refuses: the first that it does not take."""
    taken = {f"{name}_rails": [fields.COUNTS_LEAST, fields.COUNTS_MOST]}
    for key in ("points", "rails"):
        taken |= {k: v for k, v in stored.items() if k == f"{name}_{key}"}
        if fields.load_probe(name, taken, least, most)[0] is None:
            return key
    return "rails" if f"{name}_rails" not in stored else "spread"


def _private(found: PotFolder) -> None:
    """private.toml must be out of git. It is never opened here."""
    if not any(found.path.glob(ALL_PRIVATE)):
        return
    name = found.file_name("private")
    tracked = _git(found.path, "ls-files", "--error-unmatch", "--", ALL_PRIVATE)
    if tracked == 0:
        text = "tracked by git, so its secrets travel with the folder; "
        text += f"git rm --cached {ALL_PRIVATE}, add it to .gitignore, and change the secrets"
        found.problems.append(Problem(name, 1, text))
    elif tracked == 1 and _git(found.path, "check-ignore", "-q", "--", PRIVATE) == 1:
        text = f"not ignored by git; add {PRIVATE} to .gitignore before the next commit"
        found.warnings.append(Problem(name, 1, text))
    elif tracked not in (0, 1) and _in_git(found.path):
        text = "git would not say whether it is tracked; see that it is in .gitignore"
        found.warnings.append(Problem(name, 1, text))


def _in_git(folder: Path) -> bool:
    """Does a git work tree begin here or above?"""
    here = Path(os.path.abspath(folder))
    return any(os.path.lexists(path / ".git") for path in (here, *here.parents))


def _git(folder: Path, *words: str) -> int | None:
    """git's exit code in that folder (128: no work tree), or None without git.

    The folder may be a stranger's, so its settings must not start programs. The environment of a
    git hook must not send git to another place.
    """
    surroundings = {key: value for key, value in os.environ.items() if not key.startswith("GIT_")}
    command = ["git", "-c", "core.fsmonitor=false", "-C", str(folder), *words]
    try:
        return subprocess.run(
            command, env=surroundings, capture_output=True, timeout=10, check=False
        ).returncode
    except (OSError, subprocess.TimeoutExpired):
        return None


def _compile(found: PotFolder) -> None:
    """The stored lines, and the core's own opinion of them."""
    found.lines = compile_files(found.settings, found.limits, found.calibration)
    values = {}
    for kind, data in found.lines.items():
        record, why = line.decode(data)
        if record is not None:
            values[kind], why = fields.load(kind, record, line.identity(data))
        if why:
            found.problem(kind, f"the core refuses it: {why}; correct it")
            found.lines = {}
            return
    found.pot = fields.Pot(values["settings"], values["limits"], values["calibration"])
    if not found.pot.match and found.calibration["stage"] > 0:
        text = f"stage = {found.calibration['stage']}: settings, limits and calibration do not "
        found.problem("calibration", text + "match one another (R14); correct them", "stage")


def compile_files(
    settings: Mapping[str, Any], limits: Mapping[str, Any], calibration: Mapping[str, Any]
) -> dict[str, bytes]:
    """The three stored lines, by kind, from the content of the three TOML files.

    Values not given take their defaults. A probe in `calibration` is a table with `points`
    (pairs of counts and value), `rails` and `spread`. Nothing is checked here.
    """
    lines: dict[str, bytes] = {}
    given: dict[str, Mapping[str, Any]] = {
        "limits": limits,
        "settings": settings,
        "calibration": calibration,
    }
    for kind in KINDS:
        record: dict[str, Any] = {"kind": kind, "version": fields.VERSION}
        if kind != "limits":
            record["limits_id"] = line.identity(lines["limits"])
        for name, _, _, default in fields.KINDS[kind]:
            value = given[kind].get(name, default)
            if value != default or name not in LEFT_OUT:
                record[name] = value
        if kind == "calibration":
            for name, _, _, _ in fields.PROBES:
                probe = given[kind].get(name)
                if probe:
                    record[name + "_points"] = [n for pair in probe["points"] for n in pair]
                    record[name + "_rails"] = list(probe["rails"])
                    record[name + "_spread"] = probe.get("spread", 0)
        lines[kind] = line.encode(tuple(record), record)
    return lines
