"""A lead-acid battery as far as a session of an hour asks: charge, rest voltage, resistance.

Rest voltage against charge differs from table to table: at 12.30 V three published AGM tables say
50, 50 to 75, and 70 %. So a charge is never one number here: it has a spread, and every answer
names the table that it used.
"""

from bisect import bisect_right
from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum
from types import MappingProxyType

from donorfit.errors import InputError

DEGREE_C_OF_TABLE = 26.7
VOLTS_PER_KELVIN = 0.00432
"""Rest voltage of a 12 V battery against temperature: 0.024 V per 10 F in the BCI table."""
COLDEST_C, WARMEST_C = -30.0, 50.0
LEAST_HEALTH = 0.3
WORN_HEALTH = 0.8
"""A battery below 80 % of its rated capacity is due for replacement (a public manual on storage
battery maintenance); so one in service may have come down to that."""
_WARM_C, _COLD_C, _COLD_FACTOR = 25.0, -18.0, 2.0
"""Internal resistance doubles from 25 to -18 degC (upper end, from memory, unverified)."""


class Chemistry(Enum):
    """Kind of lead-acid battery."""

    FLOODED = "flooded"
    AGM = "AGM"


@dataclass(frozen=True, slots=True, kw_only=True)
class VoltageTable:
    """Rest voltage of a 12 V battery against charge.

    Attributes:
        name: short name that an answer quotes.
        source: where the table was read.
        chemistry: kind of battery that it is about.
        points: charge 0..1 and volts, rising in both.
        spread: how far tables of this kind disagree, as a share of charge.
    """

    name: str
    source: str
    points: tuple[tuple[float, float], ...]
    chemistry: Chemistry = Chemistry.FLOODED
    spread: float = 0.15

    def find_volts(self, charge: float) -> float:
        """Rest voltage at a charge, straight between points.

        Above the last point it is held; below the first one the first slope goes on, since a table
        that ends at 50 % must not make an empty battery look half full.
        """
        return _interpolate(self.points, charge)

    def find_charge(self, volts: float) -> float:
        """Charge at a rest voltage, the other way round, within 0..1."""
        swapped = tuple((volt, charge) for charge, volt in self.points)
        return min(1.0, max(0.0, _interpolate(swapped, volts)))


