"""Why facts and rules cannot hold together: the fewest of them, and a chain of steps."""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

from donorfit.equipment.answers import Clash, Fact, Role
from donorfit.equipment.compiled import Compiled, Handle
from donorfit.equipment.explanation_steps import say_steps
from donorfit.equipment.propagation import Because, Propagation, trace
from donorfit.equipment.rule_clauses import list_clauses, list_handles
from donorfit.equipment.sat import SatSolver, make_solver
from donorfit.equipment.sentences import refer
from donorfit.equipment.warm import get_warm
from donorfit.vehicle.identity import BuildMonth, OptionName


@dataclass(frozen=True, slots=True)
class Core:
    """Facts (literals) and rules that cannot hold together; minimal where proved."""

    facts: tuple[int, ...]
    handles: tuple[Handle, ...]
    minimal: bool


def explain_facts(
    compiled: Compiled,
    fixed: Mapping[int, bool],
    month: BuildMonth | None,
    *,
    fitted: Collection[str] = (),
    declared: Collection[int] = (),
) -> Clash:
    """Explain why options that are fixed cannot all be as they are; they must be contradictory."""
    facts = [option + 1 if value else -option - 1 for option, value in fixed.items()]
    months = list_month_facts(compiled, month)
    core = find_core(compiled, [*facts, *months])
    roles = Roles(compiled, month, frozenset(fitted), frozenset(declared))
    return word_core(compiled, core, roles)


def list_month_facts(compiled: Compiled, month: BuildMonth | None) -> list[int]:
    """Literals of a known build month: only the two limits around it; the order does the rest."""
    if month is None or not compiled.limits:
        return []
    segment = compiled.find_segment(month)
    below = [compiled.months[segment - 1]] if segment else []
    return [*below, *([-compiled.months[segment]] if segment < len(compiled.limits) else [])]


@dataclass(frozen=True, slots=True)
class Roles:
    """Who says a fact."""

    compiled: Compiled
    month: BuildMonth | None
    fitted: frozenset[str]
    declared: frozenset[int]

    def word(self, literal: int) -> Fact:
        """The fact behind a literal."""
        option = abs(literal) - 1
        rules = self.compiled.rules
        if option >= self.compiled.count:
            return Fact(option=OptionName(str(self.month)), on=True, role=Role.MONTH)
        name, title = rules.names[option], rules.get_title(option)
        role = Role.FITTED if name in self.fitted else Role.ASKED
        if option in self.declared:
            role = Role.DECLARED
        return Fact(option=name, on=literal > 0, role=role, title="" if title == name else title)


def find_core(compiled: Compiled, facts: Sequence[int]) -> Core:
    """A minimal set of facts and rules that cannot hold together.

    Facts are dropped first, against all rules; then rules, against the facts that are left.

    Raises:
        ValueError: the facts do not contradict the rules.
    """
    facts = minimise_facts(compiled, facts)
    propagation = Propagation(compiled)
    if propagation.run(facts):
        used, handles = _ask_solver(compiled, facts)
    else:
        used, handles = _read_trace(propagation)
    months = [fact for fact in facts if abs(fact) in compiled.months]
    return minimise(compiled, [f for f in used if f not in months], handles, months)


def minimise_facts(compiled: Compiled, facts: Sequence[int]) -> list[int]:
    """Drop facts one by one while the rest still contradicts the rules.

    Raises:
        ValueError: the facts do not contradict the rules.
    """
    warm = get_warm(compiled)
    if warm.solve(facts):
        message = "the facts do not contradict the rules"
        raise ValueError(message)
    core = set(warm.get_core())
    months = [fact for fact in facts if abs(fact) in compiled.months]
    options = [fact for fact in facts if fact in core and abs(fact) not in compiled.months]
    options = drop_needless(warm, options, months)
    # The month is one fact with two limits: both stay, or none.
    return [*months, *options] if months and warm.solve(options) else options


class Refuter(Protocol):
    """What is asked whether facts can hold together."""

    def solve(self, assumptions: Sequence[int]) -> bool:
        """Whether they can."""

    def get_core(self) -> list[int]:
        """After a no: those that cannot."""


