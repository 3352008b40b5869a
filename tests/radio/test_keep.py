"""`wakewell keep`: nothing acknowledged is lost, nothing is doubled, nothing is overwritten."""

from __future__ import annotations

import errno
import json
import shutil
import sqlite3
import threading
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
import test_listen as common
from test_running import pots_in

from wakewell import cli, ownfile
from wakewell.errors import BadInput
from wakewell.radio import copies
from wakewell.radio.store import ReportStore

BOARD, LINES = common.BOARD, common.LINES
AT = datetime(2026, 5, 4, 12, tzinfo=UTC)


@pytest.fixture
def desk(tmp_path: Path) -> common.Desk:
    """A listener beside the folders of two pots."""
    pots = pots_in(tmp_path, "basil", "mint")
    return common.Desk(pots / "basil", pots / "heard.db")


def pots_of(desk: common.Desk) -> list[Path]:
    return [desk.folder, desk.folder.with_name("mint")]


def made(desk: common.Desk, where: Path, **more: Any) -> copies.Copy:
    return copies.make(where, pots_of(desk), str(desk.folder.with_name("heard.db")), **more)


def restored(copy: copies.Copy, into: Path) -> list[bytes]:
    """The lines of basil after it was laid out: in the database and in the log alike."""
    copies.restore(copy, into)
    store = ReportStore(into / "heard.db")
    lines = store.lines(BOARD)
    store.close()
    log = into / "basil" / "logs" / "00000001.jsonl"
    assert (log.read_bytes() if log.exists() else b"") == common.whole(lines)
    return lines


def test_copies_while_it_listens_hold_all_that_was_acknowledged(
    tmp_path: Path, desk: common.Desk
) -> None:
    """A listener in a thread of its own acknowledges line after line while copies are made."""
    go_on, failed = threading.Semaphore(0), list[BaseException]()

    def listening() -> None:
        try:
            for n, data in enumerate(LINES):
                desk.hear(common.pack([data], n + 1))
                go_on.release()
        except BaseException as error:
            failed.append(error)
            go_on.release(len(LINES))

    thread = threading.Thread(target=listening)
    thread.start()
    kept = []
    for _ in range(3):
        for _ in range(5):
            go_on.acquire()
        before = len(desk.answers)
        kept.append((before, made(desk, tmp_path / "copies")))
    thread.join()
    assert failed == []
    assert desk.log() == common.whole(LINES)
    for before, copy in kept:
        assert copies.damage(copy) == []
        lines = restored(copy, tmp_path / copy.path.name)
        assert len(lines) >= before
        assert lines == LINES[: len(lines)]
    # The listener that goes on there tells what the copy lacked, once.
    last = tmp_path / kept[0][1].path.name
    again = common.Desk(last / "basil", last / "heard.db")
    again.hear(common.pack(LINES[:30]), common.pack(LINES[20:], 2))
    assert again.log() == common.whole(LINES)


