"""Questions and answers of the equipment reasoning, as frozen values."""

from dataclasses import dataclass
from enum import Enum

from donorfit.equipment.answer_parts import FrontPoint, RepairPart
from donorfit.vehicle.identity import BuildMonth, OptionName
from donorfit.vehicle.rules import RuleReference, RuleWarning, Window


class Structure(Enum):
    """How options that only give structure (abstract, without a code, the root) are taken.

    ``AUTO`` derives them where the declared list names none of them.
    """

    AUTO = "auto"
    DECLARED = "declared"
    DERIVED = "derived"


class Role(Enum):
    """Where a fact comes from."""

    ASKED = "asked"
    FITTED = "fitted"
    DECLARED = "declared"
    MONTH = "build month"
    ROOT = "rule base"


@dataclass(frozen=True, slots=True, kw_only=True)
class Fact:
    """One option that is on or off, or a build month, and who says so."""

    option: OptionName
    on: bool
    role: Role
    title: str = ""

    def __str__(self) -> str:
        """Say it in words."""
        if self.role is Role.MONTH:
            return f"the declared build month is {self.option}"
        shown = f"{self.title} ({self.option})" if self.title else self.option
        words = {
            Role.ASKED: "asked to be on" if self.on else "asked to be off",
            Role.FITTED: "fitted" if self.on else "not fitted",
            Role.DECLARED: "declared" if self.on else "not declared",
            Role.ROOT: "always on",
        }
        return f"{shown} is {words[self.role]}"


