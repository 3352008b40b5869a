"""What each value of a pot's files means, for people. The rows are the core's (`fields`).

The core has the same text in a comment beside each row. A test holds both to the same words.
"""

from __future__ import annotations

from wakewell.pot import parts

LIMITS = {
    "pulse_ms": "longest pump run (R2)",
    "day_ml": "most water in any 24 hours (R3)",
    "dose_ml": "largest dose",
    "pulses": "most pulses in a dose",
    "flow_max_ul_s": "highest flow seen at commissioning (R3)",
    "reserve_ml": "least tank content for a start (R4)",
    "dry_ms": "time in which a run must show water (R4)",
    "dry_trips": "dry runs before the lockout (R4)",
    "rest_mv": "lowest rest voltage for the pump (R5)",
    "sag_mv": "lowest voltage under the pump (R5)",
    "radio_mv": "lowest rest voltage for the radio (R5)",
    "cold_mc": "soil readings below this temperature are ignored, m°C (R6)",
    "upkeep_ml": "largest upkeep dose (R6)",
    "upkeep_days": "least days between upkeep doses (R6)",
    "response_doses": "doses without a response before the lockout (R7)",
    "interrupts": "unfinished pulses in a row before the lockout (R9)",
    "clock_ppt": "error of the sleep oscillator, parts per thousand (R3)",
}
SETTINGS = {
    "wake_s": "time between regular wakes",
    "depletion_ppt": "part of the available water used up before watering",
    "fill_ppt": "part of the container capacity a dose fills to",
    "dose_ml": "the dose while the pot's response is not known",
    "pulse_ml": "water in one pulse",
    "soak_s": "wait between pulses",
    "settle_s": "least time from one dose to the next",
    "response_ppt": "rise of soil water that counts as a response (R7)",
    "frozen_wakes": "wakes with exactly the same counts that mean a frozen probe (R6)",
    "fall_ppt_day": "fastest plausible fall of soil water in a day (R6)",
    "battery_mv": "rest voltage for the low-battery lockout (R5)",
    "battery_clear_mv": "rest voltage that ends it (R5)",
    "battery_clear_wakes": "readings in a row that end it (R5)",
    "battery_warn_mv": "rest voltage that asks for a charge",
    "mains": "1: the pot stays on a charger; its rest readings count",
    "reserve_ml": "tank content below which no run starts (R4)",
    "tank_warn_ml": "tank content that asks for a refill",
    "leak_ml_day": "tank loss in a day that counts as evaporation (R8)",
    "upkeep_ml": "upkeep dose while the probe is ignored; 0: none (R6)",
    "upkeep_days": "days between upkeep doses (R6)",
    "radio_wakes": "regular wakes from one report to the next; 0: no radio (R5)",
}
CALIBRATION = {
    "stage": "0 not commissioned, 1 provisional, 2 commissioned (R14)",
    "capacity_ppt": "soil water after soaking and draining, by volume",
    "wilting_ppt": "soil water at which the plant wilts, by volume",
    "ul_per_ppt": "water for one part per thousand of soil water; 0: not known",
    "flow_ul_s": "usual flow, measured into a cup",
    "float_only": "1: the level is a float switch and shows no amounts (R4)",
    "weighed": "1: the soil probe is a scale, which the plant's growth shifts",
    "panel": "1: a panel charges the cell: on the charger means in the sun (R5)",
    "tolerance_ml": "scatter and resolution of the level (R4, R8)",
    "dry_ma": "pump current below which it runs dry; 0: not judged (R4)",
    "wet_ppt": "saucer reading from which it is wet (R15)",
    "awake_ua": "current while awake",
    "sleep_ua": "current asleep",
    "pump_ua": "current of the pump",
    "radio_ua": "current while the radio is on",
    "self_ua": "what the cell loses by itself, as a current",
}
PROBES = {name: probe.meaning for name, probe in parts.PROBES.items()}

_KINDS = {"settings": SETTINGS, "limits": LIMITS, "calibration": CALIBRATION | PROBES}


def of(kind: str) -> dict[str, str]:
    """{name: meaning} of the settings, limits or calibration, probes included."""
    return _KINDS[kind]
