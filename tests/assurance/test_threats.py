"""The table of threats to a version over the air: whole, and its evidence is there."""

from __future__ import annotations

from assurance import hazards, threats

# RFC 9124, section 4.2, in its order
THREATS = """
IMG.EXPIRED IMG.EXPIRED.OFFLINE IMG.INCOMPATIBLE IMG.FORMAT IMG.LOCATION NET.REDIRECT NET.ONPATH
IMG.REPLACE IMG.NON_AUTH UPD.WRONG_PRECURSOR UPD.UNAPPROVED IMG.DISCLOSURE MFST.OVERRIDE
MFST.EXPOSURE IMG.EXTRA KEY.EXPOSURE MFST.MODIFICATION MFST.TOCTOU
"""


def test_every_threat_is_answered_and_its_evidence_is_there() -> None:
    found = threats.read()
    for row in found["counted"]:
        assert row["tried"], row["id"]
        assert row["found"], row["id"]
        assert not [one for one in row["shown"] if hazards.missing(one)], row["id"]
    rows = found["threat"]
    assert [row["id"] for row in rows] == [f"THREAT.{name}" for name in THREATS.split()]
    for row in rows:
        assert ("pot" in row) != ("apart" in row), row["id"]
        assert ("pot" in row) == bool(row.get("shown")), row["id"]
        for shown in row.get("shown", ()):
            assert not hazards.missing(shown), f"{row['id']}: {shown}"
