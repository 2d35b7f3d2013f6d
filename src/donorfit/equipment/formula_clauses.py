"""Turn formulas in postfix order into clauses, without recursion and in linear size.

Small formulas are multiplied out, so that no helper variable is needed; a part that would grow
beyond :data:`MOST_CLAUSES` gets a helper variable with both directions of its definition
(Tseitin 1968).
"""

from collections.abc import Callable, Iterable
from itertools import product

from donorfit.vehicle.rules import (
    AND,
    COMPARISON_BASE,
    EQUIVALENT,
    FALSE,
    IMPLIES,
    NOT,
    OR,
    TRUE,
    Formula,
)

Clause = tuple[int, ...]
Clauses = list[Clause]
MOST_CLAUSES = 24
"""Clauses that one part of a formula may multiply out to before it gets a helper variable."""

_LITERAL = 1


def evaluate(formula: Formula, is_on: Callable[[int], bool], judge: Callable[[int], bool]) -> bool:
    """Truth of a formula.

    Args:
        formula: in postfix order.
        is_on: tells whether an option is on.
        judge: truth of a comparison, by its place in the rule.
    """
    stack: list[bool] = []
    for code in formula:
        if code >= 0:
            stack.append(is_on(code))
        elif code == NOT:
            stack[-1] = not stack[-1]
        elif code <= COMPARISON_BASE:
            stack.append(judge(COMPARISON_BASE - code))
        elif code in {TRUE, FALSE}:
            stack.append(code == TRUE)
        else:
            right = stack.pop()
            stack[-1] = _join(code, stack[-1], right)
    return stack[-1]


def _join(code: int, left: bool, right: bool) -> bool:  # noqa: FBT001 - truth values
    if code == AND:
        return left and right
    if code == OR:
        return left or right
    return (not left or right) if code == IMPLIES else left == right


class _Node:
    """Part of a formula: joined by ``&`` or ``|`` with any number of children, or ``<=>``."""

    __slots__ = ("children", "negated", "operator", "value")

    def __init__(self, operator: int, children: "list[_Node]", value: int = 0) -> None:
        self.operator = operator
        self.children = children
        self.value = value
        self.negated = False


class ClauseMaker:
    """Makes clauses of formulas; hands out helper variables.

    Attributes:
        next_variable: the next variable that is free.
    """

    def __init__(self, next_variable: int) -> None:
        self.next_variable = next_variable

    def take_variable(self) -> int:
        """Hand out a new variable."""
        self.next_variable += 1
        return self.next_variable - 1

    def make(self, formula: Formula, find_atom: Callable[[int], int | bool]) -> Clauses:
        """Clauses that say that a formula holds.

        Args:
            formula: in postfix order; option ``i`` becomes variable ``i + 1``.
            find_atom: literal (or constant) of a comparison, by its place in the rule.
        """
        if len(formula) == 3 and formula[2] == IMPLIES and min(formula[:2]) >= 0:  # noqa: PLR2004
            return [(-formula[0] - 1, formula[1] + 1)]
        nodes = _build(formula, find_atom)
        clauses: Clauses = []
        done: dict[int, tuple[Clauses, Clauses]] = {}
        for node in nodes:
            done[id(node)] = self._multiply(node, done, clauses)
        positive, negative = done[id(nodes[-1])]
        clauses += negative if nodes[-1].negated else positive
        return _tidy(clauses)

    def define(self, positive: Clauses, negative: Clauses, into: Clauses) -> int:
        """Give a part a helper variable and add its definition; give the variable."""
        helper = self.take_variable()
        into += [(-helper, *clause) for clause in positive]
        into += [(helper, *clause) for clause in negative]
        return helper

    def _multiply(
        self, node: _Node, done: dict[int, tuple[Clauses, Clauses]], into: Clauses
    ) -> tuple[Clauses, Clauses]:
        """Clauses of a part and of its opposite."""
        if node.operator == _LITERAL:
            return [(node.value,)], [(-node.value,)]
        if node.operator in {TRUE, FALSE}:
            empty: Clauses = [()]
            return ([], empty) if node.operator == TRUE else (empty, [])
        parts = [self._take(child, done) for child in node.children]
        if node.operator == EQUIVALENT:
            return self._multiply_equivalent(parts, into)
        if node.operator == AND:
            together = [clause for positive, _ in parts for clause in positive]
            return together, self._spread([(n, p) for p, n in parts], into)
        together = [clause for _, negative in parts for clause in negative]
        return self._spread(parts, into), together

    def _take(
        self, child: _Node, done: dict[int, tuple[Clauses, Clauses]]
    ) -> tuple[Clauses, Clauses]:
        positive, negative = done[id(child)]
        return (negative, positive) if child.negated else (positive, negative)

    def _spread(self, parts: list[tuple[Clauses, Clauses]], into: Clauses) -> Clauses:
        """Clauses of "one of the parts holds": every choice of one clause from each part."""
        size = 1
        for positive, _ in parts:
            size *= max(1, len(positive))
        if size > MOST_CLAUSES:
            parts = [
                (positive, negative)
                if len(positive) <= 1
                else ([(self.define(positive, negative, into),)], [])
                for positive, negative in parts
            ]
        return [
            tuple(literal for clause in choice for literal in clause)
            for choice in product(*(positive for positive, _ in parts))
        ]

    def _multiply_equivalent(
        self, parts: list[tuple[Clauses, Clauses]], into: Clauses
    ) -> tuple[Clauses, Clauses]:
        small: list[tuple[Clauses, Clauses]] = []
        for positive, negative in parts:
            if len(positive) * len(negative) > MOST_CLAUSES:
                helper = self.define(positive, negative, into)
                small.append(([(helper,)], [(-helper,)]))
            else:
                small.append((positive, negative))
        (left, not_left), (right, not_right) = small
        same = _cross(not_left, right) + _cross(left, not_right)
        return same, _cross(left, right) + _cross(not_left, not_right)


