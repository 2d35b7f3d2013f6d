"""Variables for the comparisons inside formulas: build month, sums, typed options."""

import math
from collections import defaultdict
from collections.abc import Callable
from fractions import Fraction
from itertools import combinations, pairwise

from donorfit.equipment.formula_clauses import Clause, ClauseMaker
from donorfit.equipment.weighted_sums import encode_sum, judge_sum
from donorfit.vehicle.rules import Comparison, RuleBase, Subject

_Limit = tuple[Fraction, int]
"""A number, and 1 for "more than it" or 0 for "it or more"."""


class Atoms:
    """Finds the literal of a comparison; typed options get one variable per limit or text.

    Attributes:
        background: order of the limits, and that a typed text is one text only.
    """

    def __init__(
        self, rules: RuleBase, maker: ClauseMaker, month_literal: Callable[[int], int]
    ) -> None:
        self._maker = maker
        self._month_literal = month_literal
        self._types = dict(rules.types)
        self.background: list[Clause] = []
        self._limits: dict[tuple[int, _Limit], int] = {}
        self._texts: dict[tuple[int, str], int] = {}
        self._collect(rules)

    def _collect(self, rules: RuleBase) -> None:
        limits: dict[int, set[_Limit]] = defaultdict(set)
        texts: dict[int, dict[str, None]] = defaultdict(dict)
        for rule in rules.rules:
            for comparison in rule.comparisons:
                if comparison.subject is Subject.NUMBER:
                    limits[comparison.option].update(
                        (self._tidy(comparison, 0), self._tidy(comparison, 1))
                    )
                elif comparison.subject is Subject.TEXT:
                    texts[comparison.option][comparison.literal] = None
        for option, found in limits.items():
            variables = []
            for limit in sorted(found):
                variable = self._limits[option, limit] = self._maker.take_variable()
                variables.append(variable)
            self.background += [(-later, earlier) for earlier, later in pairwise(variables)]
        for option, literals in texts.items():
            taken = [self._maker.take_variable() for _ in literals]
            self._texts.update(zip(((option, text) for text in literals), taken, strict=True))
            self.background += [(-one, -other) for one, other in combinations(taken, 2)]

    def _tidy(self, comparison: Comparison, strict: int) -> _Limit:
        """A limit; whole numbers know no "more than" between two of them."""
        if self._types.get(comparison.option) != "Integer":
            return comparison.bound, strict
        bound = comparison.bound
        return (Fraction(math.floor(bound) + 1 if strict else math.ceil(bound)), 0)

    def find(self, comparison: Comparison, into: list[Clause]) -> int | bool:
        """Literal of a comparison; definitions go into ``into``.

        Raises:
            TooLargeSumError: see :mod:`donorfit.equipment.weighted_sums`.
        """
        match comparison.subject:
            case Subject.WEIGHTS:
                return encode_sum(comparison, self._maker.take_variable, into)
            case Subject.TEXT:
                literal = self._texts[comparison.option, comparison.literal]
                return literal if comparison.operator == "==" else -literal
            case Subject.MONTH:
                bound = int(comparison.bound)
                reached, passed = self._month_literal(bound), self._month_literal(bound + 1)
            case _:
                reached = self._limits[comparison.option, self._tidy(comparison, 0)]
                passed = self._limits[comparison.option, self._tidy(comparison, 1)]
        return self._between(comparison.operator, reached, passed, into)

    def _between(self, sign: str, reached: int, passed: int, into: list[Clause]) -> int | bool:
        simple = {">=": reached, "<": -reached, ">": passed, "<=": -passed}
        if sign in simple:
            return simple[sign]
        if reached == passed:
            return sign == "!="
        helper = self._maker.take_variable()
        into += [(-helper, reached), (-helper, -passed), (helper, -reached, passed)]
        return helper if sign == "==" else -helper

    def judge(
        self,
        comparison: Comparison,
        is_on: Callable[[int], bool],
        segment: int,
        limits: tuple[int, ...],
    ) -> bool:
        """Truth of a comparison of months or sums, for a whole list in a segment."""
        if comparison.subject is Subject.WEIGHTS:
            return judge_sum(comparison, is_on)
        low = limits[segment - 1] if segment else -1
        bound = int(comparison.bound)
        reached, passed = low >= bound, low >= bound + 1
        return {
            ">=": reached,
            "<": not reached,
            ">": passed,
            "<=": not passed,
            "==": reached and not passed,
            "!=": not reached or passed,
        }[comparison.operator]
