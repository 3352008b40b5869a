"""A proposal taken: settings.toml with its comments, and what was foretold held to the log."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from wakewell import cli
from wakewell.errors import BadInput
from wakewell.log import taken
from wakewell.log.taken import Taken
from wakewell.pot import pot_folder
from wakewell.report import pages
from wakewell.shipped import CAFE
from wakewell.tuning import proposals, study, taking, told
from wakewell.tuning.heldout import HeldOut
from wakewell.tuning.proposals import Proposal, Proposals
from wakewell.tuning.study import Study

FORETOLD = {
    "water_week_ml": (330.0, 300.0, 400.0), "waterings": (4.0, 3.0, 6.0),
    "refills": (3.0, 3.0, 4.0), "charges": (0.0, 0.0, 0.0),
}  # fmt: skip


@pytest.fixture
def pot(tmp_path: Path) -> Path:
    folder = tmp_path / "basil"
    shutil.copytree(CAFE / "basil", folder)
    return folder


def found_of(pot: Path, basil: Study) -> tuple[Study, Proposals]:
    """A study of that copy, and two proposals as the search would leave them."""
    opened = replace(basil, folder=pot_folder.load(pot))
    _, usual = proposals.in_force(opened)
    marks = {28: FORETOLD, 56: FORETOLD}
    rows = [
        Proposal(proposals.LEAVE, usual, marks=marks),
        Proposal("fewer visits", usual | {"tank_warn_ml": 340, "wake_s": 43_200}, marks=marks),
    ]
    last = opened.log.wakes[-1]
    return opened, Proposals(0, last.n, last.time_s, 365.0, 2, 9, rows)


def test_a_taken_proposal_keeps_comments_and_a_copy_and_says_what_is_next(
    pot: Path, basil: Study
) -> None:
    before = (pot / "settings.toml").read_text(encoding="utf-8")
    done = taking.take(*found_of(pot, basil), 2)
    after = (pot / "settings.toml").read_text(encoding="utf-8")
    changed = [(a, b) for a, b in zip(before.splitlines(), after.splitlines(), strict=True)
               if a != b]  # fmt: skip
    assert [row[1].split("#")[0].strip() for row in changed] == [
        "wake_s = 43200", "tank_warn_ml = 340",
    ]  # fmt: skip
    assert all("# " in row[1] for row in changed)
    assert done.copy is not None
    assert done.copy.read_text(encoding="utf-8") == before
    assert not pot_folder.load(pot).problems
    said = "\n".join(told.taken_lines(done, "pots/basil"))
    assert (
        "wakewell flash pots/basil, or wakewell ask pots/basil wake_s=43200 tank_warn_ml=340"
        in said
    )
    (noted,) = taken.read(pot)
    assert noted.kind == "fewer visits"
    assert noted.marks[28]["refills"] == (3.0, 3.0, 4.0)
    assert (
        "no wake of the log has its settings in force yet" in taken.outcome(noted, basil.log).text()
    )


def test_weeks_later_what_was_foretold_is_held_to_the_log(pot: Path, basil: Study) -> None:
    _, found = found_of(pot, basil)
    early = Taken(99, basil.log.wakes[99].time_s, "leave it", found.rows[0].settings,
                  {28: FORETOLD, 56: FORETOLD, 364: FORETOLD})  # fmt: skip
    taken.note(pot, early)
    seen = taken.outcome(early, basil.log)
    assert seen.mark == 56
    rows = {row.name: row for row in seen.rows}
    assert rows["refills"].was == 1.0  # the log's second refill comes after those days
    assert not rows["refills"].held
    assert rows["charges"].held
    assert rows["water_week_ml"].was == pytest.approx(380.0, abs=80.0)
    log = replace(basil.log, place=pot / "logs", files=basil.log.files)
    (head, *others) = pages.taken_rows(log)
    assert head[1].startswith("'leave it', taken after wake 99: after 56 days")
    assert any("refills 3, 3 to 4, foretold; it was 1: NOT held" in text for _, text in others)


def test_a_number_that_no_proposal_has_and_a_spoilt_note_are_told(pot: Path, basil: Study) -> None:
    found = found_of(pot, basil)
    with pytest.raises(BadInput, match="--take 3: allowed 1 to 2"):
        taking.take(*found, 3)
    assert not (pot / taken.FILE).exists()
    (pot / taken.FILE).write_text('{"n": 5}\n', encoding="utf-8")
    with pytest.raises(BadInput, match=r"taken\.jsonl:1: .*take the line out"):
        taken.read(pot)


def test_the_command_takes_what_it_shows(
    pot: Path, basil: Study, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    opened, found = found_of(pot, basil)
    usual = dict.fromkeys(proposals.SHOWN, (1.0, 0.0, 2.0))
    for row in found.rows:
        row.effect, row.against, row.quick = usual, usual, dict.fromkeys(proposals.SHOWN, 1.0)
    monkeypatch.setattr(study, "opened", lambda *_, **__: opened)
    monkeypatch.setattr(study, "fitted", lambda one: one)
    monkeypatch.setattr(study, "held_out", lambda one: one)
    monkeypatch.setattr(proposals, "why_not", lambda _: "")
    monkeypatch.setattr(proposals, "made", lambda *_, **__: found)
    assert cli.main(["tune", str(pot), "--take", "2"]) == 0
    said = capsys.readouterr().out
    assert "2  fewer visits" in said
    assert "settings.toml has wake_s = 43200" in said
    svg = pot / "tune.svg"
    opened.held = HeldOut(0.0, 1, 2, band=[(0.0, 1, 250, 252.0, 240.0, 260.0),
                                           (86400.0, 2, 240, 243.0, 235.0, 250.0)])  # fmt: skip
    for name in ("waterings", "level_ml", "battery_mv"):
        opened.held.lived[name] = [(0.0, 1, 1.0, 1.0, 0.0, 2.0), (9e4, 2, 2.0, 1.0, 0.0, 2.0)]
    assert cli.main(["tune", str(pot), "--picture", str(svg)]) == 0
    drawn = svg.read_text(encoding="utf-8")
    for part in (
        "foretold a day ahead",
        "Water in the tank, ml",
        "Battery at rest, mV",
        "Waterings so far",
        "2  fewer visits",
        "Days short of water",
    ):
        assert part in drawn
    assert cli.main(["tune", str(pot), "--take", "2", "--fit-only"]) == 2
    assert cli.main(["tune", str(pot), "--take", "0"]) == 2
    assert "--take 0: allowed 1 or more" in capsys.readouterr().err
    assert cli.main(["tune", str(pot), "--json"]) == 0
    assert '"kind": "fewer visits"' in capsys.readouterr().out
