"""Shapes of ``[[unit.fault]]`` and its causes. Slow to import; only readers load it."""

from typing import Annotated, Literal

from pydantic import Field

from donorfit.edge.packs.scenario_types import (
    MOST_SECONDS,
    Byte,
    Code,
    FaultNumber,
    Month,
    Name,
    Place,
    Shape,
    When,
    Word,
)


class DemandShape(Shape):
    """``[[unit.fault.cause.demand]]``."""

    unit: Name | None = None
    identifier: Word
    byte: Place
    mask: Byte = 0xFF
    value: Byte
    when: When = "always"


class UnitNotDeclaredShape(Shape):
    """Cause ``unit not declared``."""

    kind: Literal["unit not declared"]
    unit: Name
    option: Code


class UnitMissingShape(Shape):
    """Cause ``unit missing``."""

    kind: Literal["unit missing"]
    unit: Name
    option: Code


class ListsDisagreeShape(Shape):
    """Cause ``lists disagree``."""

    kind: Literal["lists disagree"]


class OptionContradictsShape(Shape):
    """Cause ``option contradicts``."""

    kind: Literal["option contradicts"]
    when: When


class MonthDisagreesShape(Shape):
    """Cause ``month disagrees``."""

    kind: Literal["month disagrees"]
    month_from: Month | None = None
    month_before: Month | None = None


class ConfigurationDisagreesShape(Shape):
    """Cause ``configuration disagrees``."""

    kind: Literal["configuration disagrees"]
    demand: tuple[DemandShape, ...] = Field(min_length=1, max_length=1000, strict=False)


class MessageMissingShape(Shape):
    """Cause ``message missing``."""

    kind: Literal["message missing"]
    messages: tuple[Name, ...] = Field(min_length=1, max_length=1000, strict=False)


class SupplyLowShape(Shape):
    """Cause ``supply low``."""

    kind: Literal["supply low"]
    below_volts: Annotated[float, Field(gt=0, le=20)]


class OtherCarsVinShape(Shape):
    """Cause ``another car's vin``."""

    kind: Literal["another car's vin"]
    neutral_fails: bool = False


class RingBreakShape(Shape):
    """Cause ``ring break``."""

    kind: Literal["ring break"]
    units: tuple[Name, ...] = Field(min_length=1, max_length=100, strict=False)


class StoredShape(Shape):
    """Cause ``stored``."""

    kind: Literal["stored"]


CauseShape = Annotated[
    UnitNotDeclaredShape
    | UnitMissingShape
    | ListsDisagreeShape
    | OptionContradictsShape
    | MonthDisagreesShape
    | ConfigurationDisagreesShape
    | MessageMissingShape
    | SupplyLowShape
    | OtherCarsVinShape
    | RingBreakShape
    | StoredShape,
    Field(discriminator="kind"),
]


class FaultShape(Shape):
    """``[[unit.fault]]``."""

    code: FaultNumber
    title: str = ""
    monitor_s: Annotated[float, Field(ge=0.001, le=MOST_SECONDS)] = 2.0
    runs: Literal["continuously", "after reset"] = "continuously"
    confirm_cycles: Annotated[int, Field(ge=1, le=100)] = 1
    warning: bool = False
    status: Byte | None = None
    cause: CauseShape
