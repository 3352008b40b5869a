"""A version beside the one in force: piece by piece, only what changed, checked whole."""

from __future__ import annotations

import builtins
import hashlib
import os
import shutil
import sys
from pathlib import Path
from typing import Any

import pytest

import assurance.no_chip  # noqa: F401  the loader asks for it; none of it is used here
import wakeboard

sys.path.append(str(Path(wakeboard.__file__).parents[1]))
import loader
from wakeboard import manifest, sent, staging
from wakewell.radio import handover

OLD, NEW, BEFORE = "0123456789ab-00000001", "0123456789ab-00000002", "0123456789ab-00000000"


def sha(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


class Air:
    """A flash with a version in force, and a host that has another."""

    def __init__(self, under: Path) -> None:
        self.code = f"{under}/"
        same = {f"wakecore/m{n}.mpy": bytes([n]) * 700 for n in range(5)}
        self.old = same | {"wakeboard/turn.mpy": b"old" * 900, "wakeboard/gone.mpy": b"gone"}
        self.new = same | {"wakeboard/turn.mpy": b"new" * 1400, "wakeboard/more.mpy": b"more" * 300}
        for version, files in ((OLD, self.old), (BEFORE, self.old)):
            for name, data in files.items():
                path = under / version / name
                path.parent.mkdir(parents=True, exist_ok=True)
                path.write_bytes(data)
        for which, name in (("in-force", OLD), ("good", OLD), ("before", BEFORE)):
            (under / which).write_text(name)
        self.rows = b"".join(
            manifest.row(sha(data), len(data), name) for name, data in sorted(self.new.items())
        )
        self.files = {sha(data): data for data in (self.rows, *self.new.values())}
        self.asked: list[tuple[str, int]] = []
        self.sent = sent.Sent(f"{under}/sent.json")
        record = {"n": 3, "list": sha(self.rows), "size": len(self.rows), "back": 0}
        self.sent.begin(record | {"until": [9500, 0], "until_n": 99}, NEW)
        self.sent.save()

    def get(self, digest: str, number: int, size: int) -> bytes | None:
        self.asked.append((digest, number))
        data = self.files[digest]
        assert size == len(data)
        return data[number * manifest.PIECE : (number + 1) * manifest.PIECE]

    @property
    def place(self) -> Any:
        """As the next boot finds it."""
        return staging.Staging(sent.Sent(self.sent.path), self.code)


@pytest.fixture
def air(tmp_path: Path) -> Air:
    return Air(tmp_path)


def staged(air: Air, under: Path) -> bool:
    place = air.place
    if place.sent.state != sent.STAGED:
        return False
    there = {
        str(path.relative_to(under / NEW)): path.read_bytes()
        for path in (under / NEW).rglob("*.mpy")
    }
    assert there == air.new
    assert (under / "staged").read_text() == NEW
    assert not (under / "next").exists()
    return True


@pytest.mark.parametrize("most", [1, 3, 100])
def test_only_what_changed_comes_in_as_many_reports_as_it_takes(
    air: Air, tmp_path: Path, most: int
) -> None:
    reports = 0
    while not staged(air, tmp_path):
        count = air.place.fetch(air.get, most)
        assert count <= most
        air.place.settle()
        reports += 1
        assert reports < 20
    changed = {sha(air.new[name]) for name in ("wakeboard/turn.mpy", "wakeboard/more.mpy")}
    assert {digest for digest, _ in air.asked} == changed | {sha(air.rows)}
    assert len(air.asked) == len(set(air.asked)), "no piece comes twice"


def test_a_host_that_stops_at_any_piece_costs_no_piece(air: Air, tmp_path: Path) -> None:
    """The link breaks, or the power fails, before each piece in turn."""
    allowed = 0

    def get(digest: str, number: int, size: int) -> bytes | None:
        if len(air.asked) >= allowed:
            raise OSError(110)
        return air.get(digest, number, size)

    while not staged(air, tmp_path):
        allowed += 1
        try:
            air.place.fetch(get, 100)
        except OSError:
            continue
        air.place.settle()
    assert len(air.asked) == len(set(air.asked))


def test_a_file_that_is_not_the_listed_one_comes_anew(air: Air, tmp_path: Path) -> None:
    """As only a host that mixes versions would send it: each piece is sealed."""
    digest = sha(air.new["wakeboard/turn.mpy"])
    right = air.files[digest]
    air.files[digest] = bytes(len(right))
    air.place.fetch(air.get, 100)
    air.place.settle()
    assert not staged(air, tmp_path)
    assert not (tmp_path / "next" / "wakeboard" / "turn.mpy").exists()
    air.files[digest] = right
    air.place.fetch(air.get, 100)
    air.place.settle()
    assert staged(air, tmp_path)


def test_a_file_too_many_is_not_staged(air: Air, tmp_path: Path) -> None:
    air.place.fetch(air.get, 100)
    (tmp_path / "next" / "wakecore" / "extra.mpy").write_bytes(b"extra")
    air.place.settle()
    assert not staged(air, tmp_path)
    assert not (tmp_path / "next").exists(), "all of it comes once more"


def test_a_file_that_rots_on_the_flash_is_not_staged(air: Air, tmp_path: Path) -> None:
    air.place.fetch(air.get, 100)
    (tmp_path / "next" / "wakeboard" / "more.mpy").write_bytes(b"m0re" * 300)
    air.place.settle()
    assert not staged(air, tmp_path)


def test_what_stopped_between_two_renames_goes_on(air: Air, tmp_path: Path) -> None:
    air.place.fetch(air.get, 100)
    place = air.place
    place.copy()
    (tmp_path / "next").rename(tmp_path / NEW)  # and the power failed
    air.place.settle()
    assert staged(air, tmp_path)


def test_a_list_that_is_none_is_refused_and_gone(air: Air, tmp_path: Path) -> None:
    rows = air.rows + manifest.row("ab" * 32, 9, "pot/limits.json")
    air.files[sha(rows)] = rows
    air.sent.list, air.sent.size = sha(rows), len(rows)
    air.sent.save()
    air.place.fetch(air.get, 100)
    assert air.place.sent.state == sent.REFUSED
    assert air.place.sent.why == "holds what no version may hold"
    assert not (tmp_path / "next").exists()
    air.place.settle()
    assert not staged(air, tmp_path)


def test_a_list_that_came_before_a_power_cut_is_checked_too(air: Air, tmp_path: Path) -> None:
    (tmp_path / "next.list").write_bytes(2 * air.rows)
    air.place.fetch(air.get, 100)
    assert air.place.sent.why == "names a file twice, or out of order"


def test_without_room_the_version_before_goes_and_then_it_is_refused(
    air: Air, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(loader, "free_bytes", lambda: staging.SPARE)
    air.place.fetch(air.get, 100)
    assert air.place.sent.why == "no room on its flash"
    assert not (tmp_path / BEFORE).exists()
    assert (tmp_path / OLD / "wakeboard" / "turn.mpy").exists()


def test_without_room_and_without_a_version_before_nothing_is_removed(
    air: Air, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As on a board that has had one version only."""
    (tmp_path / "before").unlink()
    monkeypatch.setattr(loader, "free_bytes", lambda: staging.SPARE)
    air.place.fetch(air.get, 100)
    assert air.place.sent.why == "no room on its flash"
    assert (tmp_path / "in-force").read_text() == OLD
    for name, data in air.old.items():
        assert (tmp_path / OLD / name).read_bytes() == data


def test_what_a_full_flash_is_swept_of_is_no_file_of_the_pot() -> None:
    assert set(handover.WIPED) <= set(staging.OWN_POT.split())


def test_another_order_clears_what_was_staged_and_no_version_that_is_kept(
    air: Air, tmp_path: Path
) -> None:
    air.place.fetch(air.get, 100)
    air.place.settle()
    assert staged(air, tmp_path)
    air.place.begin()
    left = {path.name for path in tmp_path.iterdir()}
    assert left == {OLD, BEFORE, "in-force", "good", "before", "sent.json"}


def test_a_damaged_memory_of_the_numbers_takes_nothing_more(air: Air, tmp_path: Path) -> None:
    """No number is newer then, until somebody settles it by cable."""
    path = tmp_path / "sent.json"
    path.write_bytes(path.read_bytes().replace(b'"n":3', b'"n":2'))
    found = sent.Sent(str(path))
    assert (found.lost, found.n) == (True, sent.MOST_N)
    assert found.words()["sent_why"] == sent.LOST
    found.save()
    assert sent.Sent(str(path)).lost
    found.settle(7)
    assert (sent.Sent(str(path)).n, sent.Sent(str(path)).state) == (7, sent.REFUSED)


class Cut(BaseException):
    """The power fails."""


class Flash:
    """The files below a folder, on a flash whose power fails at one operation: before it, or with
    half of it done. Each is whole or not there, as on littlefs."""

    def __init__(self, under: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        self.left, self.half, self.done = -1, False, 0
        real_open: Any = open

        def opened(path: Any, mode: str = "r", **rest: Any) -> Any:
            if str(path).startswith(str(under)) and mode[0] in "wa":
                self.operate(lambda: real_open(path, mode).close())
            return real_open(path, mode, **rest)

        monkeypatch.setattr(builtins, "open", opened)
        for name in ("rename", "remove", "mkdir", "rmdir"):
            monkeypatch.setattr(os, name, self.guarded(getattr(os, name), under))

    def guarded(self, real: Any, under: Path) -> Any:
        def call(path: Any, *rest: Any, **named: Any) -> None:
            if str(path).startswith(str(under)):
                self.operate(lambda: real(path, *rest))
            real(path, *rest, **named)

        return call

    def operate(self, does: Any) -> None:
        self.done += 1
        self.left -= 1
        if not self.left:
            if self.half:
                does()
            raise Cut


@pytest.mark.parametrize("half", [False, True])
def test_the_power_fails_at_every_operation_of_fetching_and_staging(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, half: bool
) -> None:
    """Until the rename that puts it in force the version in force is the old one, whole; and the
    next boots go on to the same end."""
    (tmp_path / "whole").mkdir()
    air = Air(tmp_path / "whole")
    flash = Flash(tmp_path, monkeypatch)

    def through(air: Air) -> None:
        if air.place.sent.state == sent.FETCHING:
            air.place.fetch(air.get, 100)
            air.place.settle()

    through(air)
    operations = flash.done
    assert operations > 20
    for number in range(1, operations + 1):
        under = tmp_path / f"{number}{half}"
        under.mkdir()
        air = Air(under)
        flash.left, flash.half = number, half
        with pytest.raises(Cut):
            through(air)
        flash.left = -1
        for name, data in air.old.items():
            assert (under / OLD / name).read_bytes() == data
        assert (under / "in-force").read_text() == OLD
        for _ in range(3):
            through(air)
        assert staged(air, under), number
        shutil.rmtree(under)
