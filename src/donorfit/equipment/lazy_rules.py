"""Which rules a changed list breaks, and their clauses; only what changes touch is looked at."""

from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from itertools import combinations

from donorfit.equipment.compiled import Compiled, Handle
from donorfit.equipment.formula_clauses import Clause, Clauses
from donorfit.equipment.weighted_sums import encode_count
from donorfit.vehicle.rules import GroupKind


class LazyRules:
    """Judges a list that differs from a base list in some options.

    Attributes:
        compiled: the rules.
        bits: the base list, one byte an option.

    With ``once`` the clauses of a general group are given out the first time only.
    """

    def __init__(
        self,
        compiled: Compiled,
        bits: bytes,
        take_variable: Callable[[], int],
        *,
        once: bool = True,
    ) -> None:
        self.compiled = compiled
        self.bits = bits
        self._take = take_variable
        self._counts: dict[int, int] = {}
        self._encoded: set[int] = set()
        self._once = once

    def list_touched(self, flips: Iterable[int]) -> dict[Handle, None]:
        """Rules that some changed option takes part in."""
        rules, bits = self.compiled.rules, self.bits
        groups_of, cross_of = self.compiled.groups_of, self.compiled.cross_of
        found: dict[Handle, None] = {}
        for option in flips:
            turned_on = not bits[option]
            if turned_on:
                if rules.parents[option] >= 0:
                    found["parent", option] = None
                if option in self.compiled.windows:
                    found["window", option] = None
            group = rules.group_of[option]
            if group >= 0:
                found["group", group] = None
            elif not turned_on:
                found["root", 0] = None
            for below in groups_of.get(option, ()):
                if turned_on:
                    found["group", below] = None
                else:
                    found.update(dict.fromkeys(("parent", m) for m in rules.group_members[below]))
            found.update(dict.fromkeys(("rule", place) for place in cross_of.get(option, ())))
        return found

    def count_changes(self, flips: Iterable[int]) -> dict[int, int]:
        """By how many members on each group differs from the base list."""
        group_of, bits = self.compiled.rules.group_of, self.bits
        changes: dict[int, int] = {}
        for option in flips:
            group = group_of[option]
            changes[group] = changes.get(group, 0) + (-1 if bits[option] else 1)
        return changes

    def list_broken(
        self,
        handles: Iterable[Handle],
        flips: Collection[int],
        segment: int,
        changes: Mapping[int, int] | None = None,
    ) -> list[Clause]:
        """Clauses of those rules that the list with the flips breaks; each clause is broken.

        Args:
            handles: rules to judge.
            flips: options whose value differs from the base list.
            segment: segment of build months.
            changes: what :meth:`count_changes` says of the flips, where that is known already.
        """
        bits, rules = self.bits, self.compiled.rules

        def is_on(option: int) -> bool:
            return bool(bits[option]) != (option in flips)

        if changes is None:
            changes = self.count_changes(flips)
        clauses: list[Clause] = []
        for kind, place in handles:
            if kind == "parent":
                parent = rules.parents[place]
                if is_on(place) and not is_on(parent):
                    clauses.append((-place - 1, parent + 1))
            elif kind == "group":
                if is_on(rules.group_parents[place]):
                    clauses += self._judge_group(place, is_on, changes.get(place, 0))
            else:
                clauses += self._judge_other(kind, place, is_on, segment)
        return clauses

    def list_blame(
        self,
        handle: Handle,
        flips: Collection[int],
        segment: int,
        changes: Mapping[int, int] | None = None,
    ) -> list[Clause]:
        """Like :meth:`list_broken` for one rule, over options and months only.

        A rule with helper variables or a general group is blamed on all its options together.
        """
        kind, place = handle
        broken = self.list_broken((handle,), flips, segment, changes)
        if all(
            abs(literal) < self.compiled.months.stop for clause in broken for literal in clause
        ):
            return broken
        rules = self.compiled.rules
        options = (
            self.compiled.cross[place].options
            if kind == "rule"
            else (rules.group_parents[place], *rules.group_members[place])
        )
        guard = self.compiled.cross[place].guard if kind == "rule" else ()
        values = [-o - 1 if bool(self.bits[o]) != (o in flips) else o + 1 for o in options]
        return [(*values, *guard)]

    def _judge_other(
        self, kind: str, place: int, is_on: Callable[[int], bool], segment: int
    ) -> list[Clause]:
        """A rule across the tree, a window, or the root."""
        compiled = self.compiled
        if kind == "rule":
            rule = compiled.cross[place]
            if rule.free or compiled.judge_rule(rule, is_on, segment):
                return []
            return [
                (*clause, *rule.guard)
                for clause in rule.clauses
                if not rule.plain or not any(is_on(abs(x) - 1) == (x > 0) for x in clause)
            ]
        if kind == "window":
            return self._judge_window(place, segment) if is_on(place) else []
        return [] if compiled.root < 0 or is_on(compiled.root) else [(compiled.root + 1,)]

    def _judge_window(self, option: int, segment: int) -> list[Clause]:
        start, end = self.compiled.windows[option]
        months = self.compiled.months
        if segment < start:
            return [(-option - 1, months[start - 1])]
        return [(-option - 1, -months[end - 1])] if segment >= end else []

    def _judge_group(
        self, group: int, is_on: Callable[[int], bool], change: int
    ) -> Sequence[Clause]:
        rules = self.compiled.rules
        members = rules.group_members[group]
        base = self._counts.get(group)
        if base is None:
            bits = self.bits
            base = self._counts[group] = sum(bits[member] for member in members)
        low, high = self.compiled.get_limits(group)
        if low <= base + change <= high:
            return ()
        parent = rules.group_parents[group] + 1
        if rules.group_kinds[group] is GroupKind.MANDATORY:
            return [(-parent, member + 1) for member in members if not is_on(member)]
        if base + change < low and low == 1:
            return [(-parent, *(member + 1 for member in members))]
        if base + change > high and high == 1:
            on = [member for member in members if is_on(member)]
            return [(-one - 1, -other - 1) for one, other in combinations(on, 2)]
        return self._encode_group(group, parent, low, high)

    def _encode_group(self, group: int, parent: int, low: int, high: int) -> Sequence[Clause]:
        if group in self._encoded and self._once:
            return ()
        self._encoded.add(group)
        members = [member + 1 for member in self.compiled.rules.group_members[group]]
        clauses: Clauses = []
        holds = encode_count(members, low, high, self._take, clauses)
        clauses.append((-parent, holds) if not isinstance(holds, bool) else (-parent,))
        return clauses
