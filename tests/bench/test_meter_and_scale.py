"""A flow meter calibrated with a cup, and a scale with its tare and a known mass."""

from __future__ import annotations

import shutil
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from wakewell.bench import calibrate, commission
from wakewell.pot import pot_folder
from wakewell.pot.bench_book import Book
from wakewell.shipped import CAFE


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    target = tmp_path / "basil"
    shutil.copytree(CAFE / "basil", target, ignore=shutil.ignore_patterns("logs"))
    path = target / "wiring.toml"
    path.write_text(f"{path.read_text()}\nflowmeter = {{ pin = 22 }}\n", encoding="utf-8")
    path = target / "calibration.toml"
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("stage = 2", "stage = 0"), encoding="utf-8")
    return target


def test_pulses_a_litre_from_the_runs_into_the_cup(folder: Path) -> None:
    book = Book(folder)
    for ml, pulses in ((80.0, 480), (81.0, 486), (79.0, 474)):
        book.add("flow", ran_ms=4000, ml=ml, pulses=pulses)
    book.add("flow", ran_ms=4000, ml=80.0, pulses=900, void="flow")
    made = calibrate.calibrate(folder, book)
    assert made.refused == []
    assert made.changes["calibration"]["flowmeter"] == {
        "points": [[0, 0], [60000, 10_000_000]], "rails": [-1, 120000], "spread": 0,
    }  # fmt: skip
    assert any("6000 pulses a litre from 3 runs" in line for line in made.lines)
    calibrate.write(made)
    assert pot_folder.load(folder).pot is not None


@pytest.mark.parametrize("pulses", [(0, 0), (480, 600), (20, 20)])
def test_a_meter_that_does_not_agree_with_the_cup_is_refused(
    folder: Path, pulses: tuple[int, int]
) -> None:
    book = Book(folder)
    for count in pulses:
        book.add("flow", ran_ms=4000, ml=80.0, pulses=count)
    (why,) = calibrate.calibrate(folder, book).refused
    assert why.startswith(f"flowmeter: {pulses[0]} pulses for 80 ml")
    assert "allowed 30 pulses a run and more" in why


def test_a_scale_from_its_tare_and_a_known_mass() -> None:
    """10 counts a gram, 400 g dry, 2 l of substrate: 1000 parts per thousand weigh 2400 g."""
    readings = iter(([1000, 4], [11000, 4]))
    answers = iter((1000.0, 400.0))
    entered: list[tuple[Any, ...]] = []
    said: list[str] = []
    session: Any = SimpleNamespace(
        answers=SimpleNamespace(word=lambda *_: "ok", number=lambda *_: next(answers)),
        live=lambda _: next(readings), enter=lambda *row: entered.append(row[:3]),
        pot=SimpleNamespace(about=SimpleNamespace(planter=SimpleNamespace(volume_ml=2000))),
        say=said.append, finding=lambda *_: None,
    )  # fmt: skip
    commission.scale(session, "soil")
    assert entered == [("soil", 5000, 0), ("soil", 25000, 1000)]
    assert "100 g of growth will read as 5.0 % of water" in said[0]


def test_a_scale_that_hardly_moves_is_seen_to() -> None:
    readings = iter(([1000, 40], [1100, 40]))
    session: Any = SimpleNamespace(
        answers=SimpleNamespace(word=lambda *_: "ok", number=lambda *_: 1000.0),
        live=lambda _: next(readings),
    )
    with pytest.raises(commission.Failed, match="hardly move the scale"):
        commission.scale(session, "weight")
