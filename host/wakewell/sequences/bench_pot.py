"""The bench pot: the invented pot on which written sequences play, with round numbers.

Here belong its three files, as tables in place of TOML, and what its probes read when a
sequence says nothing. A sequence may override any value. No decision is made here.

The refill point is 250 ppt, a dose fills to 380 ppt at 1 ml for one ppt, in pulses of
40 ml, which take 2 seconds. A fall of 5 ml and more can be told from the gauge.
"""

from __future__ import annotations

from typing import Any

LIMITS: dict[str, Any] = {
    "pulse_ms": 5000,
    "day_ml": 400,
    "dose_ml": 150,
    "pulses": 8,
    "flow_max_ul_s": 25000,
    "reserve_ml": 50,
    "dry_ms": 1600,
    "dry_trips": 3,
    "rest_mv": 3500,
    "sag_mv": 3000,
    "radio_mv": 3600,
    "cold_mc": 2000,
    "upkeep_ml": 30,
    "upkeep_days": 3,
    "response_doses": 3,
    "interrupts": 2,
    "clock_ppt": 50,
}

SETTINGS: dict[str, Any] = {
    "wake_s": 86400,
    "depletion_ppt": 500,
    "fill_ppt": 950,
    "dose_ml": 80,
    "pulse_ml": 40,
    "soak_s": 600,
    "settle_s": 14400,
    "response_ppt": 10,
    "frozen_wakes": 5,
    "fall_ppt_day": 150,
    "battery_mv": 3600,
    "battery_clear_mv": 3750,
    "battery_clear_wakes": 2,
    "battery_warn_mv": 3700,
    "reserve_ml": 80,
    "tank_warn_ml": 250,
    "leak_ml_day": 5,
    "upkeep_ml": 0,
    "upkeep_days": 4,
}

CALIBRATION: dict[str, Any] = {
    "stage": 2,
    "capacity_ppt": 400,
    "wilting_ppt": 100,
    "ul_per_ppt": 1000,
    "flow_ul_s": 20000,
    "tolerance_ml": 5,
    "dry_ma": 100,
    "wet_ppt": 500,
    # Wetter soil gives fewer counts, as with a capacitive probe: 2000 counts for one ppt.
    "soil": {"points": [[1000000, 500], [2000000, 0]], "rails": [100000, 2900000], "spread": 5000},
    # 1000 counts for one millilitre.
    "level": {"points": [[500000, 0], [2500000, 2000]], "rails": [100000, 2900000], "spread": 5000},
    # 500 counts for one millivolt; rest and pump voltages of one lithium cell.
    "battery": {
        "points": [[1250000, 2500], [2200000, 4400]],
        "rails": [100000, 2900000],
        "spread": 5000,
    },
    # 20 counts for one millidegree.
    "temperature": {
        "points": [[500000, -10000], [1500000, 40000]],
        "rails": [100000, 2900000],
        "spread": 5000,
    },
    "current": {"points": [[200000, 0], [1200000, 1000]], "rails": [100000, 2900000], "spread": 0},
    "saucer": {
        "points": [[500000, 0], [1500000, 1000]],
        "rails": [100000, 2900000],
        "spread": 5000,
    },
    "charger": {"points": [[500000, 0], [1500000, 1]], "rails": [100000, 2900000], "spread": 5000},
}

# What the probes read until a sequence says otherwise: moist soil, half a tank, a full cell.
READINGS = {
    "soil_ppt": 300,
    "level_ml": 1000,
    "battery_mv": 3900,
    "temperature_mc": 20000,
    "saucer_ppt": 0,
    "charger": 0,
}
