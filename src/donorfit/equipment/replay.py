"""Replay an explanation: a small checker that shares nothing with what made it.

It looks at the rule base only (no clauses, no solver) and follows each step: from the premises,
with the rules that the step names and nothing else, the conclusion must follow.
"""

from collections.abc import Iterable, Mapping

from donorfit.equipment.answers import Clash, Role, Step
from donorfit.equipment.weighted_sums import JUDGES
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
    Window,
)

MOST_CASES = 10_000
"""Cases that are told apart where following the rules alone decides nothing."""

_Values = dict[int, bool]


def replay(rules: RuleBase, clash: Clash) -> list[str]:
    """What is wrong with an explanation; empty where every step follows.

    Typed options are out of its reach: a rule that mentions one is told as not checked.
    """
    names: dict[str, int] = {name: place for place, name in enumerate(rules.names)}
    known = {
        (f.option if f.on else f"!{f.option}") for f in clash.facts if f.role is not Role.MONTH
    }
    month = next((BuildMonth.parse(f.option) for f in clash.facts if f.role is Role.MONTH), None)
    wrong: list[str] = []
    ended = False
    for step in clash.steps:
        foreign = [p for p in step.premises if p not in known and not _is_true(p, month)]
        wrong += [f"step {step.number} rests on {each}, which is not known" for each in foreign]
        if not _follows(rules, names, step):
            wrong.append(f"step {step.number} does not follow")
        if step.conclusion:
            known.update(step.conclusion.split(" & "))
        else:
            ended = True
    if not ended:
        wrong.append("no step is a contradiction")
    return wrong


def _is_true(premise: str, month: BuildMonth | None) -> bool:
    """Whether a premise about the build month agrees with the month among the facts."""
    for sign, at_least in ((">=", True), ("<", False)):
        head, found, limit = premise.partition(sign)
        if found and head == "month":
            return month is not None and (month >= BuildMonth.parse(limit)) == at_least
    return False


def _follows(rules: RuleBase, names: Mapping[str, int], step: Step) -> bool:
    """Whether a step follows in every build month that its premises leave open."""
    limits = rules.list_months()
    every = (*limits, BuildMonth(limits[0].ordinal - 1)) if limits else (BuildMonth(0),)
    about = [premise for premise in step.premises if premise.startswith("month")]
    for month in every:
        if not all(_is_true(premise, month) for premise in about):
            continue
        checker = _StepChecker(rules, names, month)
        for conclusion in step.conclusion.split(" & "):
            if conclusion.startswith("month") and _is_true(conclusion, month):
                continue
            if not checker.refutes(step, conclusion):
                return False
    return True


class _StepChecker:
    """Three-valued judgement of the rules of one step."""

    def __init__(
        self, rules: RuleBase, names: Mapping[str, int], month: BuildMonth | None
    ) -> None:
        self._rules = rules
        self._names = names
        self._month = month

    def refutes(self, step: Step, conclusion: str) -> bool:
        """Whether premises, rules and the opposite of the conclusion contradict one another."""
        values: _Values = {}
        for premise in step.premises:
            if not premise.startswith("month"):
                self._set(values, premise, on=True)
        if conclusion and not conclusion.startswith("month"):
            self._set(values, conclusion, on=False)
        waiting = [values]
        for _ in range(MOST_CASES):
            if not waiting:
                return True
            values = waiting.pop()
            if self._settle(step.rules, values):
                continue
            open_one = self._find_open(step.rules, values)
            if open_one < 0:
                return False
            waiting += [{**values, open_one: True}, {**values, open_one: False}]
        return False

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

    def _set(self, values: _Values, literal: str, *, on: bool) -> None:
        negative = literal.startswith("!")
        values[self._names[literal.removeprefix("!")]] = on != negative

    def _narrow(self, rule: RuleReference, values: _Values) -> None:
        """Settle options of a rule that can only be one way."""
        for option in self._list_options(rule):
            if option in values:
                continue
            for value in (True, False):
                if self._judge(rule, {**values, option: value}) is False:
                    values[option] = not value
                    break

    def _list_options(self, rule: RuleReference) -> list[int]:
        rules = self._rules
        if rule.kind is RuleKind.RULE:
            cross = self._find_rule(rule)
            weighed = [o for c in rules.rules[cross].comparisons for o, _ in c.weights]
            return [o for o in (*rules.rules[cross].formula, *weighed) if o >= 0]
        if rule.kind is RuleKind.GROUP:
            group = self._find_group(rule)
            return [rules.group_parents[group], *rules.group_members[group]]
        option = self._find_option(rule)
        parent = rules.parents[option]
        return [option] if parent < 0 else [option, parent]

    def _find_rule(self, rule: RuleReference) -> int:
        return next(place for place, each in enumerate(self._rules.rules) if each.id == rule.id)

    def _find_group(self, rule: RuleReference) -> int:
        rules = self._rules
        return next(
            group
            for group, line in enumerate(rules.group_lines)
            if line == rule.line and rules.get_file(rules.group_parents[group]) == rule.file
        )

    def _find_option(self, rule: RuleReference) -> int:
        rules = self._rules
        if rule.kind is RuleKind.ROOT:
            return rules.parents.index(-1)
        return next(
            option
            for option, line in enumerate(rules.lines)
            if line == rule.line and rules.get_file(option) == rule.file
        )

    def _judge(self, rule: RuleReference, values: _Values) -> bool | None:
        """True, false, or None while options are open."""
        rules = self._rules
        if rule.kind is RuleKind.RULE:
            return self._judge_formula(self._find_rule(rule), values)
        if rule.kind is RuleKind.GROUP:
            return self._judge_group(self._find_group(rule), values)
        option = self._find_option(rule)
        if rule.kind is RuleKind.ROOT:
            return values.get(option)
        if rule.kind is RuleKind.WINDOW:
            window = next(w.window for w in rules.windows if w.option == option)
            return _imply(values.get(option), self._is_inside(window))
        first, second = option, rules.parents[option]
        if rule.kind is RuleKind.MANDATORY:
            first, second = second, first
        return _imply(values.get(first), values.get(second))

    def _is_inside(self, window: Window) -> bool | None:
        return None if self._month is None else window.holds(self._month)

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
        return _imply(values.get(rules.group_parents[group]), holds)

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
            return _imply(self._is_inside(rule.window), stack[0])
        return stack[0]

    def _compare(self, comparison: Comparison, values: _Values) -> bool | None:
        judge = JUDGES[comparison.operator]
        if comparison.subject is Subject.MONTH:
            return None if self._month is None else judge(self._month.ordinal, comparison.bound)  # type: ignore[arg-type]
        if comparison.subject is not Subject.WEIGHTS:
            return None
        if any(option not in values for option, _ in comparison.weights):
            return None
        total = sum(weight for option, weight in comparison.weights if values[option])
        return judge(total, comparison.bound)  # type: ignore[arg-type]


def _imply(left: bool | None, right: bool | None) -> bool | None:  # noqa: FBT001 - truth values
    if left is False or right is True:
        return True
    return None if left is None or right is None else right


def _join(code: int, left: bool | None, right: bool | None) -> bool | None:  # noqa: FBT001
    if code == IMPLIES:
        return _imply(left, right)
    if code == OR:
        return _imply(None if left is None else not left, right)
    if code == EQUIVALENT:
        return None if left is None or right is None else left == right
    if code == AND and (left is False or right is False):
        return False
    return None if left is None or right is None else True
