"""Changes of behaviour kept as patches: each applies, says what it breaks, and some are noticed."""

from __future__ import annotations

from pathlib import Path

import pytest

from assurance import boarded, breaks, pairs

PATHS = breaks.all_paths()
SEEN = ("06_provisional_by_soil", "25_given_not_begun_anew", "49_lost_numbers_found_again")


def test_there_are_fifty_of_every_requirement() -> None:
    found = [breaks.load(path) for path in PATHS]
    assert len(found) >= 50
    assert {rule for one in found for rule in one.rules} == {f"R{n}" for n in range(1, 19)}
    assert len({one.title for one in found}) == len(found)


@pytest.mark.parametrize("path", PATHS, ids=[path.stem for path in PATHS])
def test_it_applies_to_the_code_as_it_is(path: Path) -> None:
    found = breaks.load(path)
    with breaks.broken(found) as device, breaks.broken(None) as plain:
        for name in found.files:
            assert (device / name).read_bytes() != (plain / name).read_bytes()


@pytest.mark.parametrize("name", SEEN)
def test_a_cheap_stage_notices_it(name: str) -> None:
    verdict = breaks.judged(breaks.FOLDER / f"{name}.patch", breaks.QUICK)
    assert verdict.by in breaks.QUICK, verdict.told


def test_the_code_as_it_is_fails_no_cheap_stage() -> None:
    """What the stages play is played here and beside: those of the core by the plugin, those of a
    board in boards/test_boards.py. That a stage is quiet where nothing is broken for it shows the
    break above that a later one notices."""
    assert breaks.plain_fails(("files",)) == ""


def test_a_whole_board_does_as_the_sequences_of_the_core_say() -> None:
    for sequence in boarded.plain(breaks.SEQUENCES):
        assert [str(failure) for failure in boarded.check(sequence)] == []


PATCH = """The pump is left on
Breaks: R1 : everywhere

diff --git a/device/loader.py b/device/loader.py
--- a/device/loader.py
+++ b/device/loader.py
@@ -1 +1 @@
-no such line
+another
"""


@pytest.mark.parametrize(
    ("was", "now", "told"),
    [
        ("", "", "does not apply (error: patch failed: device/loader.py:1): make the same change"),
        ("Breaks: R1 : everywhere", "It leaks", 'no line before the diff like "Breaks: R3, R9 :'),
        ("R1 :", "R19 :", "of R1 to R18"),
        ("The pump is left on\n", "", "its first line says what a pot now does wrong"),
        ("device/", "host/", "changes no file of device/; make it by git diff"),
    ],
)
def test_a_patch_that_cannot_be_judged_says_what_to_do(
    tmp_path: Path, was: str, now: str, told: str
) -> None:
    path = tmp_path / "51_left_on.patch"
    path.write_text(PATCH.replace(was, now) if was else PATCH)
    verdict = breaks.judged(path, breaks.QUICK)
    assert verdict.unfit
    assert str(path) in verdict.told
    assert told in verdict.told


def test_pairs_of_conditions_keep_every_promise() -> None:
    """A sample by the seed; the assurance plays more."""
    played, found = pairs.seek(seed=7, most=60)
    assert (played, found) == (60, [])


def test_every_condition_is_met_in_company() -> None:
    met = {name for _, *names in pairs.all_pairs() for name in names}
    assert met == set(pairs.CONDITIONS)
    assert {variant for variant, *_ in pairs.all_pairs()} == set(pairs.VARIANTS)
