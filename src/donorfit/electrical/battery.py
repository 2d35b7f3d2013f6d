"""A lead-acid battery as far as a session of an hour asks: charge, rest voltage, resistance.

Rest voltage against charge differs from table to table: at 12.30 V three published AGM tables say
50, 50 to 75, and 70 %. So a charge is never one number here: it has a spread, and every answer
names the table that it used.
"""

from bisect import bisect_right
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from donorfit.errors import InputError

DEGREE_C_OF_TABLE = 26.7
VOLTS_PER_KELVIN = 0.00432
"""Rest voltage of a 12 V battery against temperature: 0.024 V per 10 F in the BCI table."""
COLDEST_C, WARMEST_C = -30.0, 50.0


@dataclass(frozen=True, slots=True, kw_only=True)
class VoltageTable:
    """Rest voltage of a 12 V battery against charge.

    Attributes:
        name: short name that an answer quotes.
        source: where the table was read.
        points: charge 0..1 and volts, rising in both.
        spread: how far tables of this kind disagree, as a share of charge.
    """

    name: str
    source: str
    points: tuple[tuple[float, float], ...]
    spread: float = 0.15

    def find_volts(self, charge: float) -> float:
        """Rest voltage at a charge, straight between points, held at the ends."""
        return _interpolate(self.points, charge)

    def find_charge(self, volts: float) -> float:
        """Charge at a rest voltage, held at the ends."""
        return _interpolate(tuple((volt, charge) for charge, volt in self.points), volts)


FLOODED_TABLE = VoltageTable(
    name="BCI flooded, 26.7 degC, rested",
    source="Battery Council International table, read in two copies",
    points=((0.0, 11.89), (0.25, 12.06), (0.5, 12.24), (0.75, 12.45), (1.0, 12.65)),
)
_AGM_VEHICLE = VoltageTable(
    name="AGM, a vehicle maker's manual (middle of its ranges)",
    source="ranges 12.0-12.3, 12.3-12.6, 12.6-12.8, 12.8-13.2 V read in a manual",
    points=((0.25, 12.0), (0.5, 12.3), (0.75, 12.6), (1.0, 12.8)),
)
_AGM_ROUND = VoltageTable(
    name="AGM, round figures",
    source="12.9/12.6/12.3/12.0/11.8 V for 100/75/50/25/0 %, trade page",
    points=((0.0, 11.8), (0.25, 12.0), (0.5, 12.3), (0.75, 12.6), (1.0, 12.9)),
)
_AGM_HIGH = VoltageTable(
    name="AGM, high table",
    source="13.00 V 100 %, 12.50 V 80 %, 12.05 V 50 %, trade page",
    points=((0.5, 12.05), (0.8, 12.5), (1.0, 13.0)),
)
AGM_TABLES: tuple[VoltageTable, ...] = (_AGM_VEHICLE, _AGM_ROUND, _AGM_HIGH)
VOLTAGE_TABLES: Mapping[str, VoltageTable] = MappingProxyType(
    {
        "flooded": FLOODED_TABLE,
        "agm-manual": _AGM_VEHICLE,
        "agm-round": _AGM_ROUND,
        "agm-high": _AGM_HIGH,
    }
)
"""The tables by the name that a command line takes."""

_CAPACITY_SHARE: tuple[tuple[float, float], ...] = (
    (-10.0, 0.74),
    (10.0, 0.90),
    (25.0, 1.00),
    (30.0, 1.03),
)
"""Capacity against temperature: data sheet of a sealed 12 V 40 Ah battery."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Battery:
    """A battery before a session.

    Attributes:
        capacity_ah: rated capacity (20 h).
        charge: best guess of the charge, 0..1.
        charge_spread: how far off it may be, 0..1.
        resistance_ohm: internal resistance; 0.010 is the upper end for flooded car batteries
            (from memory, unverified).
        temperature_c: of the battery itself.
        table: rest voltage against charge.
    """

    capacity_ah: float
    charge: float = 0.8
    charge_spread: float = 0.15
    resistance_ohm: float = 0.010
    temperature_c: float = 20.0
    table: VoltageTable = FLOODED_TABLE

    def __post_init__(self) -> None:
        """Refuse figures that no battery has.

        Raises:
            InputError: all figures out of range at once.
        """
        checks = (
            (0 < self.capacity_ah <= 1000, f"capacity {self.capacity_ah} Ah is not in 0..1000"),  # noqa: PLR2004
            (0 <= self.charge <= 1, f"charge {self.charge} is not in 0..1"),
            (0 <= self.charge_spread <= 1, f"spread {self.charge_spread} is not in 0..1"),
            (
                0 <= self.resistance_ohm <= 1,
                f"resistance {self.resistance_ohm} Ohm is not in 0..1",
            ),
            (
                COLDEST_C <= self.temperature_c <= WARMEST_C,
                f"temperature {self.temperature_c} degC is not in {COLDEST_C}..{WARMEST_C}",
            ),
        )
        mistakes = [text for right, text in checks if not right]
        if mistakes:
            raise InputError(
                what="the battery cannot be as described",
                where="battery",
                why="; ".join(mistakes),
                next_step="give figures of a 12 V lead-acid battery",
            )

    @property
    def lowest_charge(self) -> float:
        """Lowest charge that the spread allows."""
        return max(0.0, self.charge - self.charge_spread)

    @property
    def usable_capacity_ah(self) -> float:
        """Capacity at the battery's temperature; below -10 degC the last slope goes on.

        Source: data sheet of a sealed 12 V 40 Ah battery, 103/100/90/74 % at 30/25/10/-10 degC.
        """
        coldest, next_one = _CAPACITY_SHARE[:2]
        if self.temperature_c < coldest[0]:
            slope = (next_one[1] - coldest[1]) / (next_one[0] - coldest[0])
            share = coldest[1] + slope * (self.temperature_c - coldest[0])
        else:
            share = _interpolate(_CAPACITY_SHARE, self.temperature_c)
        return self.capacity_ah * share

    def find_rest_volts(self, charge: float) -> float:
        """Rest voltage at a charge and the battery's temperature (BCI: 4.32 mV/K)."""
        warmth = self.temperature_c - DEGREE_C_OF_TABLE
        return self.table.find_volts(charge) + VOLTS_PER_KELVIN * warmth


def _interpolate(points: tuple[tuple[float, float], ...], x: float) -> float:
    """Straight line between neighbours; the first and last value hold beyond the ends."""
    place = bisect_right(points, x, key=lambda point: point[0])
    if place == 0:
        return points[0][1]
    if place == len(points):
        return points[-1][1]
    (x0, y0), (x1, y1) = points[place - 1], points[place]
    return y0 + (y1 - y0) * (x - x0) / (x1 - x0)
