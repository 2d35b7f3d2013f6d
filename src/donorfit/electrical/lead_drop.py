"""Resistance of copper conductors and the voltage that they take.

Table: IEC 60228, largest resistance at 20 degC in Ohm/km (three stored copies agree). It is a
maximum; one public page calls it a minimum, which is wrong.
"""

from collections.abc import Mapping
from enum import Enum
from types import MappingProxyType

from donorfit.errors import InputError

COPPER_PER_KELVIN = 0.00393
"""Temperature coefficient of copper's resistance at 20 degC (IEC 60028)."""
REFERENCE_C = 20.0


class ConductorClass(Enum):
    """How a conductor is built (IEC 60228)."""

    SOLID = "class 1 or 2"
    FLEXIBLE = "class 5 or 6, plain"
    FLEXIBLE_TINNED = "class 5, tinned"


_SIZES = (0.5, 0.75, 1.0, 1.5, 2.5, 4.0, 6.0, 10.0, 16.0, 25.0)
_OHM_PER_KM = {
    ConductorClass.SOLID: (36.0, 24.5, 18.1, 12.1, 7.41, 4.61, 3.08, 1.83, 1.15, 0.727),
    ConductorClass.FLEXIBLE: (39.0, 26.0, 19.5, 13.3, 7.98, 4.95, 3.30, 1.91, 1.21, 0.780),
    ConductorClass.FLEXIBLE_TINNED: (40.1, 26.7, 20.0, 13.7, 8.21, 5.09, 3.39, 1.95, 1.24, 0.795),
}
OHM_PER_KM: Mapping[ConductorClass, Mapping[float, float]] = MappingProxyType(
    {
        kind: MappingProxyType(dict(zip(_SIZES, values, strict=True)))
        for kind, values in _OHM_PER_KM.items()
    }
)
"""IEC 60228: Ohm/km at 20 degC by class and cross-section in mm2."""

VEHICLE_CABLE_OHM_PER_KM: Mapping[float, float] = MappingProxyType({2.0: 9.4, 3.0: 6.0})
"""Sizes that IEC 60228 does not list, from a vehicle cable table (trade page)."""


class ReturnPath(Enum):
    """How the current comes back."""

    WIRE = "wire of the same size"
    BODY = "car body"


def find_resistance(
    cross_section_mm2: float,
    *,
    conductor: ConductorClass = ConductorClass.FLEXIBLE,
    temperature_c: float = REFERENCE_C,
) -> float:
    """Largest resistance in Ohm per metre of one conductor.

    Raises:
        InputError: no table lists that size.
    """
    per_km = OHM_PER_KM[conductor].get(cross_section_mm2)
    if per_km is None:
        per_km = VEHICLE_CABLE_OHM_PER_KM.get(cross_section_mm2)
    if per_km is None:
        known = ", ".join(f"{size:g}" for size in sorted({*_SIZES, *VEHICLE_CABLE_OHM_PER_KM}))
        raise InputError(
            what=f"no table lists a conductor of {cross_section_mm2:g} mm2",
            where="conductor",
            next_step=f"take one of {known} mm2",
        )
    warmth = 1 + COPPER_PER_KELVIN * (temperature_c - REFERENCE_C)
    return per_km / 1000 * warmth


def compute_lead_drop(
    current_a: float,
    length_m: float,
    cross_section_mm2: float,
    *,
    conductor: ConductorClass = ConductorClass.FLEXIBLE,
    temperature_c: float = REFERENCE_C,
    return_path: ReturnPath = ReturnPath.WIRE,
) -> float:
    """Voltage lost on a lead: ``I * L * R'``, twice where a wire of the same size returns it.

    Source: Ohm's law on the table of IEC 60228. The car body's own resistance is not counted.
    """
    ways = 2 if return_path is ReturnPath.WIRE else 1
    ohm = find_resistance(cross_section_mm2, conductor=conductor, temperature_c=temperature_c)
    return current_a * length_m * ohm * ways
