"""Clauses for "at least so many, at most so many of a group", linear in the group.

At most one of many uses the sequential counter of Sinz, Towards an optimal CNF encoding of Boolean
cardinality constraints, CP 2005; everything else the diagram of :mod:`weighted_sums`.
"""

from collections.abc import Callable, Iterator, Sequence
from itertools import combinations

from donorfit.equipment.formula_clauses import Clause, Clauses
from donorfit.equipment.weighted_sums import encode_count

FEW = 5
"""Members up to which pairs are shorter than a counter."""


def list_count_clauses(
    parent: int,
    literals: Sequence[int],
    low: int,
    high: int,
    take_variable: Callable[[], int],
) -> Iterator[Clause]:
    """Clauses that say: while the parent is on, low to high of the literals are true."""
    if low <= 1 and high == 1 and len(literals) > 1:
        yield from _list_at_most_one(literals, take_variable)
        return
    clauses: Clauses = []
    holds = encode_count(list(literals), low, high, take_variable, clauses)
    yield from clauses
    if holds is not True:
        yield (-parent, *(() if holds is False else (holds,)))


def _list_at_most_one(
    literals: Sequence[int], take_variable: Callable[[], int]
) -> Iterator[Clause]:
    if len(literals) <= FEW:
        yield from ((-one, -other) for one, other in combinations(literals, 2))
        return
    before = take_variable()
    yield (-literals[0], before)
    for literal in literals[1:-1]:
        after = take_variable()
        yield from ((-literal, after), (-before, after), (-literal, -before))
        before = after
    yield (-literals[-1], -before)
