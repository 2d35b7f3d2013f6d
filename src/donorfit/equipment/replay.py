"""Replay explanations: a small checker that shares nothing with what made them.

It looks at the rule base only (no clauses, no solver) and follows each step: from the premises,
with the rules that the step names and nothing else, the conclusion must follow. Then it drops each
fact and each rule of the clash in turn: the rest must leave some list possible.
"""

import re
from collections.abc import Iterable, Mapping, Sequence

from donorfit.equipment.answer_parts import ReplayAnswer, ReplayedClash
from donorfit.equipment.answers import Clash, Fact, Role, Step
from donorfit.equipment.rule_judge import (
    RuleJudge,
    TooManyCasesError,
    find_place,
    list_choices,
)
from donorfit.vehicle.identity import BuildMonth
from donorfit.vehicle.rules import RuleBase, RuleKind, RuleReference

_LIMIT = re.compile(r"month(>=|<)(\d{4}-(?:0[1-9]|1[0-2]))")
_MONTH = re.compile(r"\d{4}-(?:0[1-9]|1[0-2])")


def replay(rules: RuleBase, clashes: Iterable[Clash]) -> ReplayAnswer:
    """Follow explanations again, with the rules alone.

    Args:
        rules: the rules that the explanations speak of.
        clashes: those of an answer to ``why``, ``repair``, ``implied`` or ``facts``.
    """
    found = tuple(_replay(rules, clash) for clash in clashes)
    return ReplayAnswer(
        sound=all(not (each.wrong or each.needless or each.undecided) for each in found),
        clashes=found,
    )


def _replay(rules: RuleBase, clash: Clash) -> ReplayedClash:
    named = dict.fromkeys(clash.rules) | dict.fromkeys(r for s in clash.steps for r in s.rules)
    places: dict[RuleReference, int] = {}
    wrong: list[str] = []
    for rule in named:
        try:
            places[rule] = find_place(rules, rule)
        except LookupError:
            where = f"{rule.file}:{rule.line}"
            wrong.append(f"the rules have no {rule.id} in {where} as the answer quotes it")
    literals = [each for each in _list_literals(clash) if not _is_limit(each)]
    names: dict[str, int] = {name: place for place, name in enumerate(rules.names)}
    unknown = {each.removeprefix("!") for each in literals} - names.keys()
    wrong += [f"the rules know no option {name!r}" for name in sorted(unknown)]
    wrong += [
        f"{fact.option!r} is no build month that is declared"
        for fact in clash.facts
        if _is_month(fact) and not (fact.on and _MONTH.fullmatch(fact.option))
    ]
    if sum(map(_is_month, clash.facts)) > 1:
        wrong.append("it names more than one build month")
    undecided: list[str] = []
    needless: list[str] = []
    if not wrong:
        checker = _Checker(rules, places, names)
        wrong += checker.list_flaws(clash, undecided)
        needless += checker.list_needless(clash, undecided)
    return ReplayedClash(
        steps=len(clash.steps),
        facts=len(clash.facts),
        rules=len(clash.rules),
        wrong=tuple(wrong),
        needless=tuple(needless),
        undecided=tuple(undecided),
    )


def _list_literals(clash: Clash) -> list[str]:
    found = [fact.option for fact in clash.facts if fact.role is not Role.MONTH]
    for step in clash.steps:
        found += [*step.premises, *filter(None, step.conclusion.split(" & "))]  # type: ignore[list-item]
    return list(dict.fromkeys(found))


def _is_limit(literal: str) -> bool:
    """Whether a signed name is one of the build month: ``month>=2021-07``, ``month<2021-07``."""
    return _LIMIT.fullmatch(literal) is not None


def _agrees(premise: str, month: BuildMonth) -> bool:
    """Whether such a limit is true of a build month."""
    match = _LIMIT.fullmatch(premise)
    return match is not None and (month >= BuildMonth.parse(match[2])) == (match[1] == ">=")


