"""The id of a core says what it does, whatever Python asks and whatever its comments say."""

from __future__ import annotations

import hashlib
import shutil
from pathlib import Path

import pytest

import wakewell.core
from wakewell.core import core_folder, core_id, tree_text

SOURCE = b'''"""A module."""
from array import array

ROWS = (("day", 1, -2), ("soak", None, b"x"))  # what they mean


class Pot(object):
    """A pot."""

    depth = 3

    def fill(self, ml, most=5, *rest, fast=False):
        """Fill it."""
        total = [each * 2 for each in rest if each > 0 and not fast]
        assert ml >= 0, "water"
        return lambda: "%d" % (ml + sum(total)) if ml < most else {"ml": total[1:]}
'''
# The same with other words, and types
TYPED = b'''"""A planter."""
from array import array

if False:
    from typing import Any

ROWS: "tuple[Any, ...]" = (
    ("day", 1, -2),
    ("soak", None, b"x"),
)


class Pot(object):
    """Of clay.

    How deep: in decimetres.
    """

    rim: int
    depth = 3  # decimetres

    def fill(self, ml: int, most: int = 5, *rest: int, fast: bool = False) -> "Any":
        # Only the positive ones
        total: list[int] = [each * 2 for each in rest if each > 0 and not fast]
        assert ml >= 0, "water"
        return lambda: "%d" % (ml + sum(total)) if ml < most else {"ml": total[1:]}
'''


def digest(source: bytes) -> str:
    return hashlib.sha256(tree_text(source).encode()).hexdigest()[:12]


def test_the_tree_is_written_the_same_under_every_python() -> None:
    """Pinned from one version; the tests run under each that is supported."""
    assert digest(SOURCE) == "1842d4df4989"


def test_words_and_types_are_no_part_of_it() -> None:
    assert tree_text(TYPED) == tree_text(SOURCE)


@pytest.mark.parametrize(
    ("was", "now"),
    [
        (b"depth = 3", b"depth = 4"),
        (b"ml >= 0", b"ml > 0"),
        (b"most=5", b"most=6"),
        (b'"%d" %', b'"%x" %'),
        (b"each * 2", b"each + 2"),
        (b"not fast", b"fast"),
        (b"-2", b"2"),
        (b'b"x"', b'"x"'),
        (b"fast=False", b"fast=0"),
        (b"total[1:]", b"total[:1]"),
        (b"def fill", b"def pour"),
        (b"import array", b"import array as depth"),
    ],
)
def test_whatever_decides_is_part_of_it(was: bytes, now: bytes) -> None:
    assert SOURCE.count(was) == 1
    assert tree_text(SOURCE.replace(was, now)) != tree_text(SOURCE)


def test_a_corrected_word_is_no_other_core_and_a_moved_file_is(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "wakecore"
    shutil.copytree(core_folder(), folder, ignore=shutil.ignore_patterns("__pycache__"))
    for path in folder.glob("*.py"):
        path.write_bytes(b"# Read me first\r\n" + path.read_bytes().replace(b"\n", b"\r\n"))
    monkeypatch.setattr(wakewell.core, "core_folder", lambda: folder)
    assert core_id.__wrapped__() == core_id()
    (folder / "tank.py").rename(folder / "barrel.py")
    assert core_id.__wrapped__() != core_id()
