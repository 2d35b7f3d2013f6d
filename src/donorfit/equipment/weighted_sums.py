"""Turn "the sum over the options that are on is at least so much" into clauses.

A reduced decision diagram over the options, one helper variable a node, with both directions of
each definition. Source: Een and Soerensson, Translating pseudo-Boolean constraints into SAT,
JSAT 2 (2006), section 5.1 (from memory).
"""

import math
import operator
from collections.abc import Callable
from fractions import Fraction

from donorfit.equipment.formula_clauses import Clauses
from donorfit.vehicle.rules import Comparison

MOST_NODES = 20_000
"""Nodes of one diagram; a sum that needs more is said to be unsupported."""

JUDGES: dict[str, Callable[[Fraction, Fraction], bool]] = {
    "==": operator.eq,
    "!=": operator.ne,
    "<": operator.lt,
    "<=": operator.le,
    ">": operator.gt,
    ">=": operator.ge,
}


class TooLargeSumError(Exception):
    """The diagram of a sum has too many nodes."""


def judge_sum(comparison: Comparison, is_on: Callable[[int], bool]) -> bool:
    """Truth of a comparison of a sum for a whole list."""
    total = sum((weight for option, weight in comparison.weights if is_on(option)), Fraction(0))
    return JUDGES[comparison.operator](total, comparison.bound)


def encode_sum(
    comparison: Comparison, take_variable: Callable[[], int], into: Clauses
) -> int | bool:
    """Literal that is true where the comparison holds; its definition goes into ``into``.

    Raises:
        TooLargeSumError: it needs more than :data:`MOST_NODES` nodes.
    """
    scale = math.lcm(
        comparison.bound.denominator, *(weight.denominator for _, weight in comparison.weights)
    )
    bound = int(comparison.bound * scale)
    weights = [(option + 1, int(weight * scale)) for option, weight in comparison.weights]
    diagram = _Diagram(weights, take_variable, into)
    match comparison.operator:
        case ">=":
            return diagram.at_least(bound)
        case ">":
            return diagram.at_least(bound + 1)
        case "<":
            return _opposite(diagram.at_least(bound))
        case "<=":
            return _opposite(diagram.at_least(bound + 1))
        case _:
            return _encode_equal(diagram, bound, comparison.operator, take_variable, into)


def encode_count(
    literals: list[int],
    low: int,
    high: int,
    take_variable: Callable[[], int],
    into: Clauses,
) -> int | bool:
    """Literal that is true where at least ``low`` and at most ``high`` literals are true."""
    diagram = _Diagram([(literal, 1) for literal in literals], take_variable, into)
    return _both(diagram.at_least(low), _opposite(diagram.at_least(high + 1)), take_variable, into)


def _encode_equal(
    diagram: "_Diagram",
    bound: int,
    sign: str,
    take_variable: Callable[[], int],
    into: Clauses,
) -> int | bool:
    low, high = diagram.at_least(bound), _opposite(diagram.at_least(bound + 1))
    both = _both(low, high, take_variable, into)
    return both if sign == "==" else _opposite(both)


def _both(
    low: int | bool,  # noqa: FBT001 - a literal or a constant
    high: int | bool,  # noqa: FBT001
    take_variable: Callable[[], int],
    into: Clauses,
) -> int | bool:
    if isinstance(low, bool) or isinstance(high, bool):
        return high if low is True else low if high is True else False
    both = take_variable()
    into += [(-both, low), (-both, high), (both, -low, -high)]
    return both


def _opposite(literal: int | bool) -> int | bool:  # noqa: FBT001 - a literal or a constant
    return not literal if isinstance(literal, bool) else -literal


class _Diagram:
    """Decision diagram of one sum; largest weights first keep it small."""

    def __init__(
        self, weights: list[tuple[int, int]], take_variable: Callable[[], int], into: Clauses
    ) -> None:
        self._items = [
            (literal, weight) if weight > 0 else (-literal, -weight)
            for literal, weight in sorted(weights, key=lambda item: -abs(item[1]))
        ]
        self._shift = -sum(weight for _, weight in weights if weight < 0)
        self._rest = [0]
        for _, weight in reversed(self._items):
            self._rest.append(self._rest[-1] + weight)
        self._rest.reverse()
        self._take = take_variable
        self._into = into
        self._known: dict[tuple[int, int], int | bool] = {}

    def at_least(self, bound: int) -> int | bool:
        """Literal of "the sum is at least so much"."""
        root = (0, bound + self._shift)
        stack = [root]
        while stack:
            key = stack[-1]
            if key in self._known or self._settle(key):
                stack.pop()
                continue
            place, due = key
            below = [(place + 1, due - self._items[place][1]), (place + 1, due)]
            missing = [each for each in below if each not in self._known]
            if missing:
                stack += missing
                continue
            self._known[key] = self._make_node(self._items[place][0], *below)
            stack.pop()
            if len(self._known) > MOST_NODES:
                raise TooLargeSumError
        return self._known[root]

    def _settle(self, key: tuple[int, int]) -> bool:
        place, due = key
        if due <= 0:
            self._known[key] = True
        elif due > self._rest[place]:
            self._known[key] = False
        else:
            return False
        return True

    def _make_node(self, literal: int, high: tuple[int, int], low: tuple[int, int]) -> int | bool:
        then, otherwise = self._known[high], self._known[low]
        if then == otherwise and isinstance(then, bool) == isinstance(otherwise, bool):
            return then
        if then is True and otherwise is False:
            return literal
        node = self._take()
        for guard, branch in ((-literal, then), (literal, otherwise)):
            if branch is not True:
                tail = () if branch is False else (branch,)
                self._into.append((guard, -node, *tail))
            if branch is not False:
                tail = () if branch is True else (-branch,)
                self._into.append((guard, node, *tail))
        return node
