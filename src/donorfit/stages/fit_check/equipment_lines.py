"""Options and build month: met, met after which changes, or not possible and why."""

from collections.abc import Collection, Iterable
from dataclasses import dataclass, replace

from donorfit.equipment import check, repair
from donorfit.equipment.answers import (
    BrokenRule,
    Clash,
    Repair,
    RepairAnswer,
    RepairEntry,
    RepairRequest,
)
from donorfit.records.finding import Finding, Severity
from donorfit.records.fit_report import FitLine, Subject, Verdict
from donorfit.stages.fit_check.case import Answer, Case
from donorfit.vehicle.identity import BuildMonth, OptionName
from donorfit.vehicle.rules import RuleReference

MOST_NAMED = 12
RIVALS = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class _Wishes:
    """What has to hold in the option list, and what is a fact."""

    declared: tuple[OptionName, ...]
    on: tuple[OptionName, ...]
    off: tuple[OptionName, ...]
    fitted: tuple[OptionName, ...]
    not_fitted: tuple[OptionName, ...]
    month: BuildMonth | None


def check_equipment(case: Case) -> Answer:
    """One line an option that is needed or forbidden, one for the rest of the list, the month."""
    known = frozenset(case.pack.rules.names)
    if not known:
        return Answer(lines=(_say_no_rules(),))
    wishes, findings = _collect(case, known)
    clashes = _list_plain_clashes(wishes)
    if clashes:
        line = FitLine(
            subject=Subject.OPTIONS,
            title="option list",
            verdict=Verdict.IMPOSSIBLE,
            reason="; ".join(clashes),
        )
        return Answer(lines=(line,), findings=findings)
    if not case.survey.options:
        return Answer(lines=(*_list_unknown(wishes), _judge_month(case, None)), findings=findings)
    answer = _find_repair(case, wishes)
    best = answer.repairs[0] if answer.repairs else None
    lines = [_judge_option(name, wishes, best, answer, on=True) for name in wishes.on]
    lines += [_judge_option(name, wishes, best, answer, on=False) for name in wishes.off]
    lines.append(_judge_list(case, wishes, best, answer))
    lines.append(_judge_month(case, best if best is not None else answer))
    return Answer(lines=tuple(lines), findings=findings)


def _collect(case: Case, known: Collection[str]) -> tuple[_Wishes, tuple[Finding, ...]]:
    """Wishes in names that the rules know; the others are said."""
    survey, module = case.survey, case.module
    present = (case.unit.present_option,) if case.unit.present_option is not None else ()
    fitted, not_fitted = _find_presence(case)
    asked = (*survey.options, *module.options_on, *module.options_off, *present)
    unknown = sorted({each for each in (*asked, *fitted, *not_fitted) if each not in known})
    wishes = _Wishes(
        declared=tuple(each for each in survey.options if each in known),
        on=tuple(each for each in dict.fromkeys((*present, *module.options_on)) if each in known),
        off=tuple(each for each in dict.fromkeys(module.options_off) if each in known),
        fitted=tuple(each for each in fitted if each in known),
        not_fitted=tuple(each for each in not_fitted if each in known),
        month=survey.month,
    )
    if not unknown:
        return wishes, ()
    finding = Finding(
        id="option-unknown",
        severity=Severity.WARNING,
        what=f"The rules do not know {_name(unknown)}.",
        where="option list",
        why="what follows from an unknown option cannot be worked out",
        evidence=tuple(unknown),
        next_step="correct the spelling, or complete the pack",
    )
    return wishes, (finding,)


def _find_presence(case: Case) -> tuple[list[OptionName], list[OptionName]]:
    """Options that are physically there or not: units that answer, silent ones, the person.

    The module's own unit counts as fitted: it is after the work.
    """
    shown, silent = set(), set()
    for unit in case.pack.units:
        if unit.present_option is None:
            continue
        if unit.id == case.unit.id or case.answers(unit.id):
            shown.add(unit.present_option)
        elif case.answers(unit.id) is False:
            silent.add(unit.present_option)
    said, denied = set(case.survey.fitted), set(case.survey.not_fitted)
    return sorted(said | shown), sorted((denied | silent) - shown - said)


