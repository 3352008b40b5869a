"""What a version would have decided on a pot's own log, before it is sent."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
import tomlkit

from makelog import another_cores
from wakewell.pot import pot_folder
from wakewell.replay import preview
from wakewell.shipped import CAFE

# A wake in which another core had a lockout in force, and this one has none.
LOCKED = {50: {"lockouts": ["leak"]}}


@pytest.fixture
def fern(tmp_path: Path) -> Path:
    """The café's fern, whose log lies in its folder."""
    return Path(shutil.copytree(CAFE / "fern", tmp_path / "fern"))


def lowered(folder: Path, **values: int) -> None:
    """Change values of its settings.toml."""
    path = folder / "settings.toml"
    settings = tomlkit.parse(path.read_text(encoding="utf-8"))
    settings.update(values)
    path.write_text(tomlkit.dumps(settings), encoding="utf-8")


def test_the_same_core_and_settings_have_nothing_to_say(fern: Path) -> None:
    assert preview.of(pot_folder.load(fern)) == preview.Preview()


def test_without_a_log_nothing_is_known(fern: Path) -> None:
    shutil.rmtree(fern / "logs")
    lowered(fern, reserve_ml=130)
    assert preview.of(pot_folder.load(fern)) == preview.Preview()


def test_a_core_that_decides_the_same_is_said_to(fern: Path) -> None:
    another_cores(fern / "logs")
    found = preview.of(pot_folder.load(fern))
    assert found.weaker == []
    (text,) = found.lines
    assert text.startswith("the new core: by the log, ")
    assert text.endswith("wakes, all would be decided as they were")


def test_a_core_that_protects_less_is_told_with_requirement_and_wake(fern: Path) -> None:
    another_cores(fern / "logs", LOCKED)
    found = preview.of(pot_folder.load(fern))
    assert [(changed.rule, changed.wake) for changed in found.weaker] == [("R8", 50)]
    text = "  WEAKER R8: lockout leak was in force, now it is not: 1 wake, first at wake 50"
    assert text in found.lines


def test_settings_that_protect_less_or_more(fern: Path) -> None:
    lowered(fern, reserve_ml=130, pulse_ml=20)
    found = preview.of(pot_folder.load(fern))
    # R8: by the lower reserve the first reading of the tank filled again is enough for a start
    assert {changed.rule for changed in found.weaker} == {"R4", "R8"}
    assert found.lines[0].startswith("settings.toml: by the log, ")
    assert any(" is the first with another decision: " in text for text in found.lines)
    lowered(fern, reserve_ml=600, pulse_ml=60)
    found = preview.of(pot_folder.load(fern))
    assert found.weaker == []
    assert any(text.startswith("  stricter R4: ") for text in found.lines)


def test_of_a_long_log_the_newest_files_are_played(tmp_path: Path) -> None:
    files = [tmp_path / f"{n}.jsonl" for n in range(5)]
    for path in files:
        path.write_bytes(bytes(preview.MOST_BYTES * 2 // 5))
    assert preview.newest(files) == files[2:]
    files[-1].write_bytes(bytes(preview.MOST_BYTES + 1))
    assert preview.newest(files) == files[4:]
