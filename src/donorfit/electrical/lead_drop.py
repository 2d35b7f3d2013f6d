"""Resistance of copper conductors and the voltage that they take.

Table: IEC 60228, largest resistance at 20 degC in Ohm/km (four open copies agree). It is a
maximum; one public page calls it a minimum, which is wrong. Vehicle cable is made thinner than
that: a towing supplier's page prints what its cable has, and the values of ISO 6722-1 are given
from memory, unverified, since no open text of that standard was found.
"""

from collections.abc import Mapping, Sequence
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
    VEHICLE = "vehicle cable as a trade page prints it"
    ISO_6722 = "ISO 6722-1, from memory, unverified"


_SIZES = (0.5, 0.75, 1.0, 1.5, 2.5, 4.0, 6.0, 10.0, 16.0, 25.0)
_OHM_PER_KM = {
    ConductorClass.SOLID: (36.0, 24.5, 18.1, 12.1, 7.41, 4.61, 3.08, 1.83, 1.15, 0.727),
    ConductorClass.FLEXIBLE: (39.0, 26.0, 19.5, 13.3, 7.98, 4.95, 3.30, 1.91, 1.21, 0.780),
    ConductorClass.FLEXIBLE_TINNED: (40.1, 26.7, 20.0, 13.7, 8.21, 5.09, 3.39, 1.95, 1.24, 0.795),
}
_VEHICLE = {0.65: 29.4, 1.0: 18.9, 1.5: 12.5, 2.0: 9.4, 2.5: 7.5, 3.0: 6.0}
_ISO_6722 = {
    0.35: 54.4,
    0.5: 37.1,
    0.75: 24.7,
    1.0: 18.5,
    1.5: 12.7,
    2.5: 7.60,
    4.0: 4.71,
    6.0: 3.14,
    10.0: 1.82,
}
OHM_PER_KM: Mapping[ConductorClass, Mapping[float, float]] = MappingProxyType(
    {
        kind: MappingProxyType(dict(zip(_SIZES, values, strict=True)))
        for kind, values in _OHM_PER_KM.items()
    }
    | {
        ConductorClass.VEHICLE: MappingProxyType(_VEHICLE),
        ConductorClass.ISO_6722: MappingProxyType(_ISO_6722),
    }
)
"""Ohm/km at 20 degC by class and cross-section in mm2: IEC 60228 but for the last two."""

_ALSO_LISTED = ConductorClass.VEHICLE
"""Where a size that IEC 60228 does not list, such as 2 and 3 mm2, is looked up."""
MOST_A, MOST_M = 1000.0, 1000.0
COLDEST_C, WARMEST_C = -50.0, 200.0


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
        per_km = OHM_PER_KM[_ALSO_LISTED].get(cross_section_mm2)
    if per_km is None:
        known = sorted({*OHM_PER_KM[conductor], *OHM_PER_KM[_ALSO_LISTED]})
        raise InputError(
            what=f"no table lists a conductor of {cross_section_mm2:g} mm2",
            where="conductor",
            next_step=f"take one of {', '.join(f'{size:g}' for size in known)} mm2",
        )
    if not COLDEST_C <= temperature_c <= WARMEST_C:
        raise refuse_lead([f"a conductor at {temperature_c} degC is none"])
    warmth = 1 + COPPER_PER_KELVIN * (temperature_c - REFERENCE_C)
    return per_km / 1000 * warmth


def refuse_lead(mistakes: Sequence[str]) -> InputError:
    """The error about figures that no lead has; all mistakes at once."""
    return InputError(
        what="the lead cannot be as described",
        where="lead",
        why="; ".join(mistakes),
        next_step="correct the figures",
    )


def list_lead_mistakes(current_a: float, length_m: float) -> list[str]:
    """What is wrong with a current and a length; negative and endless ones, and no numbers."""
    checks = (
        (0 <= current_a <= MOST_A, f"a current of {current_a} A is not in 0..{MOST_A:g}"),
        (0 <= length_m <= MOST_M, f"a length of {length_m} m is not in 0..{MOST_M:g}"),
    )
    return [text for right, text in checks if not right]


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

    Raises:
        InputError: figures that no lead has, or a size that no table lists.
    """
    mistakes = list_lead_mistakes(current_a, length_m)
    if mistakes:
        raise refuse_lead(mistakes)
    ways = 2 if return_path is ReturnPath.WIRE else 1
    ohm = find_resistance(cross_section_mm2, conductor=conductor, temperature_c=temperature_c)
    return current_a * length_m * ohm * ways
