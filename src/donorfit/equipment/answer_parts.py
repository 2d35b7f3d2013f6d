"""Parts of the answers: ways of independent parts, month against options, replayed steps."""

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


@dataclass(frozen=True, slots=True, kw_only=True)
class ReplayedClash:
    """What following one explanation again found.

    Attributes:
        steps: how many steps were followed.
        facts: how many facts it rests on.
        rules: how many rules it uses.
        wrong: what does not follow, or is not as the rules have it.
        needless: facts and rules that could be left out.
        undecided: what could not be decided.
    """

    steps: int
    facts: int
    rules: int
    wrong: tuple[str, ...]
    needless: tuple[str, ...]
    undecided: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ReplayAnswer:
    """Whether explanations hold, by the rules alone.

    Attributes:
        sound: whether every step follows and nothing could be left out.
        clashes: what was found for each explanation, in the order of the answer.
    """

    sound: bool
    clashes: tuple[ReplayedClash, ...]
