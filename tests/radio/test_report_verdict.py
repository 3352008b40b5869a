"""The verdict on a report by radio, with other eyes than the core's."""

from __future__ import annotations

from typing import Any

import pytest

from wakecore import fields
from wakewell.log.record import wake_of
from wakewell.portable import mock
from wakewell.pot.pot_folder import compile_files
from wakewell.replay.verdicts import Verdicts
from wakewell.sequences.bench_pot import CALIBRATION, LIMITS, SETTINGS


def reporting() -> tuple[dict[str, Any], fields.Pot]:
    """A wake that ends with a report, and what was in force."""
    lines = compile_files(SETTINGS | {"radio_wakes": 1}, LIMITS, CALIBRATION)
    files = {kind: data.decode() for kind, data in lines.items()}
    counts = {"soil": [2000000, 10], "battery": [2000000, 10], "level": [1000000, 10]}
    pot = mock.load_pot(files)
    for name in counts:
        points = getattr(pot.calibration, name).points
        counts[name] = [(points[0][0] + 3 * points[-1][0]) // 4, 0]
    out = next(iter(mock.play({"pot": files, "wakes": [{"counts": counts}]})))
    return out["record"], pot


@pytest.mark.parametrize(
    ("battery_mv", "other", "rule"),
    [
        (4000, {}, ""),
        (3599, {}, "R5"),
        (None, {}, "R5"),
        (3600, {}, ""),
        (3749, {"lockouts": ["battery low"]}, "R5"),
        (3750, {"lockouts": ["battery low"]}, ""),  # charged: that asks for a press (R17)
        (
            4000,
            {"commands": ["off", "rest", "read", "report", "close", "store", "sleep 60"]},
            "R13",
        ),
    ],
)
def test_radio_where_it_must_not_be(
    battery_mv: int | None, other: dict[str, Any], rule: str
) -> None:
    record, pot = reporting()
    assert (pot.limits.radio_mv, pot.settings.battery_clear_mv) == (3600, 3750)
    assert record["commands"][-2] == "report"
    record = record | other | {"values": record["values"] | {"battery_mv": battery_mv}}
    seen = Verdicts()
    # What latches in this very wake may be told once (R17): it was so before. So may a battery
    # that cannot be read, until somebody heard it: it was told before
    before = record["commands"]
    if battery_mv is not None:
        before = [command for command in before if command != "report"]
    seen.see(wake_of(record | {"commands": before}), pot)
    seen.see(wake_of(record | {"n": record["n"] + 1}), pot)
    assert {v.rule for v in seen.verdicts() if not v.held} == ({rule} if rule else set())
