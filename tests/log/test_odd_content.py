"""Odd content under a right CRC, and odd files of a pot: whatever is in them, every command that
reads them ends by itself, with its exit code and, where it cannot use them, one line that says so.

Seeded: Hypothesis makes the same cases each time.
"""

from __future__ import annotations

import gzip
import json
import re
import shutil
from itertools import islice
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

import makelog
import wakewell
from wakecore import line
from wakewell.cli import main
from wakewell.sequences import playing

CAFE = Path(wakewell.__file__).parent / "data" / "cafe"
SMALL = 1 << 30
EDGES = [
    0,
    1,
    -1,
    2,
    SMALL - 1,
    1 - SMALL,
    SMALL,
    -SMALL,
    1 << 31,
    1 << 63,
    10**40,
    86_400,
    300_001,
]
WORDS = ["", "x", "wake", "sleep", "sleep 9999999999", "run 1", "off", "lost", "previous", "hinted"]
WORDS += ["\x1b[2J", "\u202e", "\x00", "a" * 41, "b" * 4000, '"', "\\", "good", "soil", "00000000"]
LEAVES = st.sampled_from([None, True, False, 1.5, *EDGES, *WORDS])
VALUES = st.recursive(
    LEAVES,
    lambda inner: (
        st.lists(inner, max_size=4)
        | st.dictionaries(st.sampled_from([*WORDS[:8], "n", "soil"]), inner, max_size=3)
    ),
    max_leaves=6,
)
# Where a record is changed: so many steps down, each by its place among the members there
WHERE = st.lists(st.integers(0, 40), min_size=1, max_size=3)
HOW = st.sampled_from(["put", "drop", "add"])
CHANGE = st.tuples(st.integers(0, 30), WHERE, HOW, VALUES)
CHANGES = st.lists(CHANGE, min_size=1, max_size=3)
EASY = settings(
    deadline=None,
    derandomize=True,
    database=None,
    phases=[Phase.generate],  # making a failing case small takes minutes and shows little more
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)


def changed(record: Any, where: list[int], how: str, value: Any) -> None:
    """Put, drop or add a value at a place in a record."""
    inside = record
    for step in where[:-1]:
        members = list(inside.values()) if isinstance(inside, dict) else inside
        nested = [m for m in members if isinstance(m, (dict, list)) and m]
        if not nested:
            break
        inside = nested[step % len(nested)]
    if isinstance(inside, dict):
        names = list(inside)
        name = names[where[-1] % len(names)] if names else "n"
        if how == "drop":
            inside.pop(name, None)
        else:
            inside[name if how == "put" else "odd"] = value
    elif how == "drop":
        inside.pop(where[-1] % len(inside))
    else:
        inside.insert(where[-1] % (len(inside) + 1), value)


def sealed(record: dict[str, Any]) -> bytes:
    record.pop("crc", None)
    return makelog.sealed(json.dumps(record, separators=(",", ":"))[:-1].encode())


@pytest.fixture(scope="module")
def lines() -> list[bytes]:
    script = list(makelog.wakes(30))
    script[11]["stores"] = [0, 0]
    script[20] |= {"state": "previous"}
    return list(makelog.log_lines(makelog.play(script)))


def odd_log(folder: Path, lines: list[bytes], changes: list[Any]) -> Path:
    """A pot's folder whose log bears these changes."""
    shutil.rmtree(folder, ignore_errors=True)
    made = list(lines)
    for at, where, how, value in changes:
        record = json.loads(made[at % len(made)])
        changed(record, where, how, value)
        made[at % len(made)] = sealed(record)
    (folder / "logs").mkdir(parents=True)
    makelog.write(folder / "logs", made)
    return folder


Told = pytest.CaptureFixture[str]