def _cross(left: Clauses, right: Clauses) -> Clauses:
    return [(*one, *other) for one in left for other in right]


def _build(formula: Formula, find_atom: Callable[[int], int | bool]) -> list[_Node]:
    """Nodes with every child before its parent; runs of one operator become one node."""
    nodes: list[_Node] = []
    stack: list[_Node] = []
    for code in formula:
        if code == NOT:
            stack[-1].negated = not stack[-1].negated
            continue
        if code >= 0 or code <= COMPARISON_BASE or code in {TRUE, FALSE}:
            node = _make_leaf(code, find_atom)
            nodes.append(node)
            stack.append(node)
            continue
        right = stack.pop()
        left = stack.pop()
        if code == IMPLIES:
            left.negated = not left.negated
            code = OR  # noqa: PLW2901 - an implication is a disjunction
        node = _merge(code, left, right)
        nodes.append(node)
        stack.append(node)
    return _order(nodes)


def _merge(code: int, left: _Node, right: _Node) -> _Node:
    """Join two parts; a run of the same operator stays one node."""
    if code != EQUIVALENT:
        for run, other in ((left, right), (right, left)):
            if run.operator == code and not run.negated:
                run.children.append(other)
                return run
    return _Node(code, [left, right])


def _order(nodes: list[_Node]) -> list[_Node]:
    """Keep the last place of each node, which is behind all its children."""
    seen: set[int] = set()
    ordered: list[_Node] = []
    for node in reversed(nodes):
        if id(node) not in seen:
            seen.add(id(node))
            ordered.append(node)
    ordered.reverse()
    return ordered


def _make_leaf(code: int, find_atom: Callable[[int], int | bool]) -> _Node:
    if code >= 0:
        return _Node(_LITERAL, [], code + 1)
    atom: int | bool = code == TRUE if code in {TRUE, FALSE} else find_atom(COMPARISON_BASE - code)
    if isinstance(atom, bool):
        return _Node(TRUE if atom else FALSE, [])
    return _Node(_LITERAL, [], atom)


def _tidy(clauses: Iterable[Clause]) -> Clauses:
    """Drop repeated literals, clauses that always hold, and repeated clauses."""
    kept: dict[Clause, None] = {}
    for clause in clauses:
        literals = dict.fromkeys(clause)
        if not any(-literal in literals for literal in literals):
            kept[tuple(literals)] = None
    return list(kept)
