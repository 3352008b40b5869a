"""What to measure with a multimeter before the chip goes in, and before the cell goes in.

What belongs here: each measurement with the value that follows from the pot's files, and its
limits. What does not: what commission asks for once the board runs (bench/commission.py).

Tolerances are those of resistors of 1 per cent and a plain meter: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from wakewell.bench.wiring_list import HOLD_OFF_OHM, ohm
from wakewell.budget import sizing
from wakewell.budget.doubt import nominal
from wakewell.budget.inputs import REGULATOR_UA, STANDING_MA, Inputs, divider_ma
from wakewell.pot import description
from wakewell.pot.agree import FULL_MV
from wakewell.sheet.parts import RAIL_MV, pin_mv
from wakewell.units import volts

OHM_TOLERANCE, VOLT_TOLERANCE, RAIL_TOLERANCE = 0.05, 0.03, 0.03
SHORT_OHM = 1000  # less between a supply and ground is a short or a wrong part
ASLEEP_MOST = 5  # times what is expected
BENCH_LIMIT_MA = 100
BEFORE_CHIP_OFF = "Before the chip goes in, no supply anywhere"
BEFORE_CHIP_ON = "Before the chip goes in, a bench supply in place of the cell"
BEFORE_CELL = "Before the cell goes in"


@dataclass(frozen=True)
class Reading:
    """One measurement: where, expected, limits, and what it means outside them."""

    when: str
    where: str
    expected: str
    limits: str
    otherwise: str


def readings(pot: description.PotFolder, found: Inputs) -> list[Reading]:
    """All of them, in order."""
    return [*_without_supply(pot), *_with_supply(pot, found), *_cell(pot, found)]


def _around(value: float, tolerance: float) -> tuple[float, float]:
    return value * (1 - tolerance), value * (1 + tolerance)


def _without_supply(pot: description.PotFolder) -> Iterator[Reading]:
    when = BEFORE_CHIP_OFF
    for rail in ("battery +", "3.3 V"):
        yield Reading(
            when, f"{rail} to ground", "rises while capacitors fill, then stays high",
            f"above {ohm(SHORT_OHM)}", "a short or a part the wrong way round: look for it first",
        )  # fmt: skip
    for name, part in pot.parts.items():
        if name not in ("pump", "power") or part.words.get("active") == "low":
            continue
        low, high = _around(HOLD_OFF_OHM, OHM_TOLERANCE)
        yield Reading(
            when, f"place of GPIO {part.pins['pin']} ({name}) to ground", ohm(HOLD_OFF_OHM),
            f"{ohm(round(low))} to {ohm(round(high))}",
            "the resistor that holds the switch off is missing, wrong or not joined (R1)",
        )  # fmt: skip
    if "battery" in pot.parts:
        part = pot.parts["battery"]
        upper, lower = part.numbers["upper_ohm"], part.numbers["lower_ohm"]
        both, most = upper * lower / (upper + lower), lower * (1 + OHM_TOLERANCE)
        yield Reading(
            when, f"place of GPIO {part.pins['pin']} (battery) to ground", ohm(lower),
            f"{ohm(round(both * (1 - OHM_TOLERANCE)))} to {ohm(round(most))}: "
            "lower where the upper resistor is in parallel",
            "the divider has another value or is not joined",
        )  # fmt: skip
    yield Reading(
        when,
        f"across the fuse, {sizing.FUSE_PLACE}",
        "0 ohm",
        "below 1 ohm",
        "fuse or holder is open",
    )
    yield Reading(
        when, "across the pump's plug, diode test, pump unplugged",
        "0.2 to 0.7 V with the red lead at the switch's side, open the other way round",
        "0.1 to 0.8 V, and open", "the diode is missing or the wrong way round",
    )  # fmt: skip


def bench_mv(pot: description.PotFolder) -> float:
    """What a bench supply is set to: between the lockout and a full battery."""
    assert pot.about is not None
    cell, low = pot.about.battery, int(pot.settings["battery_mv"])
    return (low + (FULL_MV[cell.chemistry] * cell.cells if cell else low)) / 2


def _with_supply(pot: description.PotFolder, found: Inputs) -> Iterator[Reading]:
    when = f"{BEFORE_CHIP_ON}: {volts(bench_mv(pot))}, at most {BENCH_LIMIT_MA} mA"
    low, high = _around(RAIL_MV, RAIL_TOLERANCE)
    yield Reading(
        when, "3.3 V to ground", volts(RAIL_MV), f"{volts(low)} to {volts(high)}",
        "the regulator has another voltage or is wired wrongly: a chip would not survive it",
    )  # fmt: skip
    if "battery" in pot.parts:
        part = pot.parts["battery"]
        mv = pin_mv(part, bench_mv(pot))
        low, high = _around(mv, VOLT_TOLERANCE)
        yield Reading(
            when, f"place of GPIO {part.pins['pin']} (battery)", volts(mv),
            f"{volts(low)} to {volts(high)}", "the divider's two resistors are wrong or swapped",
        )  # fmt: skip
    pump = pot.parts["pump"].pins["pin"]
    yield Reading(
        when, f"place of GPIO {pump} (pump), hose in a bucket", volts(0),
        "below 0.05 V, and the pump stands still",
        "the switch is not held off: do not go on (R1)",
    )  # fmt: skip
    yield Reading(
        when, f"place of GPIO {pump} for a second to 3.3 V through 1 kilohm, the supply's limit "
        "raised to the pump's current",
        "the pump runs, and stops at once", "below 0.2 V across the switch while it runs",
        "the transistor is not fully on at this voltage, or joined wrongly",
    )  # fmt: skip
    assert pot.about is not None
    board = pot.about.board_sheet
    still = (board.regulator_ua or REGULATOR_UA) + 1000 * nominal(divider_ma(pot, pot.about))
    still += 1000 * nominal(found.standing_ma)
    yield Reading(
        when, "current from the bench supply", f"about {still:.0f} microamperes",
        f"below {ASLEEP_MOST * still:.0f} microamperes, probes unplugged",
        "something draws without the chip: take parts off one by one",
    )  # fmt: skip


def _cell(pot: description.PotFolder, found: Inputs) -> Iterator[Reading]:
    assert pot.about is not None
    cell = pot.about.battery
    if cell is None:
        return
    full = FULL_MV[cell.chemistry] * cell.cells
    yield Reading(
        BEFORE_CELL, "the cell alone, at its own terminals, red at plus",
        f"{volts(pot.settings['battery_mv'])} to {volts(full)}",
        f"above {volts(pot.limits['sag_mv'])}, not above {volts(1.01 * full)}; no minus sign",
        "discharged too deep or damaged: do not charge it, take it to where cells are collected",
    )  # fmt: skip
    if cell.is_lithium:
        yield Reading(
        BEFORE_CELL, "the charger's output with nothing but the meter on it", volts(full),
        f"{volts(0.99 * full)} to {volts(1.01 * full)}",
        "made for another chemistry: never join it to this cell",
    )  # fmt: skip
    standing = nominal(found.standing_ma)
    draws = nominal(found.asleep_ma) + nominal(found.regulator_ma) + nominal(found.divider_ma)
    expected = 1000 * (draws + standing)
    yield Reading(
        BEFORE_CELL, "current asleep from the bench supply, a minute after start, board flashed",
        f"about {expected:.0f} microamperes",
        f"below {ASLEEP_MOST * expected:.0f} microamperes",
        f"a part stays on; a development board draws some {STANDING_MA:g} mA whatever it does",
    )  # fmt: skip
