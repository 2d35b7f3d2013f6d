"""What can make a fault code fail, in the scenario's own terms."""

from dataclasses import dataclass

from donorfit.vehicle.expression import Always, Condition
from donorfit.vehicle.identity import BuildMonth, DataIdentifier, UnitId

IN_EVERY_CAR = Always()


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitNotDeclared:
    """The unit is fitted and the master's list lacks the code."""

    unit: UnitId
    option: str


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitMissing:
    """The list has the code and the unit is not fitted, or has no application."""

    unit: UnitId
    option: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ListsDisagree:
    """The unit's own list or month differs from the master's."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OptionContradicts:
    """A condition on option codes, month and own software holds."""

    when: Condition


@dataclass(frozen=True, slots=True, kw_only=True)
class MonthDisagrees:
    """The declared month lies outside, half open."""

    month_from: BuildMonth | None = None
    month_before: BuildMonth | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Demand:
    """While ``when`` holds, the masked byte has to have the value."""

    unit: UnitId
    identifier: DataIdentifier
    byte: int
    value: int
    mask: int = 0xFF
    when: Condition = IN_EVERY_CAR


@dataclass(frozen=True, slots=True, kw_only=True)
class ConfigurationDisagrees:
    """A demand is not met."""

    demands: tuple[Demand, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class MessageMissing:
    """One of the messages is not sent."""

    messages: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SupplyLow:
    """The supply was below the limit since the last test."""

    below_volts: float


@dataclass(frozen=True, slots=True, kw_only=True)
class OtherCarsVin:
    """The unit's VIN is not the car's; a neutral one fails only where it says so."""

    neutral_fails: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class RingBreak:
    """One of the units is not fitted or has no application."""

    units: tuple[UnitId, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Stored:
    """Never there: an old code that waits to be cleared."""


Cause = (
    UnitNotDeclared
    | UnitMissing
    | ListsDisagree
    | OptionContradicts
    | MonthDisagrees
    | ConfigurationDisagrees
    | MessageMissing
    | SupplyLow
    | OtherCarsVin
    | RingBreak
    | Stored
)
