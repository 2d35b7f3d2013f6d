"""The part of a rule base that rules across the tree can reach.

A subtree that no rule across the tree and no build month mentions is *plain*: whatever it looks
like inside, it can be completed freely once its top is on or off. Plain tops of the same group are
exchangeable, so one stand-in for all of them is enough; below optional and mandatory groups they
can be left out altogether. What is left, the skeleton, is several times smaller than the rule base
and has the same answers to "can this be on, must this be on".
"""

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from donorfit.equipment.cardinality import list_count_clauses
from donorfit.equipment.compiled import Compiled
from donorfit.equipment.formula_clauses import Clause
from donorfit.equipment.rule_clauses import list_clauses
from donorfit.vehicle.rules import GroupKind


@dataclass(frozen=True, slots=True, kw_only=True)
class Skeleton:
    """Clauses over the options that are kept and over stand-ins.

    Attributes:
        variables: variable of the skeleton for each kept option and build month (these in terms
            of the compiled rules); they count from 1, so that models are short.
        options: kept option of each variable.
        stand_ins: for each stand-in variable the plain options that it stands for.
        turned: literal of the skeleton that follows from a literal of the rules on its own.
        stand_ins_off: for a plain option that is off its stand-in, which is off if all of its are.
        clauses: clauses of two literals and more.
        units: literals that hold in every list.
        top: highest variable in use.
        watched: variables of kept options and stand-ins.
        places: one bit of a number for each of these, the last one the lowest.
    """

    variables: Mapping[int, int]
    options: Mapping[int, int]
    stand_ins: Mapping[int, tuple[int, ...]]
    turned: Mapping[int, int]
    stand_ins_off: Mapping[int, int]
    clauses: tuple[Clause, ...]
    units: tuple[int, ...]
    top: int
    watched: tuple[int, ...]
    places: Mapping[int, int]

    def project(self, known: Iterable[int]) -> list[int]:
        """What is known of options and build months, in terms of the skeleton.

        Args:
            known: literals, none of them twice.
        """
        known = tuple(known)
        found = list(filter(None, map(self.turned.get, known)))
        off = Counter(filter(None, map(self.stand_ins_off.get, known)))
        found += [-each for each, count in off.items() if count == len(self.stand_ins[each])]
        return found


def make_skeleton(compiled: Compiled) -> Skeleton:
    """Find the skeleton of a rule base."""
    return _Maker(compiled).make()


class _Maker:
    def __init__(self, compiled: Compiled) -> None:
        self._compiled = compiled
        self._next = compiled.top
        self._stand_ins: dict[int, tuple[int, ...]] = {}

    def _take(self) -> int:
        self._next += 1
        return self._next

    def make(self) -> Skeleton:
        compiled = self._compiled
        kept = self._find_kept()
        found = list(compiled.background)
        for option in kept:
            parent = compiled.rules.parents[option]
            if parent >= 0:
                found.append((-option - 1, parent + 1))
            elif parent == -1:
                found.append((option + 1,))
            for group in compiled.groups_of.get(option, ()):
                found += self._list_group(group, kept)
        for kind, places in (("rule", range(len(compiled.cross))), ("window", compiled.windows)):
            for place in places:
                found += list_clauses(compiled, (kind, place), self._take)
        return self._renumber(kept, found)

    def _renumber(self, kept: Mapping[int, None], found: list[Clause]) -> Skeleton:
        """Count variables from 1: kept options, stand-ins, then all others."""
        old = dict.fromkeys([*(option + 1 for option in kept), *self._stand_ins])
        count = len(old)
        old.update(dict.fromkeys(abs(literal) for clause in found for literal in clause))
        new = {variable: number for number, variable in enumerate(old, 1)}
        clauses = [tuple(new[x] if x > 0 else -new[-x] for x in clause) for clause in found]
        months = self._compiled.months
        variables = {v: n for v, n in new.items() if v < months.stop}
        stand_in_of = {o + 1: new[v] for v, below in self._stand_ins.items() for o in below}
        return Skeleton(
            variables=variables,
            options={new[option + 1]: option for option in kept},
            stand_ins={new[v]: options for v, options in self._stand_ins.items()},
            turned=variables | {-v: -n for v, n in variables.items()} | stand_in_of,
            stand_ins_off={-option: v for option, v in stand_in_of.items()},
            clauses=tuple(clause for clause in clauses if len(clause) != 1),
            units=tuple(clause[0] for clause in clauses if len(clause) == 1),
            top=len(new),
            watched=tuple(range(1, count + 1)),
            places={v: 1 << (count - v) for v in range(1, count + 1)},
        )

    def _find_kept(self) -> dict[int, None]:
        """Options that rules across the tree mention, general groups, and all that is above."""
        compiled = self._compiled
        rules = compiled.rules
        named: Iterable[int] = (*compiled.cross_of, *compiled.windows)
        if compiled.root >= 0:
            named = (compiled.root, *named)
        kept: dict[int, None] = {}
        for option in named:
            at = option
            while at >= 0 and at not in kept:
                kept[at] = None
                at = rules.parents[at]
        waiting = list(kept)
        while waiting:
            for group in compiled.groups_of.get(waiting.pop(), ()):
                if rules.group_kinds[group] is GroupKind.CARDINALITY:
                    fresh = [m for m in rules.group_members[group] if m not in kept]
                    kept.update(dict.fromkeys(fresh))
                    waiting += fresh
        return kept

    def _list_group(self, group: int, kept: Mapping[int, None]) -> Iterator[Clause]:
        compiled = self._compiled
        rules = compiled.rules
        members = rules.group_members[group]
        parent = rules.group_parents[group] + 1
        kind = rules.group_kinds[group]
        reached = [member + 1 for member in members if member in kept]
        if kind is GroupKind.OPTIONAL:
            return
        if kind is GroupKind.MANDATORY:
            yield from ((-parent, literal) for literal in reached)
            return
        plain = tuple(member for member in members if member not in kept)
        if plain:
            stand_in = self._take()
            self._stand_ins[stand_in] = plain
            yield (-stand_in, parent)
            reached.append(stand_in)
        low, high = compiled.get_limits(group)
        if not members:
            return
        if low == 1:
            yield (-parent, *reached)
            low = 0
        if kind is GroupKind.CARDINALITY or kind is GroupKind.ALTERNATIVE:
            yield from list_count_clauses(parent, reached, low, high, self._take)
