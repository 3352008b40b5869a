"""A battery of one or more cells: charge counted, voltage at rest and under load.

What belongs here: open-circuit voltage, internal resistance, polarisation, self-discharge,
charging, and what cold and age do to them. What does not: what draws the current (pot.py) and what
the board makes of a voltage.

Voltages are mV, currents mA, charge mAh. This is a model for judging settings, not advice on
cells: limits of charge, discharge and temperature come from the cell maker's sheet and IEC 62133-2
(from memory, unconfirmed).
"""

import math
from dataclasses import dataclass
from functools import lru_cache

from .errors import Impossible, need
from .tables import along

# Open-circuit voltage at 0, 5 ... 100 % of charge: the two electrode functions and the balance of
# Chen et al. (2020), J. Electrochem. Soc. 167 080534, between 2.5 and 4.2 V (functions from
# memory; the table meets the five published points that the tests hold it to).
OPEN_MV = (
    2500, 3109, 3296, 3434, 3485, 3529, 3581, 3629, 3667, 3705, 3751,
    3798, 3841, 3890, 3948, 3994, 4042, 4081, 4097, 4124, 4200,
)  # fmt: skip
FULL_MV = 4200.0
# The same for lithium iron phosphate between 2.0 and 3.6 V: functions, balance and the two ends as
# the library pybamm has them in its parameter set Prada2013 (positive electrode Afshar et al. 2017,
# arXiv:1709.03970; negative electrode Chen et al. 2020; Prada et al. 2013, J. Electrochem. Soc. 160
# A616), evaluated here.
IRON_MV = (
    2000, 2785, 2978, 3108, 3168, 3186, 3206, 3232, 3252, 3262, 3266,
    3268, 3269, 3270, 3274, 3293, 3310, 3313, 3314, 3316, 3598,
)  # fmt: skip
# Nickel-metal hydride at 0, 10 ... 100 %: read off the discharge curve in the data sheet of
# Panasonic's BK-1100FHU, as Zephyr's dt-bindings/battery/battery.h has it. At rest a cell is some
# 20 mV above it (from memory), and after a charge more: the table errs on the careful side.
NICKEL_MV = (1004, 1194, 1231, 1244, 1254, 1257, 1263, 1266, 1274, 1315, 1420)
# Share of the capacity that the cold leaves, by °C. The first is common practice, no source; the
# others as makers' sheets have such cells at a fifth of the capacity an hour (iron: A123's
# ANR26650M1, nickel: Panasonic's handbook of nickel-metal hydride; both from memory, unconfirmed).
USABLE = ((-20.0, 0.6), (-10.0, 0.75), (0.0, 0.87), (10.0, 0.95), (25.0, 1.0))
IRON_USABLE = ((-20.0, 0.55), (-10.0, 0.7), (0.0, 0.83), (10.0, 0.93), (25.0, 1.0))
NICKEL_USABLE = ((-20.0, 0.65), (-10.0, 0.8), (0.0, 0.9), (10.0, 0.97), (25.0, 1.0))
# The three below: common practice, no source; the cell maker's sheet goes before them.
RISE_WHEN_LOW = ((0.0, 2.5), (0.1, 1.5), (0.2, 1.15), (0.3, 1.0))  # charge, times resistance
LOW_BELOW = RISE_WHEN_LOW[-1][0]
COLD_K = 2200.0  # resistance doubles from 25 to about 0 °C
SETTLE_S = 60.0  # half as much resistance again builds up and fades with this time constant
SETTLE_SHARE = 0.5
SETTLED_S = 40.0 * SETTLE_S  # by then nothing of it is left


@dataclass(frozen=True)
class Chemistry:
    """What a cell of one kind has.

    open_mv: open-circuit voltages, evenly from empty to full; charged_mv: what a charger holds it
    at in the end; resistance_mohm: of one cell with its share of leads, holder and protection;
    fades_pct_month: self-discharge at room temperature; stays: the part of a charge that it gives
    back; charges_c: the least temperature for charging, °C; usable: (°C, share of the capacity).
    """

    open_mv: tuple[float, ...]
    charged_mv: float
    resistance_mohm: float
    fades_pct_month: float
    stays: float
    charges_c: float
    usable: tuple[tuple[float, float], ...] = USABLE