def _list_plain_clashes(wishes: _Wishes) -> list[str]:
    """Contradictions that need no rule."""
    pairs = (
        (wishes.on, wishes.off, "both needed and forbidden by the module"),
        (wishes.on, wishes.not_fitted, "needed by the module, but it is not in the car"),
        (wishes.off, wishes.fitted, "forbidden by the module, but it is fitted"),
    )
    return [
        f"{option} is {text}"
        for first, second, text in pairs
        for option in first
        if option in second
    ]


def _find_repair(case: Case, wishes: _Wishes) -> RepairAnswer:
    """Repairs of which the first is the cheapest whose month suits the module too."""
    request = RepairRequest(
        declared=wishes.declared,
        on=tuple(sorted(set(case.module.options_on) & set(wishes.on))),
        off=tuple(sorted(wishes.off)),
        fitted=wishes.fitted,
        not_fitted=wishes.not_fitted,
        month=wishes.month,
        top=RIVALS,
    )
    answer = repair(case.pack.rules, request)
    suited = tuple(
        each for each in answer.repairs if each.month is None or _suits(case, each.month)
    )
    if suited or not answer.repairs or wishes.month is None:
        return replace(answer, repairs=suited)
    for month in _list_months(case, wishes.month):
        moved = repair(case.pack.rules, replace(request, month=month, month_fixed=True))
        if moved.repairs:
            return moved
    return replace(answer, possible=False, repairs=())


def _suits(case: Case, month: BuildMonth) -> bool:
    low, high = case.module.month_from, case.module.month_before
    return (low is None or month >= low) and (high is None or month < high)


def _list_months(case: Case, month: BuildMonth) -> list[BuildMonth]:
    """Months that the module works with, nearest first: its limits, and where rules change."""
    changes = case.pack.rules.list_months()
    found = {*changes, *(BuildMonth(each.ordinal - 1) for each in changes), case.pack.family_from}
    if case.module.month_from is not None:
        found.add(case.module.month_from)
    if case.module.month_before is not None:
        found.add(BuildMonth(case.module.month_before.ordinal - 1))
    usable = [
        each
        for each in found
        if _suits(case, each) and case.pack.family_from <= each < case.pack.family_before
    ]
    return sorted(usable, key=lambda each: (abs(each.ordinal - month.ordinal), each))


def _judge_option(
    option: OptionName, wishes: _Wishes, best: Repair | None, answer: RepairAnswer, *, on: bool
) -> FitLine:
    title = f"{option} {'declared' if on else 'not declared'}"
    if (option in wishes.declared) is on:
        state = "it is declared" if on else "it is not declared"
        return FitLine(subject=Subject.OPTIONS, title=title, verdict=Verdict.MET, reason=state)
    state = "it is not declared" if on else "it is declared"
    if best is None:
        verdict = Verdict.UNKNOWN if answer.seconds_used_up else Verdict.IMPOSSIBLE
        reason = f"{state}; {_say_clash(answer)}"
        return FitLine(subject=Subject.OPTIONS, title=title, verdict=verdict, reason=reason)
    return FitLine(
        subject=Subject.OPTIONS,
        title=title,
        verdict=Verdict.AFTER_CHANGE,
        reason=state,
        change=f"{'declare' if on else 'take out'} {option}",
        evidence=tuple(
            str(rule) for entry in best.entries if entry.option == option for rule in entry.rules
        ),
    )


def _judge_list(case: Case, wishes: _Wishes, best: Repair | None, answer: RepairAnswer) -> FitLine:
    """The list as a whole: what else has to change so that every rule holds."""
    title = "option list as a whole"
    if best is None:
        late = answer.seconds_used_up
        return FitLine(
            subject=Subject.OPTIONS,
            title=title,
            verdict=Verdict.UNKNOWN if late else Verdict.IMPOSSIBLE,
            reason="the search ran out of time" if late else _say_clash(answer),
            evidence=_list_evidence(answer.clash.rules) if answer.clash else (),
        )
    others = [entry for entry in best.entries if entry.option not in {*wishes.on, *wishes.off}]
    if not others:
        return FitLine(
            subject=Subject.OPTIONS,
            title=title,
            verdict=Verdict.MET,
            reason="no other entry has to change",
        )
    now = check(case.pack.rules, wishes.declared, wishes.month)
    more = "1 further entry has" if len(others) == 1 else f"{len(others)} further entries have"
    return FitLine(
        subject=Subject.OPTIONS,
        title=title,
        verdict=Verdict.AFTER_CHANGE,
        reason=f"{more} to change so that every rule holds",
        change="; ".join(_say_deed(entry) for entry in others),
        evidence=(
            *(_say_entry(entry) for entry in others),
            *_say_broken_now(now.broken),
        ),
    )


