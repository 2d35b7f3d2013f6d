"""Follow facts through the rules step by step, remembering why.

Unit propagation in order of distance from the facts, over the tree's columns and the clauses of
the rules across it. The first contradiction that turns up has a short chain.
"""

from collections import deque
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from functools import lru_cache

from donorfit.equipment.compiled import Compiled, Handle
from donorfit.equipment.formula_clauses import Clause
from donorfit.equipment.rule_clauses import says_something
from donorfit.vehicle.rules import GroupKind

_Unit = tuple[int, Handle, tuple[int, ...]]
"""What follows, by which rule, from which literals; 0 for a contradiction."""


@dataclass(frozen=True, slots=True)
class Because:
    """Why a literal holds: a rule and the literals it follows from; no rule for a fact."""

    handle: Handle | None
    premises: tuple[int, ...]


@lru_cache(maxsize=4)
def index_clauses(compiled: Compiled) -> dict[int, list[tuple[int, Clause]]]:
    """Clauses of rules across the tree by variable."""
    found: dict[int, list[tuple[int, Clause]]] = {}
    for place, rule in enumerate(compiled.cross):
        for clause in rule.clauses:
            whole = (*clause, *rule.guard)
            for variable in {abs(literal) for literal in whole}:
                found.setdefault(variable, []).append((place, whole))
    return found


