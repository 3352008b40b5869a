"""A pot goes on where an older core left it: its stored state, its snapshots, its log.

older/form-1 is what the last core with state form 1 left of the café's tomato: a part of its log,
and the bytes of its state after some of these wakes (`n`), with the water of the day as it then
counted it.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from wakeboard.store import SLOTS, PotFiles, state_from_snapshot
from wakecore.state import PLACE_S, delivered_ml, from_bytes, pass_time
from wakewell.cli import main
from wakewell.log.fieldlog import FieldLog
from wakewell.portable.replayed import Player

FORM_1 = Path(__file__).parents[1] / "older" / "form-1"
LOGS = FORM_1 / "logs"
STATES = json.loads((FORM_1 / "states.json").read_text(encoding="utf-8"))
OF = {one["n"]: one for one in STATES}
CLOCK_PPT = 50  # as the pot's limits have it


def records(kind: str) -> Iterator[dict[str, Any]]:
    """The log's records of a kind."""
    for entry in FieldLog(sorted(LOGS.glob("*.gz"))).entries():
        if entry.record["kind"] == kind:
            yield entry.record


def in_force(identity: str) -> bytes | None:
    """The stored line with that id."""
    path = LOGS / "in-force" / f"{identity}.json"
    return path.read_bytes() if path.exists() else None


@pytest.mark.parametrize("n", OF)
def test_a_stored_state_of_form_1_is_the_truth_of_a_board_that_is_updated(
    tmp_path: Path, n: int
) -> None:
    data = bytes.fromhex(OF[n]["state"])
    for slot in SLOTS:
        (tmp_path / slot).write_bytes(data)
    state, status = PotFiles(str(tmp_path)).load_state()
    assert status == "good"
    assert state.wakes == n + 1
    assert delivered_ml(state) >= OF[n]["day_ml"]
    again = from_bytes(state.to_bytes())
    assert again.numbers() == state.numbers(), "once it is brought to today's form it stays so"


@pytest.mark.parametrize("n", OF)
def test_no_water_of_form_1_is_forgotten_within_its_24_hours(n: int) -> None:
    """R3. A place of form 1 has the age of its first water; the newest came up to PLACE_S later,
    but not later than now."""
    data = bytes.fromhex(OF[n]["state"])
    body = [int.from_bytes(data[8 + i : 12 + i], "little") for i in range(0, 64, 4)]
    places = [(age, ml) for age, ml in zip(body[:8], body[8:], strict=True) if ml]
    for later_s in range(0, 2 * 86400, 3600):
        state = from_bytes(data)
        pass_time(state, later_s, CLOCK_PPT)
        kept = sum(ml for age, ml in places if max(0, age - PLACE_S) + later_s < 86400)
        assert delivered_ml(state) >= kept
    assert delivered_ml(state) == 0


def test_a_lockout_of_form_1_lasts() -> None:
    """R4: the tomato's clogged hose stays locked out, whatever core looks at it."""
    locked = {n for n, one in OF.items() if one["lockouts"] == ["dry run"]}
    player, played = Player(in_force, exact=False), set()
    for record in records("wake"):
        if record["n"] - 1 in locked:
            pot, why = player.pot(record)
            assert why == ""
            made = player.play(record, from_bytes(bytes.fromhex(OF[record["n"] - 1]["state"])), pot)
            assert made["lockouts"] == ["dry run"]
            assert "run" not in made
            played.add(record["n"] - 1)
    assert played == locked != set()


def test_a_snapshot_of_form_1_is_the_same_state_as_the_bytes() -> None:
    stored = {from_bytes(bytes.fromhex(one["state"])).seq: one for one in STATES}
    met = 0
    for record in records("state"):
        state = state_from_snapshot(record)
        assert state is not None
        if state.seq in stored:
            met += 1
            other = from_bytes(bytes.fromhex(stored[state.seq]["state"]))
            assert state.numbers() == other.numbers()
    assert met > 0


@pytest.mark.parametrize("version", [0, 3, -1, True, "1", None, 1.0])
def test_a_snapshot_of_a_form_that_no_core_here_knows_is_none(version: object) -> None:
    record = next(records("state"))
    assert state_from_snapshot({**record, "version": version}) is None


def test_a_log_of_form_1_is_played_to_its_end(capfd: pytest.CaptureFixture[str]) -> None:
    """The window of 24 hours is narrower than it was, and a plant in want is told of (R3, R16)."""
    main(["replay", str(LOGS), "--json"])
    (found,) = json.loads(capfd.readouterr().out)["results"]
    assert found["not_played"] == {}
    assert found["played"] == found["wakes"] == sum(1 for _ in records("wake"))
    assert {row["rule"] for row in found["weaker"]} == {"R3"}
