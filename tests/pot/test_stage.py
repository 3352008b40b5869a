"""Which stage counts: only that of a bench book of this very board, for what it led to (R14)."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from wakecore import line
from wakewell import kept
from wakewell.bench import calibrate, commission
from wakewell.bench.bench_board import BenchBoard
from wakewell.cli import main
from wakewell.pot import bench_book, board_file, pot_folder, stage
from wakewell.pot.bench_book import Book, LedTo
from wakewell.shipped import CAFE

BOARD, OTHER = "6465736b2d31", "6465736b2d32"


def commissioned(folder: Path, board: str = BOARD, name: str = "basil") -> Path:
    """A copy of a café pot as its commissioning on that board would have left it."""
    shutil.copytree(CAFE / name, folder, ignore=shutil.ignore_patterns("logs"))
    board_file.remember(folder, board, "Generic ESP32 module with ESP32")
    book = Book(folder)
    book.lead_to(LedTo(board=board))
    for step in bench_book.STAGES:
        book.finish(step)
    book.lead_to(stage.marks(pot_folder.load(folder), board))
    return folder


@pytest.fixture
def pot(tmp_path: Path) -> Path:
    return commissioned(tmp_path / "basil")


def old_book(folder: Path) -> None:
    """As a book was before it named its board."""
    (folder / bench_book.NAME).write_text(
        "[done]\nwiring = 2026-03-01\nprovisional = 2026-03-01\ncommissioned = 2026-03-12\n"
    )


def edit(name: str, old: str, new: str) -> Callable[[Path], None]:
    def change(folder: Path) -> None:
        path = folder / name
        text = path.read_text()
        assert old in text
        path.write_text(text.replace(old, new, 1))

    return change


def remove(name: str) -> Callable[[Path], None]:
    return lambda folder: (folder / name).unlink()


def write(name: str, text: str | bytes) -> Callable[[Path], None]:
    data = text.encode() if isinstance(text, str) else text

    def change(folder: Path) -> None:
        (folder / name).write_bytes(data)

    return change


def standing(folder: Path, board: str | None = BOARD) -> stage.Standing:
    found = pot_folder.load(folder)
    assert not found.problems
    return stage.standing(found, board)


def test_a_commissioned_pot_keeps_its_stage(pot: Path) -> None:
    found = standing(pot)
    assert (found.stage, found.claimed, found.text) == (2, 2, "")
    whole = pot_folder.load(pot)
    assert stage.compiled(whole, 2).lines == whole.lines


def turned(folder: Path) -> None:
    """The same lines of wiring.toml from the last to the first."""
    path = folder / "wiring.toml"
    rows = path.read_text(encoding="utf-8").splitlines()
    path.write_text("\n".join(reversed(rows)) + "\n", encoding="utf-8")


@pytest.mark.parametrize(
    "change",
    [
        turned,
        edit(
            "calibration.toml", "# soil water after soaking", "# the water it holds after soaking"
        ),
        edit("calibration.toml", "[soil]  #", "\n\n[soil]  #"),
        edit("settings.toml", "dose_ml = 250", "dose_ml = 240"),
        edit("limits.toml", "day_ml = 500", "day_ml = 450"),
        edit("pot.toml", "Basil at the counter", "Basil in the kitchen"),
    ],
    ids=["order", "comment", "blank lines", "setting", "hard limit", "name"],
)
def test_what_was_not_measured_may_change(pot: Path, change: Callable[[Path], None]) -> None:
    change(pot)
    assert standing(pot).stage == 2


@pytest.mark.parametrize(
    ("change", "why"),
    [
        (remove(bench_book.NAME), "there is no bench book here"),
        (write(bench_book.NAME, b"\xff\xfe[done"), "the bench book is damaged"),
        (write(bench_book.NAME, "[done"), "the bench book is damaged"),
        (write(bench_book.NAME, "#" * (1 << 20) + "\n"), "the bench book is damaged"),
        (write(bench_book.NAME, "[" * 5000), "the bench book is damaged"),
        (write(bench_book.NAME, "board = 7"), "the bench book is damaged"),
        (write(bench_book.NAME, '[board]\nid = "\\u001b[2J"'), "the bench book is damaged"),
        (write(bench_book.NAME, ""), "its commissioning is not finished"),
        (write(bench_book.NAME, f'[board]\nid = "{BOARD}"'), "its commissioning is not finished"),
        (
            write(bench_book.NAME, f'[board]\nid = "{BOARD}"\n[led_to]\nstage = 9'),
            "the bench book is damaged",
        ),
        (edit(bench_book.NAME, "stage = 2", "stage = 1"), "is not finished (stage 1)"),
        (
            edit("calibration.toml", "flow_ul_s = 22000", "flow_ul_s = 21000"),
            "is not what the bench book led to",
        ),
        (edit("calibration.toml", "[1480000, 400], ", ""), "is not what the bench book led to"),
        (edit("calibration.toml", "stage = 2", "stage = 1"), "is not what the bench book led to"),
        (
            edit("limits.toml", "flow_max_ul_s = 26000", "flow_max_ul_s = 23000"),
            "is not what the bench book led to",
        ),
        (edit("wiring.toml", "pump = { pin = 27", "pump = { pin = 25"), "wiring.toml was changed"),
        (
            edit("wiring.toml", "upper_ohm = 220000", "upper_ohm = 200000"),
            "wiring.toml was changed",
        ),
        (old_book, "from before books named their board"),
    ],
)
def test_any_other_change_is_stage_0(pot: Path, change: Callable[[Path], None], why: str) -> None:
    change(pot)
    found = standing(pot)
    assert (found.stage, found.claimed) == (0, pot_folder.load(pot).calibration["stage"])
    assert why in found.text
    assert "wakewell commission" in found.text or "back" in found.text
    assert "\x1b" not in found.text
    lowered = stage.compiled(pot_folder.load(pot), found.stage)
    record, _ = line.decode(lowered.lines["calibration"])
    assert record["stage"] == 0
    assert lowered.pot is not None
    assert lowered.pot.match


def test_another_board_is_stage_0(pot: Path) -> None:
    assert standing(pot, OTHER).stage == 0
    assert f"is of board {BOARD}, and this is board {OTHER}" in standing(pot, OTHER).text
    assert standing(pot, None).stage == 0
    assert "wakewell flash" in standing(pot, None).do


def test_stage_0_needs_no_book(tmp_path: Path) -> None:
    folder = tmp_path / "basil"
    shutil.copytree(CAFE / "basil", folder)
    edit("calibration.toml", "stage = 2", "stage = 0")(folder)
    assert standing(folder) == stage.Standing(0, 0)


def test_a_changed_calibration_that_calibrate_wrote_is_followed(pot: Path) -> None:
    """Measured values may be corrected in the book; calibrate makes the table anew."""
    book = Book(pot)
    for counts, mv in ((1_400_000, 2800.0), (2_150_000, 4310.0)):
        book.add(
            "point", step="battery", probe="battery", counts=counts, value=mv, u=10.0, spread=9
        )
    assert main(["calibrate", str(pot), "--only", "battery"]) == 0
    assert pot_folder.load(pot).calibration["battery"]["points"][-1][1] != 4300
    assert standing(pot).stage == 2
    # But what the book had not led to, it does not lead to by a fit of one probe.
    edit("calibration.toml", "flow_ul_s = 22000", "flow_ul_s = 21000")(pot)
    book = Book(pot)
    book.add("point", step="battery", probe="battery", counts=1_800_000, value=3600.0, u=9.0)
    assert main(["calibrate", str(pot), "--only", "battery"]) == 0
    assert standing(pot).stage == 0


def test_a_value_that_a_step_writes_is_followed(pot: Path) -> None:
    """`commission` must not undo its own work: the book leads to what it wrote itself."""
    session: Any = SimpleNamespace(folder=pot, pot=pot_folder.load(pot), book=Book(pot))
    commission.set_value(session, "calibration", "sleep_ua", 21)
    assert session.pot.calibration["sleep_ua"] == 21
    assert standing(pot).stage == 2


def test_check_compiles_what_counts_and_says_the_next_step(
    pot: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ["check", str(pot), "--out", str(tmp_path / "made"), "--json"]
    assert main(words) == 0
    told = json.loads(capsys.readouterr().out)["results"][0]
    assert told["stage"] == 2
    record, _ = line.decode((tmp_path / "made/basil/calibration.json").read_bytes().strip())
    assert record["stage"] == 2
    copy = tmp_path / "copy"
    shutil.copytree(pot, copy)
    (copy / bench_book.NAME).unlink()
    assert main(["check", str(copy), "--out", str(tmp_path / "made")]) == 0
    told_text = capsys.readouterr().out
    assert "stage 0: not commissioned" in told_text
    assert f"wakewell commission {copy}" in told_text
    record, _ = line.decode((tmp_path / "made/copy/calibration.json").read_bytes().strip())
    assert record["stage"] == 0


def test_a_damaged_bench_book_is_told_in_one_whole_sentence(pot: Path) -> None:
    """What is wrong where, in brackets; what it means; what to do."""
    write(bench_book.NAME, "[done")(pot)
    found = standing(pot)
    assert found.why.startswith("the bench book is damaged (")
    assert found.why.endswith(")")
    assert bench_book.NAME in found.why
    head = "stage = 2 does not count, so this is stage 0 (R14)"
    assert found.text == f"{head}: {found.why}; {found.do}"
    assert found.do.endswith(f"run wakewell commission {pot}")


@pytest.mark.parametrize("damage", ["id = 7", "id = ", "[[[", "", 'id = "\\u001b[2J"'])
def test_a_damaged_board_file_is_one_line(
    pot: Path, damage: str, capsys: pytest.CaptureFixture[str]
) -> None:
    (pot / board_file.BOARD_FILE).write_text(damage)
    assert main(["check", str(pot)]) == 2
    told = capsys.readouterr().out
    assert "board.toml:1: " in told
    assert "delete the file and flash again" in told
    assert "\x1b" not in told


def test_the_demo_set_shares_nothing(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", *sorted(str(p.parent) for p in CAFE.glob("*/pot.toml"))]) == 0
    told = capsys.readouterr().out
    assert "the same" not in told
    assert told.count("stage 0: not commissioned") == 6


def test_what_two_folders_share_is_told(
    pot: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["ask", str(pot), "--new-key"]) == 0
    key = next(row for row in (pot / "private.toml").read_text().splitlines() if "key =" in row)
    copy = tmp_path / "copy"
    shutil.copytree(pot, copy)
    capsys.readouterr()
    assert main(["check", str(pot), str(copy)]) == 0
    told = capsys.readouterr().out
    for file, what in (
        ("board.toml", "the same board"),
        ("private.toml", "the same key"),
        ("calibration.toml", "the same calibration"),
    ):
        assert f"{pot / file}:1: {copy} has {what}" in told
        assert f"{copy / file}:1: {pot} has {what}" in told
    assert key.partition('"')[2].strip('"') not in told
    # One folder named twice is one pot; another board and key and its own tables are another.
    assert main(["check", str(pot), str(pot) + "/../basil"]) == 0
    assert "the same" not in capsys.readouterr().out
    other = commissioned(tmp_path / "tomato", OTHER, "tomato")
    assert main(["check", str(pot), str(other)]) == 0
    assert "the same" not in capsys.readouterr().out


def test_pots_with_nothing_measured_yet_share_no_calibration(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for name in ("one", "two"):
        shutil.copytree(CAFE / "basil", tmp_path / name, ignore=shutil.ignore_patterns("logs"))
        (tmp_path / name / "calibration.toml").write_text("stage = 0\n")
    assert main(["check", str(tmp_path / "one"), str(tmp_path / "two")]) == 0
    assert "the same" not in capsys.readouterr().out


# Going on with a book at the bench, without a board: every step is done.


def sitting(folder: Path, board: str, *answers: str) -> tuple[commission.Session, list[str]]:
    said: list[str] = []
    given: dict[str, list[object]] = {key: [word] for key, _, word in map(partition, answers)}
    session = commission.Session(
        folder, pot_folder.load(folder), Book(folder), BenchBoard(folder, "no port"),
        commission.Answers(given, said.append), board,
    )  # fmt: skip
    return session, said


def partition(text: str) -> tuple[str, str, str]:
    return text.partition("=")


def all_done(folder: Path) -> None:
    book = Book(folder)
    for name, *_ in commission.STEPS:
        book.finish(name)


def test_a_book_of_another_board_is_not_gone_on_with(pot: Path) -> None:
    all_done(pot)
    before = (pot / bench_book.NAME).read_bytes()
    session, said = sitting(pot, OTHER, "book.anew=no")
    assert commission.carry_on(session, []) == 1
    assert f"is of board {BOARD}, and this is board {OTHER}" in " ".join(said)
    assert (pot / bench_book.NAME).read_bytes() == before
    session, said = sitting(pot, OTHER, "book.anew=yes", "wiring.checked=stop")
    assert commission.carry_on(session, []) == 1
    assert session.book.led_to() == LedTo(board=OTHER)
    assert not session.book.done("wiring")
    assert before in [path.read_bytes() for path in (pot / kept.KEPT).iterdir()]


def test_an_old_book_is_asked_whose_it_is(pot: Path) -> None:
    old_book(pot)
    all_done(pot)
    session, _ = sitting(pot, BOARD, "book.board=yes")
    assert commission.carry_on(session, []) == 0
    assert Book(pot).led_to() == stage.marks(pot_folder.load(pot), BOARD)
    assert standing(pot).stage == 2
    old_book(pot)
    session, _ = sitting(pot, BOARD, "book.board=no", "wiring.checked=stop")
    assert commission.carry_on(session, []) == 1
    assert not Book(pot).done("commissioned")


def test_a_table_changed_by_hand_is_confirmed_by_the_last_step(pot: Path) -> None:
    all_done(pot)
    edit("calibration.toml", "awake_ua = 45000", "awake_ua = 44000")(pot)
    assert standing(pot).stage == 0
    session, said = sitting(pot, BOARD)
    assert commission.carry_on(session, []) == 0
    assert not [text for text in said if text.startswith("Commissioned: done")]
    assert standing(pot).stage == 2
    edit("calibration.toml", "stage = 2", "stage = 1")(pot)
    session, _ = sitting(pot, BOARD)
    assert commission.carry_on(session, []) == 0
    assert pot_folder.load(pot).calibration["stage"] == 2


def test_other_wires_are_looked_at_again(pot: Path) -> None:
    all_done(pot)
    edit("wiring.toml", "pump = { pin = 27", "pump = { pin = 25")(pot)
    session, said = sitting(pot, BOARD, "wiring.checked=stop")
    assert commission.carry_on(session, []) == 1
    assert said[0].startswith("Step 1 of 16, Wiring")
    assert standing(pot).stage == 0


def test_no_points_and_no_fit_lead_nowhere(pot: Path) -> None:
    """A book that is worse than before leads to nothing, and the old mark stays."""
    all_done(pot)
    book = Book(pot)
    book.add("point", step="soil", probe="soil", counts=1_000_000, value=300.0, u=5.0, kind="x")
    made = calibrate.calibrate(pot, book)
    assert made.refused
    session, said = sitting(pot, BOARD)
    assert commission.carry_on(session, ["commissioned"]) == 1
    assert "FAILED" in said[-1]
    assert standing(pot).stage == 2


def test_without_a_place_for_the_copy_nothing_is_replaced(
    pot: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    book = Book(pot)
    for counts, mv in ((1_400_000, 2800.0), (2_150_000, 4310.0)):
        book.add("point", probe="battery", counts=counts, value=mv, u=10.0)
    shutil.rmtree(pot / kept.KEPT, ignore_errors=True)
    (pot / kept.KEPT).write_text("a file")
    before = (pot / "calibration.toml").read_bytes()
    assert main(["calibrate", str(pot), "--only", "battery"]) == 2
    error = capsys.readouterr().err
    assert "no copy of commissioning.toml can be kept" in error
    assert error.count("\n") == 1
    assert (pot / "calibration.toml").read_bytes() == before
