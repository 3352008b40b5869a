"""What was asked by radio and what the folder says become one at the flash."""

from __future__ import annotations

import json
import sys
import tomllib
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from usb_desks import Desk, silent, wakes

from wakeboard import asked, heard
from wakecore import line
from wakewell.cli import main
from wakewell.deskboard import read_image
from wakewell.log import obeyed
from wakewell.pot import board_file, pot_folder, private
from wakewell.usb import flash, pull

Start = Callable[..., Desk]
BOARD = b"desk-1".hex()


def by_radio(desk: Desk, n: int, answer: str = "in force", **values: int) -> dict[str, int]:
    """As if message n had been taken: settings.json and what the board remembers of it."""
    found = pot_folder.load(desk.folder)
    whole = {**found.settings, **values}
    data = asked.settings_line(line.identity(found.lines["limits"]), whole)
    root = desk.folder.parent / f"memory{n}"
    root.mkdir()
    memory = heard.load(str(root))
    memory.asked, memory.answer = n, answer
    assert memory.save()
    desk.board.wait_asleep()
    files = {"pot/heard.0": (root / "heard.0").read_bytes()}
    if answer == "in force":
        files["pot/settings.json"] = data
    desk.board.write_files(files)
    return whole


def settings_on(files: dict[str, bytes]) -> dict[str, int]:
    record, why = line.decode(files["pot/settings.json"])
    assert record is not None, why
    return {k: v for k, v in record.items() if k not in ("kind", "version", "limits_id", "crc")}


def command(desk: Desk, *words: str) -> int:
    try:
        return main(["flash", str(desk.folder), "--port", desk.take(), "--wait", "20", *words])
    finally:
        desk.let_go()


def test_what_is_in_force_by_radio_is_not_undone_unasked(
    start: Start, capsys: pytest.CaptureFixture[str]
) -> None:
    desk = start()
    whole = by_radio(desk, 3, depletion_ppt=250)
    assert command(desk) == 2
    told = capsys.readouterr().out
    assert "depletion_ppt = 250 (settings.toml: 400), in force by radio" in told
    assert "--keep-asked" in told
    assert "--replace-asked" in told
    assert settings_on(desk.board.read_files()) == whole
    # Also where something else is to be sent.
    path = desk.folder / "limits.toml"
    path.write_text(path.read_text().replace("day_ml = 500", "day_ml = 450"))
    before = settings_on(desk.board.read_files())
    assert command(desk) == 2
    files = desk.board.read_files()
    assert settings_on(files) == before
    assert b'"day_ml":500' in files["pot/limits.json"]


def test_kept_it_stands_in_settings_toml_with_its_comments(
    start: Start, capsys: pytest.CaptureFixture[str]
) -> None:
    desk = start()
    whole = by_radio(desk, 3, depletion_ppt=250, radio_wakes=2)
    path = desk.folder / "settings.toml"
    before = path.read_text()
    assert command(desk, "--keep-asked") == 0
    said = capsys.readouterr().out
    assert "kept, and now in settings.toml" in said
    text = path.read_text()
    assert "depletion_ppt = 250       # part of the available water used up" in text
    assert tomllib.loads(text) == {**tomllib.loads(before), "depletion_ppt": 250, "radio_wakes": 2}
    assert text.count("#") == before.count("#")
    assert before in [p.read_text() for p in (desk.folder / "kept").glob("settings-*.toml")]
    assert settings_on(desk.board.read_files()) == whole
    # From then on it is one.
    assert command(desk) == 0
    assert "nothing to send" in capsys.readouterr().out


def test_replaced_it_is_gone_and_kept_beside_the_log(
    start: Start, capsys: pytest.CaptureFixture[str]
) -> None:
    desk = start()
    by_radio(desk, 3, depletion_ppt=250)
    lost = desk.board.read_files()["pot/settings.json"]
    assert command(desk, "--replace-asked") == 0
    assert "replaced by what settings.toml says: depletion_ppt = 250" in capsys.readouterr().out
    assert settings_on(desk.board.read_files())["depletion_ppt"] == 400
    kept = desk.folder / "logs" / "in-force" / f"{line.identity(lost)}.json"
    assert kept.read_bytes() == lost
    assert command(desk) == 0


def test_settings_that_the_maker_edited_are_simply_sent(start: Start) -> None:
    """Without a radio, and with one that was asked long ago and settled since."""
    desk = start()
    path = desk.folder / "settings.toml"
    for dose_ml in (240, 230):
        rows = [row for row in path.read_text().splitlines() if not row.startswith("dose_ml")]
        path.write_text("\n".join([f"dose_ml = {dose_ml}", *rows]) + "\n")
        result = desk.flash()
        assert result.good
        assert settings_on(desk.board.read_files())["dose_ml"] == dose_ml
        by_radio(desk, dose_ml, "refused: its time is past")