def drop_needless(solver: Refuter, needed: list[int], always: Sequence[int] = ()) -> list[int]:
    """Drop assumptions, the last ones first, while the rest still cannot hold together.

    Args:
        solver: holds the rules; it must refute all of them together.
        needed: what may be dropped.
        always: what is assumed beside them and stays: the month is one fact with two limits.
    """
    place = len(needed) - 1
    while place >= 0:
        if solver.solve([*always, *needed[:place], *needed[place + 1 :]]):
            place -= 1
            continue
        core = set(solver.get_core())
        place = sum(each in core for each in needed[:place]) - 1
        needed = [each for each in needed if each in core]
    return needed


def _read_trace(propagation: Propagation) -> tuple[list[int], list[Handle]]:
    conflict = propagation.conflict
    if conflict is None:
        message = "no contradiction was found"
        raise ValueError(message)
    steps = trace(propagation, conflict)
    used = [literal for literal, because in steps if because.handle is None]
    handles = dict.fromkeys(b.handle for _, b in steps if b.handle is not None)
    handles[conflict[0]] = None
    return used, [handle for handle in handles if handle[0] not in {"order", "facts"}]


def _ask_solver(compiled: Compiled, facts: Sequence[int]) -> tuple[list[int], list[Handle]]:
    """Facts and rules by a solver, where following single steps finds no contradiction."""
    handles = list(list_handles(compiled))
    selected = _Selected(compiled, handles)
    if selected.solve([*facts, *selected.selectors]):
        selected.close()
        message = "the facts do not contradict the rules"
        raise ValueError(message)
    core = selected.get_core()
    while True:
        selected.solve(core)
        smaller = selected.get_core()
        if len(smaller) >= len(core):
            break
        core = smaller
    selected.close()
    known = set(facts)
    return [f for f in core if f in known], [
        selected.selectors[s] for s in core if s in selected.selectors
    ]


class _Selected:
    """Rules in a solver, each with a variable that switches it on.

    Variables are counted anew: a few rules of a large base then make a small solver.
    """

    def __init__(self, compiled: Compiled, handles: Iterable[Handle]) -> None:
        self._next = compiled.top
        self._numbers: dict[int, int] = {}
        self._asked: Sequence[int] = ()
        self.selectors: dict[int, Handle] = {}
        clauses: list[Sequence[int]] = list(compiled.background)
        for handle in handles:
            selector = self._take()
            self.selectors[selector] = handle
            clauses += [(*c, -selector) for c in list_clauses(compiled, handle, self._take)]
        self._solver: SatSolver = make_solver([[*map(self._turn, c)] for c in clauses])
        self.close = self._solver.close

    def _take(self) -> int:
        self._next += 1
        return self._next

    def _turn(self, literal: int) -> int:
        number = self._numbers.setdefault(abs(literal), len(self._numbers) + 1)
        return number if literal > 0 else -number

    def solve(self, assumptions: Sequence[int]) -> bool:
        """Whether the rules that are switched on hold together with the facts."""
        self._asked = assumptions
        return self._solver.solve([*map(self._turn, assumptions)])

    def get_core(self) -> list[int]:
        """After a no: rules and facts that cannot hold together."""
        core = set(self._solver.get_core())
        return [literal for literal in self._asked if self._turn(literal) in core]


def minimise(
    compiled: Compiled,
    facts: Sequence[int],
    handles: Sequence[Handle],
    months: Sequence[int] = (),
) -> Core:
    """Drop facts, then rules, one by one while the rest still cannot hold together.

    Args:
        compiled: the rules.
        facts: options that are on or off.
        handles: rules.
        months: limits of the build month where it is needed: one fact, so they stay together.
    """
    selected = _Selected(compiled, handles)
    needed = drop_needless(selected, [*selected.selectors, *facts], months)
    kept = [each for each in needed if each not in selected.selectors]
    rules = [selected.selectors[each] for each in needed if each in selected.selectors]
    selected.close()
    return Core((*months, *kept), tuple(rules), minimal=True)


def word_core(compiled: Compiled, core: Core, roles: Roles) -> Clash:
    """Facts, rules and steps of a minimal core."""
    allowed = set(core.handles)
    propagation = Propagation(compiled, lambda handle: handle in allowed or handle[0] == "order")
    propagation.run(core.facts)
    found: list[tuple[int, Because]] = []
    conflict = propagation.conflict
    if conflict is not None:
        found = trace(propagation, conflict)
    return Clash(
        facts=tuple(dict.fromkeys(roles.word(literal) for literal in core.facts)),
        rules=tuple(refer(compiled, handle) for handle in core.handles),
        steps=say_steps(compiled, found, conflict, (core.facts, core.handles)),
        minimal=core.minimal,
    )