def test_what_comes_between_folders_and_database_is_there_too(
    tmp_path: Path, desk: common.Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    desk.hear(common.pack(LINES[:10]))
    real = copies.from_sqlite

    def late(database: str, draft: Path) -> tuple[str, int]:
        desk.hear(common.pack(LINES[10:20], 2))
        return real(database, draft)

    monkeypatch.setattr(copies, "from_sqlite", late)
    copy = made(desk, tmp_path / "copies")
    assert copy.lines == 20
    assert restored(copy, tmp_path / "new") == LINES[:20]


def test_everything_of_a_pot_comes_back_with_who_may_read_it(
    tmp_path: Path, desk: common.Desk
) -> None:
    desk.hear(common.pack(LINES[:3]))
    extra = desk.folder / "sheet" / "a photo.bin"
    extra.parent.mkdir()
    extra.write_bytes(bytes(range(256)) * 9000)
    (desk.folder / "latest").symlink_to("logs")
    (desk.folder / "empty").write_bytes(b"")
    copy = made(desk, tmp_path / "copies", now=AT)
    assert copy.path.name == "2026-05-04T120000Z"
    for path in copy.path.rglob("*"):
        assert path.is_symlink() or path.is_dir() or path.stat().st_mode & 0o077 == 0, path
    assert copy.path.stat().st_mode & 0o077 == 0
    copies.restore(copy, tmp_path / "new")
    for pot in pots_of(desk):
        there = tmp_path / "new" / pot.name
        names = {p.relative_to(pot) for p in pot.rglob("*") if not p.is_dir() or p.is_symlink()}
        assert names == {
            p.relative_to(there) for p in there.rglob("*") if not p.is_dir() or p.is_symlink()
        }
        for name in names:
            assert (there / name).lstat().st_mode == (pot / name).lstat().st_mode
            if not (pot / name).is_symlink():
                assert (there / name).read_bytes() == (pot / name).read_bytes()


def test_a_damaged_copy_is_seen_and_not_restored(
    tmp_path: Path, desk: common.Desk, capsys: pytest.CaptureFixture[str]
) -> None:
    where = tmp_path / "copies"
    for name in copies.read(made(desk, where, now=AT).path).files:
        path = where / "2026-05-04T120000Z" / name
        data = path.read_bytes()
        path.write_bytes(data[:-1] + bytes([data[-1] ^ 1]) if data else b"x")
        assert cli.main(["keep", str(where)]) == 1
        assert f"damaged: {name}: differs from what was copied" in capsys.readouterr().out
        assert cli.main(["keep", str(where), "--restore", "--out", str(tmp_path / "new")]) == 2
        assert "nothing restored" in capsys.readouterr().err
        assert not (tmp_path / "new").exists()
        path.write_bytes(data)
    (where / "2026-05-04T120000Z" / copies.LIST).write_text("{}")
    assert cli.main(["keep", str(where), "--json"]) == 1
    assert not json.loads(capsys.readouterr().out)["results"][0]["good"]
    assert cli.main(["keep", str(where), "--restore"]) == 2
    assert "is damaged" in capsys.readouterr().err


def failed(desk: common.Desk, where: Path) -> str:
    """Why no copy was made, "" if one was."""
    try:
        made(desk, where)
    except BadInput as error:
        return str(error)
    return ""


def test_nothing_is_overwritten_and_a_copy_that_fails_leaves_nothing(
    tmp_path: Path, desk: common.Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    where = tmp_path / "copies"
    copy = made(desk, where, now=AT)
    for name in ("mint", "heard.db"):
        new = tmp_path / f"new-{name}"
        (new / name).mkdir(parents=True)
        with pytest.raises(BadInput, match=f"{name}: is there already; .* nothing was restored"):
            copies.restore(copy, new)
        assert [path.name for path in new.iterdir()] == [name]
    with pytest.raises(BadInput, match="inside a pot's folder"):
        made(desk, desk.folder / "copies")
    with pytest.raises(BadInput, match="no such database"):
        copies.make(where, pots_of(desk), str(tmp_path / "none.db"))
    real = ownfile.to_disk
    for count in range(1, 60):
        left = [count]

        def full(file: Any, data: bytes, left: list[int] = left) -> None:
            left[0] -= 1
            if not left[0]:
                raise OSError(errno.ENOSPC, "No space left on device")
            real(file, data)

        monkeypatch.setattr(ownfile, "to_disk", full)
        if not (why := failed(desk, where)):
            break
        assert "no copy was made: [Errno 28] No space left" in why
        assert copies.all_in(where) == [copy.path]
        assert not list(where.glob("*.part"))
    assert count > 10
    monkeypatch.setattr(ownfile, "to_disk", real)
    assert copies.damage(copy) == []


def test_by_the_command_with_the_oldest_thinned_out(
    tmp_path: Path, desk: common.Desk, monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    monkeypatch.chdir(tmp_path)
    desk.hear(common.pack(LINES[:3]))
    half = tmp_path / "copies" / "2026-01-01T000000Z.part"
    half.mkdir(parents=True)
    other = tmp_path / "copies" / "my notes"
    other.mkdir()
    for _ in range(3):
        assert cli.main(["keep", "copies", "pots/basil", "pots/mint", "--copies", "2"]) == 0
    said = capsys.readouterr().out
    assert "2 pots, 3 lines in the database" in said
    assert "removed" in said
    assert len(copies.all_in(tmp_path / "copies")) == 2
    assert not half.exists()
    assert other.exists(), "what is no copy is left alone"
    assert cli.main(["keep", "copies", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert [row["lines"] for row in told["results"]] == [3, 3]
    assert cli.main(["keep", "copies", "--restore", "--out", "new"]) == 0
    assert "restored into new: basil, mint; 3 lines" in capsys.readouterr().out
    for words in (["--every", "1m"], ["--copies", "0"], ["--restore", "pots/basil"]):
        assert cli.main(["keep", "copies", *words]) == 2
    assert cli.main(["keep", "nowhere"]) == 2
    assert "no copy there" in capsys.readouterr().err


def test_a_copy_of_an_older_form_is_brought_to_todays(tmp_path: Path, desk: common.Desk) -> None:
    """A database that an older wakewell left in the copy: it is opened as any such one."""
    desk.hear(common.pack(LINES[:3]))
    desk.listener.store.close()
    with closing(sqlite3.connect(desk.folder.with_name("heard.db"))) as c:
        c.execute("DROP TABLE listeners")
        c.execute("UPDATE alembic_version SET version_num = '0002'")
        c.commit()
    copy = made(desk, tmp_path / "copies")
    assert copy.form == "0002"
    assert restored(copy, tmp_path / "new") == LINES[:3]
    shutil.rmtree(tmp_path / "new")
    path = copy.path / copies.LIST
    path.write_text(path.read_text().replace('"0002"', '"9999"'))
    with pytest.raises(BadInput, match="known here up to"):
        copies.restore(copies.read(copy.path), tmp_path / "new")