@pytest.mark.parametrize(("answer", "keep"), [("keep", True), ("replace", False), ("", None)])
def test_at_a_terminal_it_asks(
    start: Start, monkeypatch: pytest.MonkeyPatch, answer: str, keep: bool | None
) -> None:
    desk = start()
    by_radio(desk, 3, depletion_ppt=250)
    monkeypatch.setattr(sys.stdin, "isatty", lambda: True)
    questions = []

    def say(question: str) -> str:
        questions.append(question)
        return answer

    monkeypatch.setattr("builtins.input", say)
    assert command(desk) == (2 if keep is None else 0)
    assert questions == ["Type keep or replace: "]
    found = settings_on(desk.board.read_files())["depletion_ppt"]
    assert found == (400 if keep is False else 250)
    assert command(desk, "--yes") == (2 if keep is None else 0)


def test_what_cannot_be_kept_is_refused(start: Start, capsys: pytest.CaptureFixture[str]) -> None:
    """The hard limits were lowered since."""
    desk = start()
    by_radio(desk, 3, dose_ml=380)
    path = desk.folder / "limits.toml"
    path.write_text(path.read_text().replace("\ndose_ml = 400", "\ndose_ml = 300"))
    before = (desk.folder / "settings.toml").read_bytes()
    assert command(desk, "--keep-asked") == 2
    assert "dose_ml = 380: allowed up to dose_ml of limits.toml" in capsys.readouterr().out
    assert (desk.folder / "settings.toml").read_bytes() == before
    assert command(desk, "--replace-asked") == 0


def test_what_is_asked_and_not_yet_taken(start: Start, capsys: pytest.CaptureFixture[str]) -> None:
    """It would replace what is flashed at the next report, with every setting in it."""
    desk = start()
    desk.flash()
    private.make(desk.folder)
    found = pot_folder.load(desk.folder)
    assert main(["ask", str(desk.folder), "depletion_ppt=300", "--only-file"]) == 0
    made = desk.folder / "asked"
    capsys.readouterr()
    assert command(desk, "--replace-asked") == 0  # not sent: nothing to say about it
    assert "depletion_ppt" not in capsys.readouterr().out
    (made / "000001.kept.json").rename(made / "000001.json")
    assert command(desk) == 2
    assert "asked by radio, number 1, not yet taken" in capsys.readouterr().out
    assert command(desk, "--replace-asked") == 0
    files = desk.board.read_files()
    assert settings_on(files)["depletion_ppt"] == 400
    seen = obeyed.judged([files.get("pot/heard.0"), files.get("pot/heard.1")])
    assert seen.n == 1
    # The very message, should the broker still bring it, is one that was judged.
    data, key = (made / "000001.json").read_bytes(), private.read(desk.folder).key
    assert asked.judge(data, key, BOARD, seen.n, found.pot, [9000, 0, 1], 0) == (1, None, "")
    assert command(desk) == 0
    assert main(["ask", str(desk.folder), "depletion_ppt=310", "--only-file"]) == 0
    (made / "000002.kept.json").rename(made / "000002.json")
    assert command(desk, "--keep-asked") == 0
    assert settings_on(desk.board.read_files())["depletion_ppt"] == 310
    assert pot_folder.load(desk.folder).settings["depletion_ppt"] == 310


def test_messages_that_no_board_would_take_ask_nobody(start: Start) -> None:
    desk = start()
    desk.flash()
    private.make(desk.folder)
    found, key = pot_folder.load(desk.folder), private.read(desk.folder).key
    limits_id = line.identity(found.lines["limits"])
    now = datetime.now(UTC)
    later = now + timedelta(days=7) - obeyed.EPOCH
    values = {**found.settings, "depletion_ppt": 300}
    seen = obeyed.Judged()

    def message(key: bytes, board: str, until: timedelta, limits: str) -> None:
        data = asked.make(
            key, board, 1, (until.days, until.seconds), 900, limits, values
        )  # fmt: skip
        (desk.folder / "asked").mkdir(exist_ok=True)
        (desk.folder / "asked" / "000001.json").write_bytes(data)

    message(key, BOARD, later, limits_id)
    assert obeyed.pending(found, BOARD, seen, key, now) is not None
    assert obeyed.pending(found, BOARD, obeyed.Judged(1), key, now) is None
    assert obeyed.pending(found, BOARD, obeyed.Judged(heard.MOST, True), key, now) is None
    message(bytes(32), BOARD, later, limits_id)
    assert obeyed.pending(found, BOARD, seen, key, now) is None
    message(key, "another", later, limits_id)
    assert obeyed.pending(found, BOARD, seen, key, now) is None
    message(key, BOARD, later - timedelta(days=8), limits_id)
    assert obeyed.pending(found, BOARD, seen, key, now) is None
    message(key, BOARD, later, "00000000")
    assert obeyed.pending(found, BOARD, seen, key, now) is None


