"""Cheapest covers: the fewest causes that explain every fault code, exactly and with all ties."""

from collections.abc import Mapping
from dataclasses import dataclass, field

NODE_LIMIT = 200_000
TIE_LIMIT = 200


@dataclass(frozen=True, slots=True, kw_only=True)
class Covers:
    """All cheapest covers.

    Attributes:
        cost: their cost.
        covers: each in ascending order of its members, in ascending order themselves.
        proved: false where the search was cut off, so that a cheaper or another one may exist.
    """

    cost: int
    covers: tuple[tuple[int, ...], ...]
    proved: bool


@dataclass(slots=True)
class _Search:
    """Branch and bound: branch on the uncovered element with the fewest sets left.

    A branch forbids the sets tried before it, so no cover is found twice. The bound adds the
    cheapest set of elements that no common set covers.
    """

    options: dict[int, frozenset[int]]
    costs: Mapping[int, int]
    best: int
    found: set[tuple[int, ...]] = field(default_factory=set)
    nodes: int = 0
    cut: bool = False

    def run(
        self, uncovered: frozenset[int], banned: frozenset[int], chosen: tuple[int, ...], cost: int
    ) -> None:
        self.nodes += 1
        if self.nodes > NODE_LIMIT or len(self.found) > TIE_LIMIT:
            self.cut = True
            return
        if cost > self.best:
            return
        if not uncovered:
            if cost < self.best:
                self.best, self.found = cost, set()
            self.found.add(tuple(sorted(chosen)))
            return
        left = {each: self.options[each] - banned for each in uncovered}
        if cost + self._bound(left) > self.best:
            return
        element = min(left, key=lambda each: (len(left[each]), each))
        for choice in sorted(left[element], key=lambda each: (self.costs[each], each)):
            rest = frozenset(each for each in uncovered if choice not in self.options[each])
            self.run(rest, banned, (*chosen, choice), cost + self.costs[choice])
            banned |= {choice}

    def _bound(self, left: Mapping[int, frozenset[int]]) -> int:
        total, used = 0, frozenset[int]()
        for element in sorted(left, key=lambda each: (len(left[each]), each)):
            sets = left[element]
            if not sets:
                return self.best + 1
            if not sets & used:
                total += min(self.costs[each] for each in sets)
                used |= sets
        return total


def find_covers(options: Mapping[int, frozenset[int]], costs: Mapping[int, int]) -> Covers:
    """All cheapest choices of sets such that every element has one of its sets chosen.

    Args:
        options: for each element the sets that contain it; none may be empty.
        costs: cost of each set, at least 1.
    """
    ceiling = sum(min(costs[each] for each in sets) for sets in options.values())
    search = _Search(options=dict(options), costs=costs, best=ceiling)
    search.run(frozenset(options), frozenset(), (), 0)
    return Covers(cost=search.best, covers=tuple(sorted(search.found)), proved=not search.cut)


def split_groups(options: Mapping[int, frozenset[int]]) -> list[list[int]]:
    """Elements in groups that share no set, so that each group is covered on its own."""
    group_of: dict[int, int] = {}
    groups: dict[int, list[int]] = {}
    owner: dict[int, int] = {}
    for element in sorted(options):
        linked = sorted({group_of[owner[each]] for each in options[element] if each in owner})
        target = linked[0] if linked else element
        members = groups.setdefault(target, [])
        members.append(element)
        for other in linked[1:]:
            members.extend(groups.pop(other))
        for each in members:
            group_of[each] = target
        for each in options[element]:
            owner.setdefault(each, element)
    return [sorted(groups[each]) for each in sorted(groups)]