# Charged and no charge below 0 °C: data sheets of Samsung's ICR18650-26C (4.2 V, 0 to 45 °C),
# AA Portable Power's LFP-26650-3300 (3.65 V, 0 to 45 °C, at most 30 mOhm) and Panasonic's HHR70AAAJ
# and HHR450A (0 to 45 °C, 25 to 30 mOhm; 16 h at a tenth of the capacity for a full charge, of
# which 1 / 1.6 stays). 1.45 V at the end of that charge: Varta's data sheet of the V250H.
# Self-discharge, and what leads and holder add to a resistance: common practice, no source.
CHEMISTRIES = {
    "lithium-ion": Chemistry(OPEN_MV, FULL_MV, 120.0, 2.0, 1.0, 0.0),
    "lithium-iron-phosphate": Chemistry(IRON_MV, 3650.0, 100.0, 2.0, 1.0, 0.0, IRON_USABLE),
    "nickel-metal-hydride": Chemistry(NICKEL_MV, 1450.0, 60.0, 10.0, 1.0 / 1.6, 0.0, NICKEL_USABLE),
}


def open_mv(charge: float, curve: tuple[float, ...] = OPEN_MV) -> float:
    """Open-circuit voltage of one cell, mV, at a share of charge, 0 to 1 (beyond: the ends)."""
    if not 0.0 < charge < 1.0:
        return curve[0 if charge <= 0.0 else -1]
    place = (len(curve) - 1) * charge
    index = int(place)
    low = curve[index]
    return low + (place - index) * (curve[index + 1] - low)


@lru_cache(maxsize=1 << 14)
def _in_the_cold(chemistry: str, celsius: float) -> tuple[float, float]:
    """(usable share of the charge, times the resistance): the hours of a place's year, kept for all
    its cells."""
    cold = math.exp(COLD_K * (1.0 / (celsius + 273.15) - 1.0 / 298.15))
    return along(CHEMISTRIES[chemistry].usable, celsius), cold


@dataclass(frozen=True)
class Cell:
    """A battery as bought: capacity (mAh, at 25 °C), resistance with leads and protection (mOhm,
    half full, 25 °C), self-discharge (% of charge a month of 30 days), kind, cells in series."""

    capacity_mah: float = 2500.0
    resistance_mohm: float = 120.0
    fades_pct_month: float = 2.0
    chemistry: str = "lithium-ion"
    cells: int = 1

    def __post_init__(self) -> None:
        need("cell.capacity_mah", self.capacity_mah, 1.0, 200_000.0, "mAh")
        need("cell.resistance_mohm", self.resistance_mohm, 1.0, 20_000.0, "mOhm")
        need("cell.fades_pct_month", self.fades_pct_month, 0.0, 50.0, "%")
        if self.chemistry not in CHEMISTRIES:
            raise Impossible("cell.chemistry", self.chemistry, ", ".join(CHEMISTRIES))
        need("cell.cells", self.cells, 1, 12)

    @property
    def full_mv(self) -> float:
        """Voltage at the end of a charge, mV."""
        return self.cells * CHEMISTRIES[self.chemistry].charged_mv

    @property
    def open_mv(self) -> tuple[float, ...]:
        """Open-circuit voltages of the whole battery, evenly from empty to full, mV."""
        return tuple(self.cells * mv for mv in CHEMISTRIES[self.chemistry].open_mv)


def usual(capacity_mah: float, chemistry: str, cells: int) -> Cell:
    """A battery of that kind, the rest as usual."""
    kind = CHEMISTRIES[chemistry]
    ohms = cells * kind.resistance_mohm
    return Cell(capacity_mah, ohms, kind.fades_pct_month, chemistry, cells)


