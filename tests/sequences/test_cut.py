"""`wakewell cut`: wakes of a field log become a sequence that plays to the same decisions."""

from __future__ import annotations

import json
import random
from pathlib import Path

import pytest

import makelog
import wakewell
from wakewell.cli import main
from wakewell.log import logs
from wakewell.replay import cut
from wakewell.sequences import playing


@pytest.fixture(scope="module")
def log(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A pot's log of sixty wakes."""
    folder = tmp_path_factory.mktemp("cut") / "logs"
    folder.mkdir()
    makelog.write(folder, makelog.log_lines(makelog.play(makelog.wakes(60))))
    return folder


def test_cut_wakes_play_to_the_recorded_decisions(log: Path, tmp_path: Path) -> None:
    out = tmp_path / "sequences" / "cut.toml"
    assert main(["cut", str(log), "9", "14", "--file", str(out)]) == 0
    sequence = playing.load(out)
    outputs = list(playing.run(sequence))
    assert len(outputs) == 6
    assert playing.judge(sequence, outputs) == []
    assert main(["replay", str(out)]) == 0


def test_a_changed_decision_fails_the_cut_sequence(log: Path, tmp_path: Path) -> None:
    """The recorded decisions are the expectation: one millilitre else, a failure."""
    out = tmp_path / "cut.toml"
    assert main(["cut", str(log), "10", "12", "--file", str(out)]) == 0
    text = out.read_text()
    assert "day_ml = 104" in text
    out.write_text(text.replace("day_ml = 104", "day_ml = 103"))
    assert main(["replay", str(out)]) == 1


@pytest.mark.parametrize(
    ("words", "why"),
    [
        (["9", "5"], "the last comes before the first"),
        (["50", "400"], "are not all in"),
        (["999", "999"], "are not all in"),
    ],
)
def test_wakes_that_cannot_be_cut(
    log: Path, words: list[str], why: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["cut", str(log), *words]) == 2
    assert why in capsys.readouterr().err


def test_nothing_is_overwritten(log: Path, tmp_path: Path) -> None:
    out = tmp_path / "mine.toml"
    out.write_text("mine")
    assert main(["cut", str(log), "1", "2", "--file", str(out)]) == 2
    assert out.read_text() == "mine"


def test_a_place_that_cannot_be_written(
    log: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "file").write_text("mine")
    assert main(["cut", str(log), "1", "2", "--file", str(tmp_path / "file" / "cut.toml")]) == 2
    told = capsys.readouterr().err
    assert "cannot be written" in told
    assert len(told.splitlines()) == 1


CAFE = Path(wakewell.__file__).parent / "data" / "cafe"


@pytest.mark.parametrize("name", sorted(p.name for p in CAFE.iterdir() if p.is_dir()))
def test_what_is_cut_anywhere_plays_as_recorded(name: str, tmp_path: Path) -> None:
    """Seeded places in every café log: the lockouts, trips and failures among them."""
    dice = random.Random(name)
    ((_, files),) = logs.find_logs(CAFE / name)
    for _ in range(6):
        first = dice.randrange(200)
        out = tmp_path / f"{first}.toml"
        out.write_text(cut.cut(files, first, first + dice.randrange(12)), encoding="utf-8")
        assert playing.check(playing.load(out)) == []


@pytest.mark.parametrize("how", ["hinted", "previous", "lost", "stores"])
def test_a_wake_that_began_with_another_state_can_be_cut(how: str, tmp_path: Path) -> None:
    """In the middle of what is cut: by RTC memory, an older slot, none, or a write that failed."""
    script = list(makelog.wakes(30))
    if how == "stores":
        script[14]["stores"] = [0, 0, 0]
    else:
        script[15]["state"] = how
    makelog.write(tmp_path, makelog.log_lines(makelog.play(script)))
    last = 5 if how == "lost" else 18
    words = ["0", str(last)] if how == "lost" else ["12", "18"]
    out = tmp_path / "cut.toml"
    code = main(["cut", str(tmp_path), *words, "--file", str(out)])
    assert code == 0
    assert playing.check(playing.load(out)) == []
    if how in ("hinted", "previous"):
        assert f'state = "{how}"' in out.read_text(encoding="utf-8")


def test_what_no_sequence_may_hold_is_refused_by_cut(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Not written first and refused by replay then."""
    lines = list(makelog.log_lines(makelog.play(makelog.wakes(9))))
    begin = json.loads(lines[3])["begin"]
    makelog.write(tmp_path, [*lines[:3], makelog.changed(lines[3], begin=begin | {"boots": 5000})])
    out = tmp_path / "cut.toml"
    assert main(["cut", str(tmp_path), "0", "2", "--file", str(out)]) == 2
    err = capsys.readouterr().err
    assert "boots = 5000; allowed: a whole number from 0 to 1000" in err
    assert not out.exists()


def test_a_title_with_odd_characters_is_one_that_toml_reads(log: Path, tmp_path: Path) -> None:
    out = tmp_path / "cut.toml"
    title = "a\x1b[2J \u202e b\x7f\x85 \U0001f600 \U000e0001 \"'\\"
    assert main(["cut", str(log), "1", "3", "--file", str(out), "--title", title]) == 0
    assert playing.load(out).title == title
    assert all(c.isprintable() or c == "\n" for c in out.read_text(encoding="utf-8"))