@dataclass(frozen=True, slots=True, kw_only=True)
class BrokenRule:
    """One rule that a list breaks: the rule, a sentence, the options in it."""

    rule: RuleReference
    sentence: str
    options: tuple[OptionName, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckAnswer:
    """Whether a whole list is possible.

    Attributes:
        possible: whether no rule is broken.
        broken: every broken rule.
        month: the month it was checked for; None where any month would do.
        warnings: rules that could not be judged.
    """

    possible: bool
    broken: tuple[BrokenRule, ...]
    month: BuildMonth | None
    warnings: tuple[RuleWarning, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class RepairRequest:
    """A list that is to become possible.

    Attributes:
        declared: options that are declared.
        on: options that are asked to be on.
        off: options that are asked to be off.
        fitted: options that are physically there: they must be on.
        not_fitted: options that are physically absent: they must be off.
        costs: what it costs to change an option, where it differs from the usual cost; above 0.
        month: declared build month; None where none is declared.
        month_fixed: whether the month must stay.
        month_cost: what it costs to move the month by one month.
        top: how many repairs to find.
        structure: how options that only give structure are taken.
    """

    declared: tuple[str, ...]
    on: tuple[str, ...] = ()
    off: tuple[str, ...] = ()
    fitted: tuple[str, ...] = ()
    not_fitted: tuple[str, ...] = ()
    costs: tuple[tuple[str, float], ...] = ()
    month: BuildMonth | None = None
    month_fixed: bool = False
    month_cost: float = 3.0
    top: int = 1
    structure: Structure = Structure.AUTO


@dataclass(frozen=True, slots=True, kw_only=True)
class RepairEntry:
    """One option that a repair changes.

    Attributes:
        option: its name.
        title: what a person reads.
        on: whether it becomes declared.
        cost: what the change costs.
        reason: why it changes, one sentence.
        rules: the rules behind the reason.
        because_of: options that cause the change: asked, fitted, or changed by the same repair.
        cause: the fact at the beginning of the chain of causes.
        forced: whether the rule leaves no other way once the other changes are made.
    """

    option: OptionName
    title: str
    on: bool
    cost: float
    reason: str
    rules: tuple[RuleReference, ...]
    because_of: tuple[OptionName, ...]
    cause: str
    forced: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Repair:
    """One minimal repair: no part of it is a repair.

    Attributes:
        cost: sum of the costs of its entries and of its month.
        add: options that become declared.
        remove: options that are taken out.
        month: build month afterwards; None where none was declared and any will do.
        month_moved: by how many months the declared one moves, negative towards the past.
        month_cost: what moving the month costs.
        month_reason: why it moves; empty where it stays.
        month_rules: the rules behind that.
        months: the months in which the repaired list is possible around the chosen one.
        entries: the changed options in order of cause.
        decisions: the entries among them that could have been made otherwise; all others follow.
    """

    cost: float
    add: tuple[OptionName, ...]
    remove: tuple[OptionName, ...]
    month: BuildMonth | None
    month_moved: int
    month_cost: float
    month_reason: str
    month_rules: tuple[RuleReference, ...]
    months: Window
    entries: tuple[RepairEntry, ...]
    decisions: tuple[OptionName, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One step of an explanation.

    Attributes:
        number: counted from 1.
        sentence: the step in words.
        rules: the rules that are used; several where a run of parents is folded.
        premises: facts and earlier conclusions it rests on, as signed option names: ``!x`` is off.
        conclusion: signed option name, or several of the same distance joined by `` & ``; empty
            where the step is the contradiction.
    """

    number: int
    sentence: str
    rules: tuple[RuleReference, ...]
    premises: tuple[str, ...]
    conclusion: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Clash:
    """Facts and rules that cannot hold together; every one of them is needed.

    Attributes:
        facts: the facts.
        rules: the rules.
        steps: how they contradict one another.
        minimal: whether it is proved that no fact and no rule can be left out.
    """

    facts: tuple[Fact, ...]
    rules: tuple[RuleReference, ...]
    steps: tuple[Step, ...]
    minimal: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Explanation:
    """Why a list, or a value of one option, is not possible.

    Attributes:
        verdict: one sentence.
        clashes: separate clashes, each with its own chain.
    """

    verdict: str
    clashes: tuple[Clash, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class RepairAnswer:
    """Repairs of a list, cheapest first.

    Attributes:
        possible: whether there is any.
        repairs: the repairs, none contained in another.
        proved: whether no cheaper one is missing and, where fewer than ``top`` were found, no
            other exists.
        lower_bound: proven: no further repair costs less.
        untouched: declared options that stay in the cheapest repair.
        clash: where there is no repair: what was asked and fitted that cannot hold together.
        costs_reason: why costs are as they are.
        warnings: rules that could not be judged.
        seconds_used_up: whether the time budget ended the search; the last repair is then one
            that was found, minimal, but not proved to be the cheapest.
        front: where the month may move: month against cost of options, the nearest month first.
        parts: where the cheapest repair falls into parts that do not touch one another.
    """

    possible: bool
    repairs: tuple[Repair, ...]
    proved: bool
    lower_bound: float
    untouched: int
    clash: Clash | None
    costs_reason: str
    warnings: tuple[RuleWarning, ...] = ()
    seconds_used_up: bool = False
    front: tuple[FrontPoint, ...] = ()
    parts: tuple[RepairPart, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class MonthBlocker:
    """Months in which a list is not possible, and the rules that forbid it there."""

    months: Window
    broken: tuple[BrokenRule, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class MonthsAnswer:
    """When a list is possible.

    Attributes:
        windows: build months in which it is possible, in order, neighbours joined.
        nearest: the possible month nearest to the declared one; None where there is none.
        earlier: the nearest possible month before the declared one.
        later: the nearest possible month after it.
        blockers: for each run of months in which it is not possible, what forbids it.
        always_broken: rules that are broken in every month.
    """

    windows: tuple[Window, ...]
    nearest: BuildMonth | None
    earlier: BuildMonth | None
    later: BuildMonth | None
    blockers: tuple[MonthBlocker, ...]
    always_broken: tuple[BrokenRule, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ImpliedAnswer:
    """What follows from a choice.

    Attributes:
        possible: whether the choice is possible at all.
        on: options that must be on.
        off: options that must be off.
        complete: whether nothing else follows; False where only unit propagation was asked.
        clash: where it is not possible: why.
    """

    possible: bool
    on: tuple[OptionName, ...]
    off: tuple[OptionName, ...]
    complete: bool
    clash: Clash | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class CompareAnswer:
    """Two option lists side by side.

    Attributes:
        only_left: declared in the first one only.
        only_right: declared in the second one only.
        both: how many are declared in both.
        left: whether the first one is possible.
        right: whether the second one is possible.
    """

    only_left: tuple[OptionName, ...]
    only_right: tuple[OptionName, ...]
    both: int
    left: CheckAnswer
    right: CheckAnswer


@dataclass(frozen=True, slots=True, kw_only=True)
class FactsAnswer:
    """What is true of a rule base as a whole.

    Attributes:
        possible: whether there is any possible list.
        core: options that are on in every possible list.
        dead: options that are off in every possible list.
        falsely_optional: optional by their group, but on whenever their parent is.
        redundant: rules that follow from the others.
        clash: where no list is possible: why.
    """

    possible: bool
    core: tuple[OptionName, ...]
    dead: tuple[OptionName, ...]
    falsely_optional: tuple[OptionName, ...]
    redundant: tuple[RuleReference, ...]
    clash: Clash | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Leftover:
    """A declared option that nothing supports, or that contradicts what is fitted.

    Attributes:
        option: its name.
        title: what a person reads.
        contradicted: whether it cannot be there beside what is fitted.
        reason: one sentence.
        rules: the rules behind it.
    """

    option: OptionName
    title: str
    contradicted: bool
    reason: str
    rules: tuple[RuleReference, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftoversAnswer:
    """What an earlier retrofit may have left in the list."""

    leftovers: tuple[Leftover, ...]