def _say_deed(entry: RepairEntry) -> str:
    return f"{'declare' if entry.on else 'take out'} {entry.option}"


def _say_entry(entry: RepairEntry) -> str:
    """The deed, why, and the rules by id and line."""
    rules = ", ".join(f"{rule.id}, {rule.file}:{rule.line}" for rule in entry.rules)
    return f"{_say_deed(entry)}: {entry.reason}" + (f" [{rules}]" if rules else "")


def _say_broken_now(broken: tuple[BrokenRule, ...]) -> tuple[str, ...]:
    return tuple(f"broken already: {each.sentence}" for each in broken[:MOST_NAMED])


def _list_evidence(rules: Iterable[RuleReference]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(str(rule) for rule in rules))


def _say_clash(answer: RepairAnswer) -> str:
    clash: Clash | None = answer.clash
    if clash is None:
        return "no option list satisfies every rule in a month that the module works with"
    facts = "; ".join(str(fact) for fact in clash.facts[:MOST_NAMED])
    return f"these cannot hold together: {facts}" if facts else "the rules contradict one another"


def _judge_month(case: Case, outcome: Repair | RepairAnswer | None) -> FitLine:
    subject, title = Subject.BUILD_MONTH, "build month"
    month = case.survey.month
    window = _say_window(case)
    if month is None:
        reason = f"the car's declared month is not known{window}"
        return FitLine(subject=subject, title=title, verdict=Verdict.UNKNOWN, reason=reason)
    if isinstance(outcome, RepairAnswer):
        reason = "no month makes the option list possible"
        return FitLine(subject=subject, title=title, verdict=Verdict.IMPOSSIBLE, reason=reason)
    if outcome is None:
        fits = _suits(case, month)
        verdict = Verdict.UNKNOWN if fits else Verdict.AFTER_CHANGE
        reason = "what the options ask of it is not known" if fits else f"it is {month}{window}"
        return FitLine(subject=subject, title=title, verdict=verdict, reason=reason)
    after = outcome.month if outcome.month is not None else month
    if after == month:
        reason = f"{month} can stay{window}"
        return FitLine(subject=subject, title=title, verdict=Verdict.MET, reason=reason)
    why = outcome.month_reason or f"{month} is outside what the module works with"
    return FitLine(
        subject=subject,
        title=title,
        verdict=Verdict.AFTER_CHANGE,
        reason=f"{why}{window}",
        change=f"declare {after} instead of {month}",
        evidence=_list_evidence(outcome.month_rules),
    )


def _say_window(case: Case) -> str:
    parts = []
    if case.module.month_from is not None:
        parts.append(f"from {case.module.month_from}")
    if case.module.month_before is not None:
        parts.append(f"before {case.module.month_before}")
    return f"; the module works with cars built {' and '.join(parts)}" if parts else ""


def _list_unknown(wishes: _Wishes) -> tuple[FitLine, ...]:
    reason = "the car's option list is not known"
    titles = [f"{name} declared" for name in wishes.on]
    titles += [f"{name} not declared" for name in wishes.off]
    return tuple(
        FitLine(subject=Subject.OPTIONS, title=title, verdict=Verdict.UNKNOWN, reason=reason)
        for title in (*titles, "option list as a whole")
    )


def _say_no_rules() -> FitLine:
    return FitLine(
        subject=Subject.OPTIONS,
        title="option list",
        verdict=Verdict.UNKNOWN,
        reason="the pack has no options and no rules",
    )


def _name(options: list[OptionName]) -> str:
    more = f" and {len(options) - MOST_NAMED} more" if len(options) > MOST_NAMED else ""
    return ", ".join(options[:MOST_NAMED]) + more