def test_check_and_report_tell_it_from_the_log(
    start: Start, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    desk = start()
    desk.flash()
    by_radio(desk, 3, depletion_ppt=250)
    desk.let_go()
    desk.days(1.1)
    assert main(["check", str(desk.folder)]) == 0
    assert "by radio" not in capsys.readouterr().out  # nothing pulled yet
    pull.pull_one(desk.folder, desk.take(), 20)
    desk.let_go()
    assert main(["check", str(desk.folder)]) == 0
    told = capsys.readouterr().out
    assert "depletion_ppt = 250 (settings.toml: 400), in force by radio" in told
    assert "flash asks which to keep" in told
    main(["report", str(desk.folder), "--out", str(tmp_path / "page")])
    page = (tmp_path / "page" / "basil.html").read_text()
    assert "depletion_ppt = 250 (settings.toml: 400)" in page
    assert "Commissioning" not in page
    book = desk.folder / "commissioning.toml"
    book.rename(desk.folder / "elsewhere.toml")
    main(["report", str(desk.folder), "--out", str(tmp_path / "page")])
    page = (tmp_path / "page" / "basil.html").read_text()
    assert "the pot acts by stage 2, but stage = 2 does not count" in page
    (desk.folder / "elsewhere.toml").rename(book)
    # A flash settles it, before any new wake is pulled.
    assert command(desk, "--replace-asked") == 0
    capsys.readouterr()
    assert main(["check", str(desk.folder)]) == 0
    assert "by radio" not in capsys.readouterr().out


def test_a_flash_notes_what_it_sent(start: Start) -> None:
    desk = start()
    desk.flash()
    desk.days(2.1)
    files = desk.board.read_files()
    last = wakes(files)[-1]["n"]
    path = desk.folder / "settings.toml"
    path.write_text(path.read_text().replace("dose_ml = 250", "dose_ml = 240"))
    desk.flash()
    noted = board_file.flashed(desk.folder)
    identity = line.identity(pot_folder.load(desk.folder).lines["settings"])
    assert noted is not None
    assert (noted.n, noted.settings) == (last + 1, identity)
    assert wakes(desk.close())[-1]["n"] == last + 1


def test_two_flashes_between_pulls_lose_no_file(start: Start) -> None:
    """Every wake of the log finds the files it was decided under beside it."""
    desk = start()
    for dose_ml in (240, 230, 220):
        for name in ("settings", "limits"):
            path = desk.folder / f"{name}.toml"
            rows = [row for row in path.read_text().splitlines() if not row.startswith("dose_ml")]
            more = 100 if name == "limits" else 0
            path.write_text("\n".join([f"dose_ml = {dose_ml + more}", *rows]) + "\n")
        assert desk.flash().good
        desk.days(0.6)
    pull.pull_one(desk.folder, desk.take(), 20)
    desk.close()
    kept = {path.stem for path in (desk.folder / "logs" / "in-force").iterdir()}
    records = wakes(read_image(desk.board.image))
    used = {record[kind] for record in records for kind in ("settings", "limits", "calibration")}
    assert len(used) == 12
    assert used <= kept
    for path in (desk.folder / "logs" / "in-force").iterdir():
        assert json.loads(path.read_bytes())["crc"] == path.stem


def test_nothing_is_noted_of_a_flash_that_failed(
    start: Start, monkeypatch: pytest.MonkeyPatch
) -> None:
    desk = start()
    desk.flash()
    noted = board_file.flashed(desk.folder)
    path = desk.folder / "settings.toml"
    path.write_text(path.read_text().replace("dose_ml = 250", "dose_ml = 240"))

    def fail(*_args: object) -> None:
        raise flash.BoardLost("gone")

    with monkeypatch.context() as patch:
        patch.setattr(flash, "switch", fail)
        with pytest.raises(flash.BoardLost):
            flash.flash_one(desk.folder, desk.take(), silent, 20)
    assert board_file.flashed(desk.folder) == noted
    assert desk.flash().good
