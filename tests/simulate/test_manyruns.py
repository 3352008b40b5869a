"""Many runs as a table and in words, from rows whose every number is known."""

from __future__ import annotations

import csv
import sys
from collections import Counter
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from lacking import NO_LIBRARY
from wakewell.errors import BadInput
from wakewell.simulate import many_runs
from wakewell.simulate.many_runs import Row, lines_of

TRIAL: Any = SimpleNamespace(name="fern", title="a fern", days=30.0, notes=())


def rows(count: int, **changes: Any) -> list[Row]:
    """Runs of seeds 5 on: pumped 0, 10, 20 ... ml; else nothing. changes: of the last run."""
    made = []
    for number in range(count):
        one: Row = dict.fromkeys((name for name, *_ in many_runs.SHOWN), 0.0)
        one |= {"seed": 5.0 + number, "pumped_ml": 10.0 * number, "broken": 0.0, "stopped": ""}
        one |= {f"trip {name}": 0.0 for name, *_ in many_runs.TRIPS}
        one |= {f"lockout {name}": 0.0 for name, *_ in many_runs.rules.LOCKOUTS}
        made.append(one)
    made[-1] |= changes
    return [{**one, "seed": int(one["seed"] or 0)} for one in made]


def said(found: list[Row]) -> list[str]:
    return [" ".join(line.split()) for line in lines_of(TRIAL, found)]


def test_the_summary_has_the_middle_and_one_in_twenty_either_way() -> None:
    """Of 0, 10 ... 200 ml one in twenty is 10 and 190; between rows it is straight."""
    text = said(rows(21))
    assert text[0] == "fern: a fern"
    assert text[1] == "runs 21 of 30 days, seeds 5 to 25"
    assert text[2] == "5 % half 95 %"
    assert "pumped 10.0 100.0 190.0 ml" in text
    assert "pumped 0.5 5.0 9.5 ml" in said(rows(2))
    assert "pumped 0.0 0.0 0.0 ml" in said(rows(1))
    assert "short of water 0.0 0.0 0.0 days" in text
    assert not [line for line in text if "trip" in line and ":" in line]


def test_what_some_runs_cannot_say_is_told() -> None:
    text = said(rows(4, tank_autonomy_days=None))
    assert "a full tank lasts 0.0 0.0 0.0 days; never used in 1 of 4 runs" in text
    assert "a full cell lasts never used in 1 of 1 runs" in said(
        rows(1, battery_autonomy_days=None)
    )


def test_trips_lockouts_and_broken_runs_are_counted() -> None:
    text = said(rows(3, **{"trip sag": 4.0, "lockout leak": 1.0}))
    assert "trip sag: in 1 of 3 runs" in text
    assert "lockout leak: in 1 of 3 runs" in text
    assert not [line for line in text if "BROKEN" in line or "STOPPED" in line]
    assert "a requirement BROKEN in 1 of 3 runs, again with --seed 7" in said(rows(3, broken=1.0))
    assert "STOPPED early in 1 of 3 runs, again with --seed 7" in said(rows(3, stopped=1.0))


def table(path: Path) -> list[dict[str, str]]:
    with path.open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def test_a_table_that_stands_there_is_kept(tmp_path: Path) -> None:
    path = tmp_path / "rows.csv"
    path.write_text("mine\n")
    many_runs.write_rows(tmp_path / "rows.csv", rows(3))
    assert (tmp_path / "rows.csv.old").read_text() == "mine\n"
    found = table(path)
    assert [one["seed"] for one in found] == ["5", "6", "7"]
    assert [one["pumped_ml"] for one in found] == ["0.0", "10.0", "20.0"]
    assert list(found[0]) == list(rows(1)[0])


def test_a_parquet_table_that_stands_there_is_kept(tmp_path: Path) -> None:
    parquet = pytest.importorskip("pyarrow.parquet", reason=NO_LIBRARY)
    path = tmp_path / "rows.parquet"
    path.write_text("mine\n")
    many_runs.write_rows(tmp_path / "rows.parquet", rows(3))
    assert (tmp_path / "rows.parquet.old").read_text() == "mine\n"
    assert parquet.read_table(path).column("pumped_ml").to_pylist() == [0.0, 10.0, 20.0]


def test_a_folder_that_is_not_there_is_told_before_the_runs(tmp_path: Path) -> None:
    for form in ("csv", "parquet"):
        many_runs.can_write(tmp_path / f"a.{form}")
        with pytest.raises(BadInput, match="its folder is not there; make it first"):
            many_runs.can_write(tmp_path / f"no/rows.{form}")
    with pytest.raises(BadInput, match=r"must end in \.csv or \.parquet"):
        many_runs.can_write(tmp_path / "rows.txt")
    (tmp_path / "b.csv").mkdir()
    with pytest.raises(BadInput, match="a folder is there"):
        many_runs.write_rows(tmp_path / "b.csv", rows(1))


def test_a_library_that_is_not_there_is_told_before_the_runs(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    many_runs.can_write(tmp_path / "a.csv")
    said = "^--table needs the library pyarrow, which is not installed: python -m pip install "
    with pytest.raises(BadInput, match=said + "pyarrow$"):
        many_runs.can_write(tmp_path / "a.parquet")


def test_seeds_are_handed_out_in_order_and_none_twice(monkeypatch: pytest.MonkeyPatch) -> None:
    seen: list[list[int]] = []

    def batch(work: tuple[Any, range]) -> list[Row]:
        seen.append(list(work[1]))
        return [{"seed": seed} for seed in work[1]]

    monkeypatch.setattr(many_runs, "batch", batch)
    found = many_runs.many(TRIAL, range(3, 28))
    assert [one["seed"] for one in found] == list(range(3, 28))
    # One at a time: at the end no worker waits for another that still has several
    assert seen == [[seed] for seed in range(3, 28)]


def test_a_row_says_all_of_one_run() -> None:
    seen = SimpleNamespace(trips=Counter({"sag": 2}), lockouts=Counter({"leak": 1}))
    run: Any = SimpleNamespace(
        trial=TRIAL, verdicts=seen, stopped="it froze", numbers=lambda: {"seed": 7.0}
    )
    found = many_runs.row(run)
    assert (found["trial"], found["seed"], found["why stopped"]) == ("fern", 7.0, "it froze")
    assert {name for name, n in found.items() if n in (1, 2)} == {"trip sag", "lockout leak"}
    assert found["trip no flow"] == found["lockout dry run"] == 0


def test_a_batch_runs_each_of_its_seeds(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("wakewell.simulate.many_runs.run_trial", lambda trial, seed: (trial, seed))
    monkeypatch.setattr(many_runs, "row", lambda run: {"seed": run[1]})
    assert many_runs.batch((TRIAL, [4, 9])) == [{"seed": 4}, {"seed": 9}]
