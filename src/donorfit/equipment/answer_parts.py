"""Parts of the answer to a repair: ways of independent parts, month against options."""

from dataclasses import dataclass

from donorfit.vehicle.identity import BuildMonth, OptionName


@dataclass(frozen=True, slots=True, kw_only=True)
class PartChange:
    """One way to repair one part of a list: its cost, what is added, what is removed."""

    cost: float
    add: tuple[OptionName, ...]
    remove: tuple[OptionName, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class RepairPart:
    """Changes of a repair that have nothing to do with its other changes.

    Attributes:
        options: the options that this part changes in the cheapest repair.
        ways: the cheapest ways for this part, the first one that of the repair; any of them goes
            together with the other parts as they are in the repair.
    """

    options: tuple[OptionName, ...]
    ways: tuple[PartChange, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class FrontPoint:
    """One way to trade build month against options: no other is nearer and as cheap.

    Attributes:
        month: build month.
        month_moved: by how many months the declared one moves.
        cost: cheapest cost of the options alone, in that month.
        changes: how many options that takes.
    """

    month: BuildMonth
    month_moved: int
    cost: float
    changes: int
