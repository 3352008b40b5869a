"""Files for their owner's eyes alone, whatever the umask says."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from pathlib import Path

import pytest

from wakewell import kept as keeping
from wakewell import ownfile
from wakewell.deskboard import make_image
from wakewell.pot import private
from wakewell.radio import files, store

pytestmark = pytest.mark.skipif(os.name != "posix", reason="rights of POSIX")


@pytest.fixture(autouse=True)
def _no_umask() -> Iterator[None]:
    before = os.umask(0)
    yield
    os.umask(before)


def mode(path: Path) -> int:
    return stat.S_IMODE(path.stat().st_mode)


def test_what_was_heard(tmp_path: Path) -> None:
    """The database and the two files that SQLite keeps beside it while it is open."""
    path = tmp_path / "heard.db"
    kept = store.ReportStore(path)
    kept.drop("a test")
    there = sorted(p.name for p in tmp_path.iterdir())
    assert there == ["heard.db", "heard.db-shm", "heard.db-wal"]
    assert {mode(p) for p in tmp_path.iterdir()} == {0o600}
    kept.close()


def test_a_database_that_others_could_read(tmp_path: Path) -> None:
    path = tmp_path / "heard.db"
    store.ReportStore(path).close()
    path.chmod(0o644)
    (tmp_path / "heard.db-wal").touch(0o644)
    kept = store.ReportStore(f"sqlite:///{path}")
    kept.drop("a test")
    assert {mode(p) for p in tmp_path.iterdir()} == {0o600}
    kept.close()


def test_logs_pulled_and_heard(tmp_path: Path) -> None:
    keeping.store(tmp_path / "00000001.jsonl", b"x\n", own=True)
    (tmp_path / "00000002.jsonl.part").touch(0o644)  # of a pull that was cut off
    keeping.store(tmp_path / "00000002.jsonl", b"x\n", own=True)
    files.lay(str(tmp_path / "logs" / "00000003.jsonl"), [(0, b"x")])
    assert {mode(p) for p in tmp_path.rglob("*.jsonl")} == {0o600}


def test_secrets_and_the_flash_that_holds_them(tmp_path: Path) -> None:
    assert mode(private.make(tmp_path)) == 0o600
    make_image(tmp_path / "board.img", {"pot/private.json": b"secret"})
    assert mode(tmp_path / "board.img") == 0o600


def test_a_new_file_follows_no_link(tmp_path: Path) -> None:
    other = tmp_path / "other"
    other.write_bytes(b"mine")
    (tmp_path / "draft").symlink_to(other)
    with ownfile.new(tmp_path / "draft") as file:
        file.write(b"new")
    assert other.read_bytes() == b"mine"
    assert mode(tmp_path / "draft") == 0o600
