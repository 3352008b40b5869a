"""What a board remembers of the air: never a number twice, whatever is cut off or damaged."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from wakeboard import asked, heard
from wakeboard import store as board_store


def remembered(folder: Path) -> Any:
    return heard.load(str(folder))


def test_what_is_saved_is_there_next_time(tmp_path: Path) -> None:
    first = remembered(tmp_path)
    assert (first.lost, first.asked, first.answer, first.reports) == (False, 0, "", 0)
    first.asked, first.answer, first.file, first.offset = 7, "in force", 3, 4096
    assert first.save()
    again = remembered(tmp_path)
    assert (again.asked, again.answer, again.file, again.offset) == (7, "in force", 3, 4096)
    again.reports = 12
    assert again.save()
    assert remembered(tmp_path).reports == 12


def test_one_damaged_slot_costs_one_write(tmp_path: Path) -> None:
    memory = remembered(tmp_path)
    for n in range(1, 4):
        memory.asked = n
        assert memory.save()
    newest = max(heard.SLOTS, key=lambda name: (tmp_path / name).read_bytes())
    for name in heard.SLOTS:
        if b'"asked":3' in (tmp_path / name).read_bytes():
            newest = name
    (tmp_path / newest).write_bytes(b"\xff" * 40)
    found = remembered(tmp_path)
    assert (found.lost, found.asked) == (False, 2)


@pytest.mark.parametrize("how", [b"", b"\xff" * 99, b"{}", b'{"kind":"heard"}'])
def test_with_both_damaged_nothing_asked_is_ever_taken(tmp_path: Path, how: bytes) -> None:
    """Else an old message would come in force again: the numbers would begin at 0."""
    memory = remembered(tmp_path)
    for n in (1, 2):
        memory.asked = n
        memory.save()
    for name in heard.SLOTS:
        (tmp_path / name).write_bytes(how)
    for _ in range(3):
        found = remembered(tmp_path)
        assert found.lost
        assert found.asked == heard.MOST >= asked.MOST_N
        found.reports += 1
        assert found.save()
    # A person with the cable deletes them.
    for path in tmp_path.iterdir():
        path.unlink()
    assert not remembered(tmp_path).lost


def test_a_write_cut_off_anywhere_loses_no_number(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    memory = remembered(tmp_path)
    for n in (1, 2):
        memory.asked = n
        assert memory.save()
    whole = {name: (tmp_path / name).read_bytes() for name in heard.SLOTS}
    size = max(map(len, whole.values()))
    for cut in range(size + 4):
        for name, data in whole.items():
            (tmp_path / name).write_bytes(data)
            (tmp_path / (name + ".bad")).unlink(missing_ok=True)
        again = remembered(tmp_path)

        def torn(path: str, data: bytes, cut: int = cut) -> bool:
            Path(path).write_bytes(data[:cut])
            return len(data) <= cut

        monkeypatch.setattr(heard, "write_bytes", torn)
        again.asked = 3
        stored = again.save()
        monkeypatch.setattr(heard, "write_bytes", board_store.write_bytes)
        found = remembered(tmp_path)
        assert not found.lost
        assert found.asked == (3 if stored else 2)
