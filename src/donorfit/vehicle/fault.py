"""Fault codes that a pack knows, and what can cause them."""

from dataclasses import dataclass
from enum import Enum

from donorfit.vehicle.identity import FaultCode, UnitId


class CauseKind(Enum):
    """Kinds of cause that donorfit can reason about."""

    UNIT_NOT_DECLARED = "unit not declared"
    CONFIGURATION_DISAGREES = "configuration disagrees"
    MESSAGE_MISSING = "message missing"
    SUPPLY_LOW = "supply low"
    OTHER_CARS_VIN = "another car's VIN"
    RING_BREAK = "ring break"
    PART_ITSELF = "the part itself"


@dataclass(frozen=True, slots=True, kw_only=True)
class Cause:
    """One possible cause: its kind and the unit, message, option or record it is about."""

    kind: CauseKind
    subject: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownFault:
    """A fault code of one unit with its possible causes, the likeliest first."""

    unit: UnitId
    code: FaultCode
    title: str
    causes: tuple[Cause, ...]
