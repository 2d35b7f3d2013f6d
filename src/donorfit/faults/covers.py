"""Cheapest covers: the fewest causes that explain every fault code, exactly and with all ties.

A cover is a minimum-cost hitting set: of the sets of every element at least one is chosen. Source
of the reductions and of the bound: textbook set covering (row and strict column dominance, dual
ascent as in Balas and Ho 1980, from memory), written anew; held against brute force, and against
a constraint solver on larger cases, in the tests.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from itertools import islice, product
from math import prod

WORK_LIMIT = 2_500_000
"""Elements looked at before the search is cut off: less than ten seconds."""
TIE_LIMIT = 200
_MOST_CLASS_TIES = 2_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Covers:
    """All cheapest covers.

    Attributes:
        cost: their cost.
        covers: each in ascending order of its members, in ascending order themselves; at most
            ``TIE_LIMIT`` of them.
        ties: how many there are; at least so many where the search was cut off.
        proved: false where the search was cut off, so that a cheaper or another one may exist.
    """

    cost: int
    covers: tuple[tuple[int, ...], ...]
    ties: int
    proved: bool


@dataclass(frozen=True, slots=True)
class _Problem:
    """Elements as bit masks of the classes that contain them; a class stands for equal sets."""

    elements: tuple[int, ...]
    costs: tuple[int, ...]
    members: tuple[tuple[int, ...], ...]


def _drop_implied(elements: set[int]) -> list[int]:
    """Elements without those that another one implies: its sets are among theirs."""
    kept: list[int] = []
    for mask in sorted(elements, key=lambda each: (each.bit_count(), each)):
        if not any(other & mask == other for other in kept):
            kept.append(mask)
    return kept


def _cover_of(elements: list[int], places: list[int]) -> dict[int, int]:
    """For each set the elements that it covers, as a bit mask."""
    covered = dict.fromkeys(places, 0)
    for number, mask in enumerate(elements):
        for place in _list_bits(mask):
            covered[place] |= 1 << number
    return covered


def _list_bits(mask: int) -> Iterator[int]:
    while mask:
        low = mask & -mask
        yield low.bit_length() - 1
        mask ^= low


def _drop_dear(covered: Mapping[int, int], costs: Mapping[int, int]) -> int:
    """Mask of the sets that no cheapest cover holds: a cheaper set covers all that they do."""
    dear = 0
    order = sorted(covered, key=lambda each: costs[each])
    for place, each in enumerate(order):
        if any(
            costs[other] < costs[each] and covered[each] & covered[other] == covered[each]
            for other in order[:place]
        ):
            dear |= 1 << each
    return dear


def _reduce(options: Mapping[int, frozenset[int]], costs: Mapping[int, int]) -> _Problem:
    """Reduce without losing any cheapest cover."""
    names = sorted({each for sets in options.values() for each in sets})
    place_of = {name: place for place, name in enumerate(names)}
    price = {place: costs[name] for place, name in enumerate(names)}
    elements = [sum(1 << place_of[each] for each in sets) for sets in options.values()]
    while True:
        elements = _drop_implied(set(elements))
        left = 0
        for mask in elements:
            left |= mask
        covered = _cover_of(elements, list(_list_bits(left)))
        dear = _drop_dear(covered, price)
        if not dear:
            break
        elements = [mask & ~dear for mask in elements]
    classes: dict[tuple[int, int], list[int]] = {}
    for place, mask in covered.items():
        classes.setdefault((mask, price[place]), []).append(names[place])
    merged = [0] * len(elements)
    for number, (mask, _) in enumerate(classes):
        for element in _list_bits(mask):
            merged[element] |= 1 << number
    return _Problem(
        elements=tuple(merged),
        costs=tuple(cost for _, cost in classes),
        members=tuple(tuple(sorted(each)) for each in classes.values()),
    )


@dataclass(slots=True)
class _Search:
    """Branch and bound: branch on the uncovered element with the fewest sets left.

    A branch forbids the sets tried before it, so no cover is found twice.
    """

    problem: _Problem
    best: int
    found: set[frozenset[int]] = field(default_factory=set)
    work: int = 0
    cut: bool = False

    def run(self, uncovered: list[int], banned: int, chosen: frozenset[int], cost: int) -> None:
        if self.cut:
            return
        while True:
            self.work += len(uncovered) + 1
            if self.work > WORK_LIMIT or len(self.found) > _MOST_CLASS_TIES:
                self.cut = True
                return
            left = [mask & ~banned for mask in uncovered]
            if 0 in left or cost + self._bound(left) > self.best:
                return
            if not uncovered:
                self._keep(chosen, cost)
                return
            narrow = min(left, key=lambda mask: (mask.bit_count(), mask))
            if narrow.bit_count() > 1:
                break
            choice = narrow.bit_length() - 1
            chosen, cost = chosen | {choice}, cost + self.problem.costs[choice]
            uncovered = [mask for mask in uncovered if not mask & narrow]
        prices = self.problem.costs
        for choice in sorted(_list_bits(narrow), key=lambda each: (prices[each], each)):
            bit = 1 << choice
            rest = [mask for mask in uncovered if not mask & bit]
            self.run(rest, banned, chosen | {choice}, cost + prices[choice])
            banned |= bit

    def _keep(self, chosen: frozenset[int], cost: int) -> None:
        if cost < self.best:
            self.best, self.found = cost, set()
        self.found.add(chosen)

    def _bound(self, left: list[int]) -> int:
        """Dual ascent: every element pays what its cheapest set still lacks."""
        lacking = dict(enumerate(self.problem.costs))
        total = 0
        for mask in sorted(left, key=int.bit_count):
            places = list(_list_bits(mask))
            pays = min(lacking[each] for each in places)
            if pays:
                total += pays
                for each in places:
                    lacking[each] -= pays
        return total


def _choose_greedily(problem: _Problem) -> tuple[frozenset[int], int]:
    """A cover to begin with: again and again the set that costs least for each element."""
    uncovered = list(problem.elements)
    chosen: set[int] = set()
    while uncovered:
        counts: dict[int, int] = {}
        for mask in uncovered:
            for each in _list_bits(mask):
                counts[each] = counts.get(each, 0) + 1
        best = min(counts, key=lambda each: (problem.costs[each] / counts[each], each))
        chosen.add(best)
        uncovered = [mask for mask in uncovered if not mask & 1 << best]
    return frozenset(chosen), sum(problem.costs[each] for each in chosen)


def find_covers(options: Mapping[int, frozenset[int]], costs: Mapping[int, int]) -> Covers:
    """All cheapest choices of sets such that every element has one of its sets chosen.

    Args:
        options: for each element the sets that contain it; none may be empty.
        costs: cost of each set, at least 1.
    """
    problem = _reduce(options, costs)
    first, ceiling = _choose_greedily(problem)
    search = _Search(problem=problem, best=ceiling)
    search.run(list(problem.elements), 0, frozenset(), 0)
    found = search.found or {first}
    ties = sum(prod(len(problem.members[each]) for each in cover) for cover in found)
    expanded = (
        tuple(sorted(members))
        for cover in sorted(found, key=sorted)
        for members in product(*(problem.members[each] for each in sorted(cover)))
    )
    return Covers(
        cost=search.best,
        covers=tuple(sorted(islice(expanded, TIE_LIMIT))),
        ties=ties,
        proved=not search.cut,
    )


def split_groups(options: Mapping[int, frozenset[int]]) -> list[list[int]]:
    """Elements in groups that share no set, so that each group is covered on its own."""
    parent: dict[int, int] = {element: element for element in options}

    def find(element: int) -> int:
        while parent[element] != element:
            parent[element] = parent[parent[element]]
            element = parent[element]
        return element

    owner: dict[int, int] = {}
    for element in sorted(options):
        for each in options[element]:
            one, other = find(owner.setdefault(each, element)), find(element)
            parent[max(one, other)] = min(one, other)
    groups: dict[int, list[int]] = {}
    for element in sorted(options):
        groups.setdefault(find(element), []).append(element)
    return list(groups.values())
