"""The table of hazards: complete, and its evidence is there."""

from __future__ import annotations

from assurance import hazards


def test_every_command_is_looked_at_in_all_four_ways() -> None:
    """STPA Handbook (Leveson and Thomas, 2018): the four ways in which a command can hurt."""
    rows = hazards.read()["hazard"]
    ways: dict[str, set[str]] = {}
    for row in rows:
        ways.setdefault(row["command"], set()).add(row["way"])
    assert len(ways) == 7
    for command, found in ways.items():
        assert found == set(hazards.WAYS), command


def test_every_row_is_whole_and_its_evidence_is_there() -> None:
    found = hazards.read()
    losses = {row["id"] for row in found["loss"]}
    seen: set[str] = set()
    for row in found["hazard"]:
        assert row["id"] not in seen
        seen.add(row["id"])
        assert set(row["loss"]) <= losses
        assert row["loss"]
        for name in ("text", "cause", "pot", "told"):
            assert row[name], row["id"]
        assert row.get("shown") or row.get("gap"), row["id"]
        for shown in row.get("shown", ()):
            assert not hazards.missing(shown), f"{row['id']}: {shown}"
    for row in found["neighbour"]:
        assert set(row.get("rows", ())) <= seen
        assert ("rows" in row) != ("apart" in row)


def test_evidence_that_is_nowhere_is_missed() -> None:
    for shown in (
        "r01_nothing",
        "tests/nothing.py",
        "tests/assurance/test_hazards.py::test_nothing",
    ):
        assert hazards.missing(shown)