def ends(told: Told, *words: object, most: int = 2) -> int:
    """The exit code; what cannot be used is told in one line of plain text."""
    told.readouterr()
    code = main([str(word) for word in words])
    out, err = told.readouterr()
    assert code in range(most + 1)
    assert all(part.isprintable() for part in re.split(r"[\n\t]", out + err))
    if code == 2:
        # One line; one for each log of which nothing could be played; what check lists
        assert err or out
        assert all(row.startswith("wakewell ") for row in err.splitlines())
    return code


@settings(EASY, max_examples=30)
@given(CHANGES)
def test_replay_cut_and_parcel(
    lines: list[bytes], tmp_path: Path, capsys: Told, changes: list[Any]
) -> None:
    folder = odd_log(tmp_path / "pot", lines, changes)
    ends(capsys, "replay", folder)
    ends(capsys, "replay", folder, "--json")
    ends(capsys, "replay", folder, "--settings", CAFE / "basil")
    cut = tmp_path / "cut.toml"
    for first, last in ((0, 9), (10, 14), (18, 25)):
        cut.unlink(missing_ok=True)
        if ends(capsys, "cut", folder, first, last, "--file", cut) == 0:
            playing.load(cut)  # what cut writes, replay reads
            ends(capsys, "replay", cut)
    for words in ((), ("--share",), ("--complaint", "too dry")):
        out = tmp_path / "p.zip"
        out.unlink(missing_ok=True)
        ends(capsys, "parcel", folder, "--file", out, *words)
        if out.exists():
            ends(capsys, "replay", out)


@settings(EASY, max_examples=12)
@given(CHANGES)
def test_report(lines: list[bytes], tmp_path: Path, capsys: Told, changes: list[Any]) -> None:
    folder = odd_log(tmp_path / "pot", lines, changes)
    ends(capsys, "report", folder, "--form", "csv", "--out", tmp_path / "o")
    ends(capsys, "report", folder, "--form", "parquet", "--out", tmp_path / "o")
    ends(capsys, "report", folder, "--out", tmp_path / "o")
    ends(capsys, "report", folder, "--wake", "last", "--out", tmp_path / "o")


KINDS = st.sampled_from(["settings", "limits", "calibration"])


@settings(EASY, max_examples=80)
@given(
    st.lists(st.tuples(KINDS, WHERE, st.sampled_from(["put", "drop", "add"]), VALUES), min_size=1)
)
def test_files_in_force(
    lines: list[bytes], tmp_path: Path, capsys: Told, changes: list[Any]
) -> None:
    """The three files too: under a right CRC, and named by the log under it."""
    files = dict(makelog.pot())
    ids = {kind: line.identity(data).encode() for kind, data in files.items()}
    for kind, where, how, value in changes:
        record = json.loads(files[kind])
        changed(record, where, how, value)
        files[kind] = sealed(record)
    made = []
    for data in lines:
        record = json.loads(data)
        for kind, was in ids.items():
            if record.get(kind) == was.decode():
                record[kind] = line.identity(files[kind])
        made.append(sealed(record))
    folder = tmp_path / "pot"
    shutil.rmtree(folder, ignore_errors=True)
    (folder / "logs").mkdir(parents=True)
    makelog.write(folder / "logs", made, files)
    ends(capsys, "replay", folder)
    ends(capsys, "report", folder, "--form", "csv", "--out", tmp_path / "o")
    ends(capsys, "cut", folder, 2, 6)


# A pot's folder

TOML_FILES = ("pot", "wiring", "settings", "limits", "calibration")


