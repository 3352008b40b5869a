"""`wakewell round`: every pot in a row, from folders, logs and database, whichever are there."""

from __future__ import annotations

import json
import shutil
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from test_listen import BOARD, KEY, LINES, Desk, pack, place_of

import makelog
from wakecore import line
from wakewell import cli
from wakewell.commands import round as round_command
from wakewell.log import logs, record, series
from wakewell.radio import rounds
from wakewell.report import page_files, pages
from wakewell.shipped import CAFE

DAY_S = 86400
AGO_S = series.clock_of([9193, 0, 1]) or 0  # the demo's logs begin there


@pytest.fixture
def pot(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """basil with its key and without a log, looked at a month after its log began."""
    folder = tmp_path / "basil"
    shutil.copytree(CAFE / "basil", folder)
    for path in (folder / "logs").glob("*.gz"):
        path.unlink()
    (folder / "board.toml").write_text(f'id = "{BOARD}"\n')
    (folder / "private.toml").write_text(f'key = "{KEY.hex()}"\n')
    monkeypatch.setattr(page_files, "today", lambda: float(AGO_S + 30 * DAY_S))
    return folder


def results(*words: str, capsys: pytest.CaptureFixture[str]) -> list[dict[str, Any]]:
    cli.main(["round", *words, "--json"])
    told = json.loads(capsys.readouterr().out)
    assert told["good"] == (told["exit"] == 0) == all(row["good"] for row in told["results"])
    found: list[dict[str, Any]] = told["results"]
    return found


def last_wake(lines: list[bytes]) -> int:
    """When the last of these wakes was."""
    row = [record.read(data).found for data in lines]
    found = [series.clock_of(one.begin.utc) for one in row if isinstance(one, record.Wake)]
    assert found[-1] is not None
    return found[-1]


def test_the_demo_by_urgency_and_the_page_shows_the_same(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rows = results("--demo", capsys=capsys)
    assert cli.main(["round", "--demo"]) == 0
    shown = capsys.readouterr().out
    cli.main(["report", "--demo", "--out", str(tmp_path)])
    page = (tmp_path / "round.html").read_text(encoding="utf-8")
    order = [page.index(f'href="{row["name"]}.html"') for row in rows]
    assert order == sorted(order)
    for row, after in zip(rows, [*order[1:], len(page)], strict=True):
        cells = page[page.index(f'href="{row["name"]}.html"') : after]
        assert row["title"] in shown
        for text in (row["core"]["in_force"], row["settings"]["in_force"]):
            assert text in shown
            assert text in cells
        for kind in ("tank", "battery"):
            days = row[f"{kind}_days"]
            assert f"{kind} {'not known' if days is None else days}" in cells
            assert days is None or f"{days} days" in shown
        assert row["not_sent"] == {}
    assert [row["condition"] for row in rows] == sorted(
        (row["condition"] for row in rows), key=["needs help now", "no news", "due", "well"].index
    )


def test_what_is_asked_and_what_the_folder_has_that_the_board_has_not(
    pot: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shutil.rmtree(pot / "logs")
    shutil.copytree(CAFE / "basil" / "logs", pot / "logs")
    (row,) = results(str(pot), capsys=capsys)
    assert (row["settings"]["asked"], row["not_sent"], row["board"]) == (None, {}, BOARD)
    assert cli.main(["ask", str(pot), "dose_ml=61", "--only-file"]) == 0
    for name, old, new in (
        ("settings.toml", "dose_ml = ", "dose_ml = 62 # "),
        ("limits.toml", "day_ml = ", "day_ml = 901 # "),
        ("calibration.toml", "ul_per_ppt = ", "ul_per_ppt = 1234 # "),
    ):
        text = (pot / name).read_text()
        assert old in text, name
        (pot / name).write_text(text.replace(old, new))
    capsys.readouterr()
    (row,) = results(str(pot), capsys=capsys)
    asked = row["settings"]["asked"]
    assert (asked["number"], asked["sent"], asked["in_force"]) == (1, False, False)
    assert asked["differs"] == {"dose_ml": 61}
    assert row["not_sent"] == {"settings": ["dose_ml"], "limits": ["day_ml"], "calibration": []}
    cli.main(["round", str(pot)])
    shown = capsys.readouterr().out
    assert "asked     number 1, made and not sent: dose_ml = 61" in shown
    assert "settings.toml (dose_ml), limits.toml (day_ml), calibration.toml" in shown


@pytest.mark.parametrize(("days", "muted"), [(6, True), (8, False)])
def test_it_shows_whose_reminders_are_muted(days: int, muted: bool, tmp_path: Path) -> None:
    lines = list(makelog.log_lines(makelog.play(makelog.wakes(1))))
    at = next(n for n, data in enumerate(lines) if b'"kind":"wake"' in data)
    record_of, _ = line.decode(lines[at])
    assert record_of is not None
    begin = record_of["begin"] | {"host": ["mute"], "utc": [9800, 0, 1]}
    makelog.write(
        tmp_path / "fern" / "logs", [*lines[:at], makelog.changed(lines[at], begin=begin)]
    )
    now_s = (series.clock_of([9800, 0, 1]) or 0) + days * DAY_S
    (row,) = rounds.go(rounds.places([tmp_path / "fern" / "logs"]), None, "UTC", now_s)
    assert bool(row.muted) == muted
    assert [text for text in round_command.below(row) if text.startswith("muted")] == (
        ["muted     its reminders were muted with its button until Sat 7 November 2026"] * muted
    )
    until = round_command.as_json(row)["muted_until"]
    assert until == ("2026-11-07T00:00:00Z" if muted else None)


@pytest.mark.parametrize("known", ["folder", "log too", "database alone", "another home"])
def test_it_reads_what_is_there(
    pot: Path, known: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The newest wakes count, wherever they are; those of another home never."""
    where = tmp_path / "heard.db"
    desk = Desk(pot, where)
    desk.hear(pack(LINES[:30]))
    desk.listener.store.close()
    path = pot / "logs" / "00000001.jsonl"
    text = path.read_bytes()
    path.unlink()
    words, heard_s = [str(pot), "--database", str(where)], last_wake(LINES[:30])
    if known == "log too":
        path.write_bytes(text[: place_of(LINES[10])])
    if known == "database alone":
        words = words[1:]
    if known == "another home":
        (pot / "private.toml").write_text(f'key = "{bytes(32).hex()}"\n')
    (row,) = results(*words, capsys=capsys)
    if known == "another home":
        assert (row["why"], row["condition"], row["good"]) == (
            "nothing heard yet, and no log of it is here", "not read", False,
        )  # fmt: skip
        return
    assert row["last_heard"] == f"{datetime.fromtimestamp(heard_s, UTC):%Y-%m-%dT%H:%M:%SZ}"
    assert row["board"] == BOARD
    assert row["name"] == "basil"
    assert row["core"]["in_force"]
    assert row["why"] is None
    assert row["settings"]["in_force"]


def test_a_pot_that_cannot_be_read_is_told_above_those_that_are_well(
    pot: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """And the same on the page; a folder of pots stands for all of them."""
    shutil.copytree(CAFE / "mint", tmp_path / "mint")
    names = [row["name"] for row in results(str(tmp_path), capsys=capsys)]
    assert names == ["basil", "mint"]
    (log,) = (
        series.read("mint", place, files)
        for place, files in logs.find_logs(tmp_path / "mint" / "logs")
    )
    page = pages.round_page([pages.view(log, "UTC", log.wakes[-1].time_s)], [("basil", "no log")])
    assert page.index("no log") < page.index('href="mint.html"')


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ([], "no pot is named"),
        (["--database", "nowhere.db"], "no such database"),
        (["nowhere"], "no such file or folder"),
        (["--demo", "--timezone", "Mars/Base"], "not a time zone"),
    ],
)
def test_input_that_cannot_be_used(
    words: list[str], said: str, tmp_path: Path, capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    monkeypatch.chdir(tmp_path)
    assert cli.main(["round", *words]) == 2
    error = capsys.readouterr().err
    assert said in error
    assert error.count("\n") == 1