class _Checker:
    """Follows clashes of one rule base."""

    def __init__(
        self, rules: RuleBase, places: Mapping[RuleReference, int], names: Mapping[str, int]
    ) -> None:
        self._rules = rules
        self._places = places
        self._names = names
        limits = rules.list_months()
        before = [BuildMonth(limits[0].ordinal - 1)] if limits else [BuildMonth(0)]
        self._months = (*before, *limits)

    def list_flaws(self, clash: Clash, undecided: list[str]) -> list[str]:
        """Steps that do not follow, or rest on something that is not known."""
        known = {f.option if f.on else f"!{f.option}" for f in clash.facts}
        told = next((BuildMonth.parse(f.option) for f in clash.facts if _is_month(f)), None)
        listed = set(clash.rules)
        wrong: list[str] = []
        ended = False
        for step in clash.steps:
            where = f"step {step.number}"
            wrong += [
                f"{where} rests on {each}, which is not known"
                for each in step.premises
                if each not in known and (told is None or not _agrees(each, told))
            ]
            foreign = [rule.id for rule in step.rules if rule not in listed]
            wrong += [f"{where} uses {name}, which the clash does not list" for name in foreign]
            try:
                if not self._follows(step):
                    wrong.append(f"{where} does not follow")
            except TooManyCasesError:
                undecided.append(f"{where}: too many cases to tell apart")
            if step.conclusion:
                known.update(step.conclusion.split(" & "))
            else:
                ended = True
        if not ended:
            wrong.append("no step is a contradiction")
        return wrong

    def _follows(self, step: Step) -> bool:
        """Whether a step follows in every build month that its premises leave open."""
        about = [premise for premise in step.premises if _is_limit(premise)]
        given = self._read(each for each in step.premises if not _is_limit(each))
        for month in self._months:
            if not all(_agrees(premise, month) for premise in about):
                continue
            for conclusion in step.conclusion.split(" & "):
                if _agrees(conclusion, month):
                    continue
                opposite = conclusion and not _is_limit(conclusion)
                more = {o: not v for o, v in self._read([conclusion]).items()} if opposite else {}
                if any(given.get(o, v) != v for o, v in more.items()):
                    continue
                if not self._refutes({**given, **more}, step.rules, month):
                    return False
        return True

    def _read(self, literals: Iterable[str]) -> dict[int, bool]:
        """Options and values of signed names."""
        return {self._names[x.removeprefix("!")]: not x.startswith("!") for x in literals}

    def _refutes(
        self, given: Mapping[int, bool], used: Sequence[RuleReference], month: BuildMonth
    ) -> bool:
        """Whether options and rules contradict one another, whatever typed options are worth."""
        across = [self._places[rule] for rule in used if rule.kind is RuleKind.RULE]
        return all(
            RuleJudge(self._rules, self._places, month, chosen).refutes(given, used)
            for chosen in list_choices(self._rules, across)
        )

    def list_needless(self, clash: Clash, undecided: list[str]) -> list[str]:
        """Facts and rules without which the others still leave no list possible."""
        found: list[str] = []
        for fact in clash.facts:
            rest = [each for each in clash.facts if each is not fact]
            if self._clashes(rest, clash.rules, undecided):
                found.append(f"{fact} is not needed")
        for rule in clash.rules:
            kept = [each for each in clash.rules if each is not rule]
            if self._clashes(clash.facts, kept, undecided):
                found.append(f"{rule.id} is not needed")
        return found

    def _clashes(
        self, facts: Sequence[Fact], used: Sequence[RuleReference], undecided: list[str]
    ) -> bool:
        """Whether facts and rules leave no list possible in any month that the facts allow."""
        told = next((BuildMonth.parse(f.option) for f in facts if _is_month(f)), None)
        given = {self._names[f.option]: f.on for f in facts if not _is_month(f)}
        try:
            return all(
                self._refutes(given, used, month)
                for month in ((told,) if told is not None else self._months)
            )
        except TooManyCasesError:
            undecided.append("whether everything is needed: too many cases to tell apart")
            return False


def _is_month(fact: Fact) -> bool:
    return fact.role is Role.MONTH