def toml(value: Any) -> str:
    """A value as TOML, or as something that is none."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if value is None:
        return "1979-05-27T07:32:00"
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{json.dumps(k)} = {toml(v)}" for k, v in value.items()) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(map(toml, value)) + "]"
    return json.dumps(value)


TOML_CHANGE = st.tuples(
    st.sampled_from(TOML_FILES),
    st.integers(0, 60),
    st.sampled_from(["value", "value", "value", "drop", "name", "raw"]),
    VALUES | st.sampled_from([float("inf"), -0.0, 1e308, "inf", "nan"]),
)


def odd_pot(folder: Path, name: str, changes: list[Any]) -> Path:
    """A café's pot with some rows of its files changed."""
    shutil.rmtree(folder, ignore_errors=True)
    shutil.copytree(CAFE / name, folder, ignore=shutil.ignore_patterns("*.jsonl.gz"))
    for path in sorted((CAFE / name / "logs").glob("*.jsonl.gz"))[:1]:
        # As much of its log as has a dose or two: the files are what is odd here
        with gzip.open(path) as log, gzip.open(folder / "logs" / path.name, "wb") as beginning:
            beginning.writelines(islice(log, 40))
    for kind, at, how, value in changes:
        path = folder / f"{kind}.toml"
        rows = path.read_text(encoding="utf-8").splitlines()
        keys = [i for i, row in enumerate(rows) if "=" in row and not row.startswith("#")]
        if not keys:
            continue
        number = keys[at % len(keys)]
        key = rows[number].partition("=")[0]
        if how == "drop":
            rows[number] = ""
        elif how == "name":
            rows[number] = f"{toml(str(value))} = 1"
        elif how == "raw":
            rows[number] = str(value)
        else:
            rows[number] = f"{key}= {toml(value)}"
        path.write_text("\n".join(rows) + "\n", encoding="utf-8", errors="surrogatepass")
    return folder


POTS = st.sampled_from(sorted(p.name for p in CAFE.iterdir() if p.is_dir()))


@settings(EASY, max_examples=50)
@given(POTS, st.lists(TOML_CHANGE, min_size=1, max_size=3))
def test_check_and_budget(tmp_path: Path, capsys: Told, name: str, changes: list[Any]) -> None:
    folder = odd_pot(tmp_path / "pot", name, changes)
    ends(capsys, "check", folder)
    ends(capsys, "budget", folder)
    ends(capsys, "budget", folder, "--until", "27", "--away", "14", "--json")
    ends(capsys, "replay", folder, "--settings", folder)


# What boards write can be set to anything in its range: the whole range must do.
def in_range(folder: Path, dice: Any) -> None:
    from wakecore import fields

    for kind in ("settings", "limits", "calibration"):
        path = folder / f"{kind}.toml"
        rows = path.read_text(encoding="utf-8").splitlines()
        ranges = {row[0]: (row[1], row[2]) for row in fields.KINDS[kind]}
        for number, row in enumerate(rows):
            key = row.partition("=")[0].strip()
            if key in ranges and dice.random() < 0.2:
                least, most = ranges[key]
                value = dice.choice([least, most, dice.randint(least, most)])
                rows[number] = f"{key} = {value}"
        path.write_text("\n".join(rows) + "\n", encoding="utf-8")


@settings(EASY, max_examples=30)
@given(POTS, st.randoms(use_true_random=False))
def test_every_value_in_its_range(tmp_path: Path, capsys: Told, name: str, dice: Any) -> None:
    folder = odd_pot(tmp_path / "pot", name, [])
    in_range(folder, dice)
    ends(capsys, "check", folder)
    ends(capsys, "budget", folder, "--until", "27", "--away", "14")
    ends(capsys, "replay", folder, "--settings", folder)


# Sequences

CUT = Path(__file__).parents[1] / "sequences"


@settings(EASY, max_examples=80)
@given(
    st.sampled_from(sorted(CUT.glob("*.toml"))),
    st.lists(st.tuples(st.integers(0, 400), VALUES), min_size=1, max_size=3),
)
def test_sequences(tmp_path: Path, capsys: Told, path: Path, changes: list[Any]) -> None:
    rows = path.read_text(encoding="utf-8").splitlines()
    for at, value in changes:
        keys = [i for i, row in enumerate(rows) if "=" in row and not row.startswith("#")]
        number = keys[at % len(keys)]
        rows[number] = f"{rows[number].partition('=')[0]}= {toml(value)}"
    odd = tmp_path / "odd.toml"
    odd.write_text("\n".join(rows) + "\n", encoding="utf-8", errors="surrogatepass")
    ends(capsys, "replay", odd)
