"""Judge rules one at a time while some options are open: the checker behind ``replay``.

It looks at the columns of the rule base and nothing else: no clauses, no solver, none of the
propagation that makes explanations.
"""

import math
import operator
from collections.abc import Callable, Iterable, Mapping, Sequence
from fractions import Fraction
from itertools import pairwise, product

from donorfit.vehicle.identity import BuildMonth
from donorfit.vehicle.rules import (
    AND,
    COMPARISON_BASE,
    EQUIVALENT,
    FALSE,
    IMPLIES,
    NOT,
    OR,
    TRUE,
    Comparison,
    GroupKind,
    RuleBase,
    RuleKind,
    RuleReference,
    Subject,
)

MOST_CASES = 10_000
"""Cases that are told apart where following the rules alone decides nothing."""

Chosen = Fraction | str
"""Value of one typed option."""

JUDGES: dict[str, Callable[[Fraction, Fraction], bool]] = {
    "==": operator.eq,
    "!=": operator.ne,
    "<": operator.lt,
    "<=": operator.le,
    ">": operator.gt,
    ">=": operator.ge,
}

_Values = dict[int, bool]


class TooManyCasesError(Exception):
    """Something cannot be decided within :data:`MOST_CASES` cases."""


class RuleJudge:
    """Judges rules while some options are still open: true, false or None for open."""

    def __init__(
        self,
        rules: RuleBase,
        places: Mapping[RuleReference, int],
        month: BuildMonth,
        chosen: Mapping[int, Chosen],
    ) -> None:
        self._rules = rules
        self._places = places
        self._month = month
        self._chosen = chosen

    def refutes(self, given: Mapping[int, bool], rules: Sequence[RuleReference]) -> bool:
        """Whether options as given and some rules contradict one another.

        Raises:
            TooManyCasesError: more than :data:`MOST_CASES` cases would have to be told apart.
        """
        waiting = [dict(given)]
        for _ in range(MOST_CASES):
            if not waiting:
                return True
            values = waiting.pop()
            if self._settle(rules, values):
                continue
            open_one = self._find_open(rules, values)
            if open_one < 0:
                return False
            waiting += [{**values, open_one: True}, {**values, open_one: False}]
        raise TooManyCasesError

    def _settle(self, rules: Iterable[RuleReference], values: _Values) -> bool:
        """Follow the rules as far as they go; whether they end in a contradiction."""
        before = -1
        while len(values) > before:
            before = len(values)
            for rule in rules:
                if self._judge(rule, values) is False:
                    return True
                self._narrow(rule, values)
        return False

    def _find_open(self, rules: Iterable[RuleReference], values: _Values) -> int:
        """An option that no rule has settled yet; -1 where there is none."""
        return next((o for r in rules for o in self._list_options(r) if o not in values), -1)

    def _narrow(self, rule: RuleReference, values: _Values) -> None:
        """Settle options of a rule that can only be one way."""
        options = [o for o in self._list_options(rule) if o not in values]
        alike: Sequence[int] = ()
        if rule.kind is RuleKind.GROUP and len(options) > 1:
            # members of a group are counted only: what settles one open member settles all
            members = self._rules.group_members[self._places[rule]]
            alike = [o for o in options if o in members]
            options = [o for o in options if o not in members] + list(alike[:1])
        for option in options:
            for value in (True, False):
                if self._judge(rule, {**values, option: value}) is False:
                    values.update(
                        dict.fromkeys(alike if option in alike else (option,), not value)
                    )
                    break

    def _list_options(self, rule: RuleReference) -> list[int]:
        """Options that a rule is about."""
        rules = self._rules
        if rule.kind is RuleKind.RULE:
            cross = self._places[rule]
            weighed = [o for c in rules.rules[cross].comparisons for o, _ in c.weights]
            return [o for o in (*rules.rules[cross].formula, *weighed) if o >= 0]
        if rule.kind is RuleKind.GROUP:
            group = self._places[rule]
            return [rules.group_parents[group], *rules.group_members[group]]
        option = self._places[rule]
        parent = rules.parents[option]
        return [option] if parent < 0 else [option, parent]

    def _judge(self, rule: RuleReference, values: _Values) -> bool | None:
        """True, false, or None while options are open."""
        rules = self._rules
        if rule.kind is RuleKind.RULE:
            return self._judge_formula(self._places[rule], values)
        if rule.kind is RuleKind.GROUP:
            return self._judge_group(self._places[rule], values)
        option = self._places[rule]
        if rule.kind is RuleKind.ROOT:
            return values.get(option)
        if rule.kind is RuleKind.WINDOW:
            window = next(w.window for w in rules.windows if w.option == option)
            return imply(values.get(option), window.holds(self._month))
        first, second = option, rules.parents[option]
        if rule.kind is RuleKind.MANDATORY:
            first, second = second, first
        return imply(values.get(first), values.get(second))

    def _judge_group(self, group: int, values: _Values) -> bool | None:
        rules = self._rules
        members = rules.group_members[group]
        low, high = rules.group_lows[group], rules.group_highs[group]
        if rules.group_kinds[group] is GroupKind.MANDATORY:
            low = len(members)
        on = sum(values.get(member) is True for member in members)
        possible = sum(values.get(member) is not False for member in members)
        if high == 1 and on > 1:
            return False
        holds = False if on > high or possible < low else None
        holds = True if low <= on and possible <= high else holds
        return imply(values.get(rules.group_parents[group]), holds)

    def _judge_formula(self, place: int, values: _Values) -> bool | None:
        rule = self._rules.rules[place]
        stack: list[bool | None] = []
        for code in rule.formula:
            if code >= 0:
                stack.append(values.get(code))
            elif code in {TRUE, FALSE}:
                stack.append(code == TRUE)
            elif code <= COMPARISON_BASE:
                stack.append(self._compare(rule.comparisons[COMPARISON_BASE - code], values))
            elif code == NOT:
                stack[-1] = None if stack[-1] is None else not stack[-1]
            else:
                right = stack.pop()
                stack[-1] = _join(code, stack[-1], right)
        if rule.window.limited:
            return imply(rule.window.holds(self._month), stack[0])
        return stack[0]

    def _compare(self, comparison: Comparison, values: _Values) -> bool | None:
        judge = JUDGES[comparison.operator]
        match comparison.subject:
            case Subject.MONTH:
                return judge(Fraction(self._month.ordinal), comparison.bound)
            case Subject.TEXT:
                same = self._chosen[comparison.option] == comparison.literal
                return same == (comparison.operator == "==")
            case Subject.NUMBER:
                return judge(Fraction(self._chosen[comparison.option]), comparison.bound)
            case Subject.WEIGHTS:
                return self._compare_sum(comparison, values)

    def _compare_sum(self, comparison: Comparison, values: _Values) -> bool | None:
        if any(option not in values for option, _ in comparison.weights):
            return None
        added = (weight for option, weight in comparison.weights if values[option])
        return JUDGES[comparison.operator](sum(added, Fraction(0)), comparison.bound)


