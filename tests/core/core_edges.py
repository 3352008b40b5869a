"""What the tests of the core's edges share: pots, facts and states with some values changed.

Those tests (`test_edges_*`) check what lives do not reach by chance: the contract of the tables,
and each threshold on both sides. They are plain functions without fixtures: the mutation run calls
them one by one, and pytest too. Expected values are worked out there or stand in `contract.toml`,
which is what stored files and logs rely on.
"""

from __future__ import annotations

import tomllib
from pathlib import Path
from types import SimpleNamespace
from typing import Any

from wakecore import fields, judge, rules, state
from wakewell.portable import mock
from wakewell.pot import pot_folder
from wakewell.sequences import bench_pot

CONTRACT = tomllib.loads((Path(__file__).parent / "contract.toml").read_text())


def pot(
    settings: dict[str, Any] | None = None,
    limits: dict[str, Any] | None = None,
    calibration: dict[str, Any] | None = None,
    probes: tuple[str, ...] = ("temperature", "saucer", "current", "charger"),
) -> Any:
    """The bench pot with some values changed."""
    out = {"temperature", "saucer", "current", "charger"} - set(probes)
    cal = {name: value for name, value in bench_pot.CALIBRATION.items() if name not in out}
    lines = pot_folder.compile_files(
        {**bench_pot.SETTINGS, **(settings or {})},
        {**bench_pot.LIMITS, **(limits or {})},
        {**cal, **(calibration or {})},
    )
    return mock.load_pot({kind: data.decode() for kind, data in lines.items()})


def data(kind: str, **changes: Any) -> dict[str, Any]:
    """What a file of that kind holds with every value at its default."""
    rows = {row[0]: row[3] for row in fields.KINDS[kind]}
    return {"kind": kind, "version": 1, "limits_id": "", **rows, **changes}


GOOD: dict[str, Any] = {"points": [10, 0, 20, 100], "rails": [0, 30], "spread": 2}


def probe(**changes: Any) -> tuple[Any, str]:
    """A soil probe of GOOD with changes, as loaded."""
    made = {f"soil_{name}": value for name, value in {**GOOD, **changes}.items()}
    found, why = fields.load("calibration", data("calibration", **made), "id")
    return (found.soil if found is not None else None), why


def facts(**changes: Any) -> SimpleNamespace:
    """Facts under which everything holds and nothing is needed."""
    usual: dict[str, Any] = {
        "pin_good": True, "boots": 0, "files_good": True, "match": True, "stage": 2,
        "dose_kind": "set", "lockouts": 0, "battery_mv": 3900, "battery_floor_mv": 3600,
        "flowing": False,
        "level_ml": 1000, "start_ml": 100, "level_steady": True,
        "soil_ppt": 200, "soil_unchanged": False, "soil_cold": False, "soil_ignored": False,
        "soaking": False, "since_dose_s": 9000, "settle_s": 9000, "saucer": "dry",
        "day_left_ml": 1, "unanswered_left_ul": 1, "warn_ml": 250, "scatter_ml": 10,
        "float_opened": False, "charge_mv": 3700, "radio_mv": 3600, "rest_mv": 3500,
        "battery_weak": 0,
        "confirm_charge": False, "unplug_charger": False, "thermometer_lost": False,
        "button_masked": 0, "store_failed": False, "thirst": 2, "soil_silent": False,
        "tank_empties": False, "tank_is_back": False, "probe_doubted": False,
        "gauge_doubted": False, "press_spent": False, "given_up": False,
        "needs_before": 0, "lockouts_before": 0, "judged": {"soil": "good"},
    }  # fmt: skip
    made = SimpleNamespace(**{**usual, **changes})
    made.needs = rules.need_bits(made)  # type: ignore[arg-type]
    return made


def kept(**changes: Any) -> Any:
    """A retained state with changes."""
    made = state.State()
    for name, value in changes.items():
        setattr(made, name, value)
    return made


def play(*wakes: dict[str, Any], made: Any = None) -> list[dict[str, Any]]:
    """The records of those wakes on the bench pot with nothing but its three probes."""
    made = made or pot(probes=())
    board = mock.MockBoard(made, state.State())
    found = []
    for given in wakes:
        board.prepare({"counts": {"soil": [1500000, 9], "battery": [1950000, 9]}, **given})
        mock.drive(board, state.from_bytes(board.slots[0]), made, board.begin())
        found.append(board.records[-1])
    return found


def begun(made: Any, was: Any = None, **changes: Any) -> Any:
    """The facts of a wake in which no probe answers."""
    begin = {
        "cause": "timer", "pin": 1, "boots": 0, "settings": "good", "limits": "good",
        "calibration": "good",
    }  # fmt: skip
    was = was or kept()
    return judge.Facts(was, made, {**begin, **changes}, None, {}, was.lockouts)


def played(was: Any, made: Any = None, **given: Any) -> Any:
    """The state after one wake that began with `was`."""
    made = made or pot(probes=())
    board = mock.MockBoard(made, state.State())
    board.prepare({"counts": {"soil": [1240000, 9], "battery": [1950000, 9]}, **given})
    mock.drive(board, was, made, {**board.begin(), "slept_s": given.get("slept_s", 0)})
    return was