class Propagation:
    """What follows from facts.

    Attributes:
        reasons: each literal that holds, with its reason, in the order it was found.
        conflict: the rule and the literals that contradict one another; None while there is none.
    """

    def __init__(self, compiled: Compiled, allow: Callable[[Handle], bool] | None = None) -> None:
        self._compiled = compiled
        self._allow = allow
        self._clauses = index_clauses(compiled)
        self._queue: deque[int] = deque()
        self.reasons: dict[int, Because] = {}
        self.conflict: tuple[Handle, tuple[int, ...]] | None = None

    def run(self, facts: Iterable[int]) -> bool:
        """Follow facts; whether no contradiction was found."""
        for literal in facts:
            self._assign(literal, None, ())
            if self.conflict is not None:
                return False
        for unit in self._list_seeds():
            if not self._take(unit):
                return False
        return self.go_on()

    def go_on(self) -> bool:
        """Follow what is in the queue."""
        while self._queue:
            for unit in self._list_units(self._queue.popleft()):
                if not self._take(unit):
                    return False
        return True

    def _take(self, unit: _Unit) -> bool:
        literal, handle, premises = unit
        if self._allow is not None and not self._allow(handle):
            return True
        if not literal or -literal in self.reasons:
            self.conflict = (handle, (*premises, -literal) if literal else premises)
            return False
        if literal not in self.reasons:
            self._assign(literal, handle, premises)
        return True

    def _assign(self, literal: int, handle: Handle | None, premises: tuple[int, ...]) -> None:
        if -literal in self.reasons:
            self.conflict = (("facts", 0), (literal, -literal))
            return
        if literal not in self.reasons:
            self.reasons[literal] = Because(handle, premises)
            self._queue.append(literal)

    def _list_seeds(self) -> Iterator[_Unit]:
        if self._compiled.root >= 0:
            yield self._compiled.root + 1, ("root", 0), ()
        for place, rule in enumerate(self._compiled.cross):
            if any(len(clause) == 1 for clause in rule.clauses):
                for clause in rule.clauses:
                    if len(clause) == 1:
                        yield from self._judge(place, (*clause, *rule.guard))

    def _list_units(self, literal: int) -> Iterator[_Unit]:
        compiled = self._compiled
        variable = abs(literal)
        if variable <= compiled.count:
            option = variable - 1
            yield from self._follow_on(option) if literal > 0 else self._follow_off(option)
        elif variable in compiled.months:
            yield from self._follow_month(literal)
        for place, clause in self._clauses.get(variable, ()):
            if -literal in clause:
                yield from self._judge(place, clause)

    def _follow_month(self, literal: int) -> Iterator[_Unit]:
        months = self._compiled.months
        neighbour = literal - 1  # reached: the earlier limit too; not reached: nor the later one
        if abs(neighbour) in months:
            yield neighbour, ("order", 0), (literal,)

    def _judge(self, place: int, clause: Clause) -> Iterator[_Unit]:
        """One clause: contradiction, what follows, or nothing yet."""
        reasons = self.reasons
        open_literal = 0
        for literal in clause:
            if literal in reasons:
                return
            if -literal not in reasons:
                if open_literal:
                    return
                open_literal = literal
        premises = tuple(-literal for literal in clause if literal != open_literal)
        yield open_literal, ("rule", place), premises

    def _follow_on(self, option: int) -> Iterator[_Unit]:
        compiled = self._compiled
        rules = compiled.rules
        here = option + 1
        parent = rules.parents[option]
        if parent >= 0:
            yield parent + 1, ("parent", option), (here,)
        if option in compiled.windows:
            yield from self._follow_window(option)
        group = rules.group_of[option]
        if group >= 0:
            yield from self._count(group)
        for below in compiled.groups_of.get(option, ()):
            if rules.group_kinds[below] is GroupKind.MANDATORY:
                for member in rules.group_members[below]:
                    yield member + 1, ("member", member), (here,)
            else:
                yield from self._count(below)

    def _follow_window(self, option: int) -> Iterator[_Unit]:
        compiled = self._compiled
        start, end = compiled.windows[option]
        if start:
            yield compiled.months[start - 1], ("window", option), (option + 1,)
        if end <= len(compiled.limits):
            yield -compiled.months[end - 1], ("window", option), (option + 1,)

    def _follow_off(self, option: int) -> Iterator[_Unit]:
        rules = self._compiled.rules
        here = -option - 1
        for below in self._compiled.groups_of.get(option, ()):
            for member in rules.group_members[below]:
                yield -member - 1, ("parent", member), (here,)
        group = rules.group_of[option]
        if group < 0:
            return
        if rules.group_kinds[group] is GroupKind.MANDATORY:
            yield -rules.parents[option] - 1, ("member", option), (here,)
        else:
            yield from self._count(group)

    def _count(self, group: int) -> Iterator[_Unit]:
        """A group: too many on, too few left, or the rest decided."""
        compiled = self._compiled
        if says_something(compiled, group):
            low, high = compiled.get_limits(group)
            if high < len(compiled.rules.group_members[group]):
                yield from self._count_on(group, high)
            if low:
                yield from self._count_off(group, low)

    def _count_on(self, group: int, high: int) -> Iterator[_Unit]:
        """As many members are on as may be: the others are off."""
        rules, reasons = self._compiled.rules, self.reasons
        members = rules.group_members[group]
        on = tuple(m + 1 for m in members if m + 1 in reasons)
        parent = rules.group_parents[group] + 1
        if len(on) < high or (high != 1 and parent not in reasons):
            return
        guard = () if high == 1 else (parent,)
        if len(on) > high:
            yield 0, ("group", group), (*guard, *on[: high + 1])
            return
        for member in members:
            if member + 1 not in reasons:
                yield -member - 1, ("group", group), (*guard, *on)

    def _count_off(self, group: int, low: int) -> Iterator[_Unit]:
        """As few members are left as must be: these are on."""
        rules, reasons = self._compiled.rules, self.reasons
        members = rules.group_members[group]
        parent = rules.group_parents[group] + 1
        off = tuple(-m - 1 for m in members if -m - 1 in reasons)
        left = len(members) - len(off)
        if left < low:
            yield -parent, ("group", group), off[: len(members) - low + 1]
        elif left == low and parent in reasons:
            for member in members:
                if -member - 1 not in reasons:
                    yield member + 1, ("group", group), (parent, *off)


def trace(
    propagation: Propagation, conflict: tuple[Handle, tuple[int, ...]]
) -> list[tuple[int, Because]]:
    """The part of the reasons that leads to a contradiction, in the order it was found."""
    needed: set[int] = set()
    stack = list(conflict[1])
    while stack:
        literal = stack.pop()
        if literal in needed:
            continue
        needed.add(literal)
        stack += propagation.reasons[literal].premises
    return [(literal, b) for literal, b in propagation.reasons.items() if literal in needed]