def find_place(rules: RuleBase, rule: RuleReference) -> int:
    """Place of what a reference names: a rule across the tree, a group, or an option.

    Raises:
        LookupError: the rule base has nothing of that kind, id, file and line.
    """
    if rule.kind is RuleKind.RULE:
        found = (
            place
            for place, each in enumerate(rules.rules)
            if (each.id, each.file, each.line) == (rule.id, rule.file, rule.line)
            and (each.window, each.text) == (rule.window, rule.text)
        )
    elif rule.kind is RuleKind.GROUP:
        found = (
            group
            for group, line in enumerate(rules.group_lines)
            if line == rule.line and rules.get_file(rules.group_parents[group]) == rule.file
        )
    elif rule.kind is RuleKind.ROOT:
        found = (place for place, parent in enumerate(rules.parents) if parent == -1)
    else:
        found = (
            option
            for option, line in enumerate(rules.lines)
            if line == rule.line
            and rules.get_file(option) == rule.file
            and _has_rule(rules, option, rule.kind)
        )
    place = next(found, None)
    if place is None:
        raise LookupError(rule.id)
    return place


def _has_rule(rules: RuleBase, option: int, kind: RuleKind) -> bool:
    """Whether a rule of that kind hangs on an option at all."""
    if kind is RuleKind.WINDOW:
        return any(each.option == option for each in rules.windows)
    if kind is RuleKind.MANDATORY:
        group = rules.group_of[option]
        return group >= 0 and rules.group_kinds[group] is GroupKind.MANDATORY
    return rules.parents[option] >= 0


def list_choices(rules: RuleBase, used: Iterable[int]) -> list[dict[int, Chosen]]:
    """Values of typed options that the comparisons of some rules can tell apart, all together.

    Args:
        rules: the rules.
        used: places of rules across the tree.

    Raises:
        TooManyCasesError: there are more than :data:`MOST_CASES`.
    """
    found: dict[int, dict[Chosen, None]] = {}
    types = dict(rules.types)
    comparisons = [each for place in used for each in rules.rules[place].comparisons]
    for each in comparisons:
        if each.subject is Subject.TEXT:
            found.setdefault(each.option, {})[each.literal] = None
        elif each.subject is Subject.NUMBER:
            low, high = Fraction(math.floor(each.bound)), Fraction(math.ceil(each.bound))
            near = [place + step for place in (low, each.bound, high) for step in (-1, 0, 1)]
            found.setdefault(each.option, {}).update(dict.fromkeys(near))
    for option, values in found.items():
        kind = types.get(option)
        if kind == "String":
            values["\n" + "\n".join(map(str, values))] = None  # no text of one line is this one
        elif kind == "Integer":
            found[option] = {n: None for n in values if Fraction(n).denominator == 1}
        else:
            numbers = sorted(Fraction(value) for value in values)
            values.update(dict.fromkeys((a + b) / 2 for a, b in pairwise(numbers)))
    if math.prod(map(len, found.values())) > MOST_CASES:
        raise TooManyCasesError
    return [dict(zip(found, each, strict=True)) for each in product(*found.values())]


def imply(left: bool | None, right: bool | None) -> bool | None:  # noqa: FBT001 - truth values
    """Truth of "if left then right", where either may be open."""
    if left is False or right is True:
        return True
    return None if left is None or right is None else right


def _join(code: int, left: bool | None, right: bool | None) -> bool | None:  # noqa: FBT001
    if code == IMPLIES:
        return imply(left, right)
    if code == OR:
        return imply(None if left is None else not left, right)
    if code == EQUIVALENT:
        return None if left is None or right is None else left == right
    if code == AND and (left is False or right is False):
        return False
    return None if left is None or right is None else True