FLOODED_TABLE = VoltageTable(
    name="BCI flooded, 26.7 degC, rested",
    source="Battery Council International table, read in two copies",
    points=((0.0, 11.89), (0.25, 12.06), (0.5, 12.24), (0.75, 12.45), (1.0, 12.65)),
)
_FLOODED_TRAILER = VoltageTable(
    name="flooded, a sign trailer's manual, 25 degC, rested",
    source="12.70/12.46/12.20/11.88 V for 100/80/50/20 %, read in the manual",
    points=((0.2, 11.88), (0.5, 12.20), (0.8, 12.46), (1.0, 12.70)),
)
_AGM_VEHICLE = VoltageTable(
    name="AGM, a vehicle maker's manual (ends of its ranges)",
    chemistry=Chemistry.AGM,
    source="ranges 12.0-12.3, 12.3-12.6, 12.6-12.8, 12.8-13.2 V read in a manual",
    points=((0.25, 12.0), (0.5, 12.3), (0.75, 12.6), (1.0, 12.8)),
)
_AGM_ROUND = VoltageTable(
    name="AGM, round figures",
    chemistry=Chemistry.AGM,
    source="12.9/12.6/12.3/12.0/11.8 V for 100/75/50/25/0 %, trade page",
    points=((0.0, 11.8), (0.25, 12.0), (0.5, 12.3), (0.75, 12.6), (1.0, 12.9)),
)
_AGM_HIGH = VoltageTable(
    name="AGM, high table",
    chemistry=Chemistry.AGM,
    source="13.00 V 100 %, 12.50 V 80 %, 12.05 V 50 %, trade page",
    points=((0.5, 12.05), (0.8, 12.5), (1.0, 13.0)),
)
VOLTAGE_TABLES: Mapping[str, VoltageTable] = MappingProxyType(
    {
        "flooded": FLOODED_TABLE,
        "flooded-trailer": _FLOODED_TRAILER,
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

_RATE_SHARE: tuple[tuple[float, float], ...] = (
    (40.0 / 20 / 40, 1.0),
    (37.2 / 10 / 40, 37.2 / 40),
    (34.0 / 5 / 40, 34.0 / 40),
    (24.0 / 1 / 40, 24.0 / 40),
)
"""Capacity against current as a share of the 20 h rating: the same sheet, 40 Ah in 20 h, 37.2 in
10 h, 34 in 5 h, 24 in 1 h. Its Peukert exponents are 1.117, 1.133 and 1.206: no constant, so the
table itself is used."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Battery:
    """A battery before a session.

    Attributes:
        capacity_ah: rated capacity (20 h).
        charge: best guess of the charge, 0..1.
        charge_spread: how far off it may be, 0..1.
        resistance_ohm: internal resistance when new and at 25 degC; 0.010 is the upper end for
            flooded car batteries (from memory, unverified).
        health: share of the rated capacity that age has left, 0.3..1. The resistance rises as its
            inverse (common practice, no source).
        temperature_c: of the battery itself.
        table: rest voltage against charge.
    """

    capacity_ah: float
    charge: float = 0.8
    charge_spread: float = 0.15
    resistance_ohm: float = 0.010
    temperature_c: float = 20.0
    table: VoltageTable = FLOODED_TABLE
    health: float = 1.0

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
            (LEAST_HEALTH <= self.health <= 1, f"health {self.health} is not in 0.3..1"),
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
    def working_resistance_ohm(self) -> float:
        """Internal resistance at the battery's temperature and age."""
        cold = min(1.0, max(0.0, (_WARM_C - self.temperature_c) / (_WARM_C - _COLD_C)))
        return self.resistance_ohm * (1 + (_COLD_FACTOR - 1) * cold) / self.health

    @property
    def usable_capacity_ah(self) -> float:
        """Capacity at the battery's temperature and age; below -10 degC the last slope goes on.

        Source: data sheet of a sealed 12 V 40 Ah battery, 103/100/90/74 % at 30/25/10/-10 degC.
        """
        share = _interpolate(_CAPACITY_SHARE, self.temperature_c)
        return self.capacity_ah * share * self.health

    def find_capacity_ah(self, current_a: float) -> float:
        """Capacity at a current, temperature and age: a battery gives less the faster it must."""
        share = min(1.0, _interpolate(_RATE_SHARE, current_a / self.capacity_ah))
        return self.usable_capacity_ah * share

    def find_rest_volts(self, charge: float) -> float:
        """Rest voltage at a charge and the battery's temperature (BCI: 4.32 mV/K)."""
        warmth = self.temperature_c - DEGREE_C_OF_TABLE
        return self.table.find_volts(charge) + VOLTS_PER_KELVIN * warmth


@dataclass(frozen=True, slots=True, kw_only=True)
class ChargeGuess:
    """Charge that one published table gives for a rest voltage."""

    table: str
    source: str
    charge: float


def guess_charge(
    rest_volts: float, *, temperature_c: float = DEGREE_C_OF_TABLE, chemistry: Chemistry | None
) -> tuple[ChargeGuess, ...]:
    """Charge by every published table of a kind of battery; their spread is the uncertainty.

    Args:
        rest_volts: measured after hours without current, of a 12 V battery.
        temperature_c: of the battery (BCI: 4.32 mV/K).
        chemistry: kind of battery; None for all tables.

    Raises:
        InputError: the voltage is none of a 12 V battery at rest.
    """
    least, most = 8.0, 16.0
    if not least <= rest_volts <= most or not COLDEST_C <= temperature_c <= WARMEST_C:
        raise InputError(
            what="a charge cannot be told from this",
            where="rest voltage",
            why=f"{rest_volts} V at {temperature_c} degC is no 12 V battery at rest",
            next_step="measure at the posts after hours without load or charger",
        )
    volts = rest_volts - VOLTS_PER_KELVIN * (temperature_c - DEGREE_C_OF_TABLE)
    return tuple(
        ChargeGuess(table=each.name, source=each.source, charge=each.find_charge(volts))
        for each in VOLTAGE_TABLES.values()
        if chemistry is None or each.chemistry is chemistry
    )


def _interpolate(points: tuple[tuple[float, float], ...], x: float) -> float:
    """Straight line between neighbours; the first slope goes on, the last value holds."""
    place = max(1, bisect_right(points, x, key=lambda point: point[0]))
    if place == len(points):
        return points[-1][1]
    (x0, y0), (x1, y1) = points[place - 1], points[place]
    return y0 + (y1 - y0) * (x - x0) / (x1 - x0)