class RigBattery:
    """A cell in use, from a share of charge onwards."""

    def __init__(self, cell: Cell, charge: float = 1.0) -> None:
        self.cell = cell
        self.kind = CHEMISTRIES[cell.chemistry]
        self._curve = cell.open_mv
        self.capacity_mah = cell.capacity_mah
        self.charge_mah = need("charge", charge, 0.0, 1.0) * cell.capacity_mah
        self.extra_mohm = 0.0  # of a corroded contact
        self.refused_mah = 0.0  # offered by a charger to a cell that was full before the step's end
        self._age = 1.0  # times resistance
        self._settling_mv = 0.0
        self._celsius = math.nan
        self._usable = 1.0
        self._mohm = cell.resistance_mohm  # at this age and temperature, not low on charge
        self._fades_hour = cell.fades_pct_month / 72_000.0  # a month has 720 h

    def age(self, lost: float) -> None:
        """The cell is worn: `lost`, 0 to 0.95, of its capacity as new, resistance up to match."""
        need("lost", lost, 0.0, 0.95)
        self.capacity_mah = self.cell.capacity_mah * (1.0 - lost)
        self.charge_mah = min(self.charge_mah, self.capacity_mah)
        self._age = 1.0 / (1.0 - lost)
        self._celsius = math.nan

    def _warm(self, celsius: float) -> None:
        self._celsius = celsius
        self._usable, cold = _in_the_cold(self.cell.chemistry, celsius)
        self._mohm = self.cell.resistance_mohm * self._age * cold

    def _reach(self, celsius: float) -> float:
        """Share of charge as the voltage shows it: charge that the cold makes unusable does not
        count.
        """
        if celsius != self._celsius:
            self._warm(celsius)
        usable = self._usable
        reach = (self.charge_mah / self.capacity_mah - (1.0 - usable)) / usable
        return reach if reach > 0.0 else 0.0

    def rest_mv(self, celsius: float) -> float:
        """Voltage without load, still settling after the last one."""
        return open_mv(self._reach(celsius), self._curve) - self._settling_mv

    def resistance_mohm(self, celsius: float) -> float:
        """Resistance at once, without what settles."""
        return self._resistance(self._reach(celsius))

    def _resistance(self, reach: float) -> float:
        low = 1.0 if reach >= LOW_BELOW else along(RISE_WHEN_LOW, reach)
        return self._mohm * low + self.extra_mohm

    def felt(self, celsius: float) -> tuple[float, float]:
        """(`rest_mv`, `resistance_mohm`), calculated together because that is quicker."""
        reach = self._reach(celsius)
        return open_mv(reach, self._curve) - self._settling_mv, self._resistance(reach)

    def loaded_mv(self, current_ma: float, celsius: float) -> float:
        """Voltage under a current."""
        return self.rest_mv(celsius) - 0.001 * current_ma * self.resistance_mohm(celsius)

    def use(self, current_ma: float, seconds: float, celsius: float) -> float:
        """Draw a current (negative: charge) for a time, with self-discharge: mAh lost by itself.

        Exact for a steady current however long the time, dQ/dt = -I - k Q, unless an end is met.
        """
        if celsius != self._celsius:
            self._warm(celsius)
        charge, usable = self.charge_mah, self._usable
        reach = (charge / self.capacity_mah - (1.0 - usable)) / usable
        resists = self._mohm + self.extra_mohm if reach >= LOW_BELOW else self._resistance(reach)
        lasting = 0.001 * SETTLE_SHARE * current_ma * resists
        fading = math.exp(-seconds / SETTLE_S) if seconds < SETTLED_S else 0.0
        self._settling_mv = lasting + (self._settling_mv - lasting) * fading
        hours = seconds / 3600.0
        drawn = current_ma * hours
        decay = self._fades_hour * hours  # k t
        share = -math.expm1(-decay)
        # What is drawn meanwhile is there for half the time: 1 - (1 - exp(-kt)) / kt of it.
        spared = 1.0 - share / decay if decay > 1e-9 else 0.5 * decay
        faded = charge * share - drawn * spared
        left = charge - drawn - faded
        if left < 0.0:
            left = 0.0
        elif left > self.capacity_mah:
            self.refused_mah += left - self.capacity_mah
            left = self.capacity_mah
        self.charge_mah = left
        return faded

    def take(self, amount_mah: float) -> float:
        """Draw a little charge at once, too briefly to settle: mAh that were there."""
        taken = min(amount_mah, self.charge_mah)
        self.charge_mah -= taken
        return taken

    def taking_ma(self, charger_ma: float, celsius: float) -> float:
        """What stays of a charger's current: all that its kind keeps until it is charged, then
        less; none in the cold."""
        if celsius < self.kind.charges_c:
            return 0.0
        room_mv = self.cell.full_mv - open_mv(self._reach(celsius), self._curve)
        most_ma = 1000.0 * room_mv / self.resistance_mohm(celsius)
        return self.kind.stays * min(charger_ma, most_ma)
