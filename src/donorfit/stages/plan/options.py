"""The option list and the build month after the work, with a reason for every change."""

from dataclasses import dataclass, replace

from donorfit.configuration import list_stored_options
from donorfit.equipment import RepairRequest, leftovers, repair
from donorfit.equipment.answers import Repair, RepairAnswer
from donorfit.errors import InputError, NotPossibleError
from donorfit.records.finding import Finding, Severity
from donorfit.records.plan import OptionChange
from donorfit.records.survey import Survey
from donorfit.stages.plan.choices import PlanChoices
from donorfit.vehicle.donor import DonorModule
from donorfit.vehicle.identity import BuildMonth, OptionName
from donorfit.vehicle.pack import Pack

_RIVALS = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class OptionPlan:
    """Declared options and build month before and after."""

    options_before: tuple[OptionName, ...]
    options_after: tuple[OptionName, ...]
    month_before: BuildMonth
    month_after: BuildMonth
    month_reason: str
    changes: tuple[OptionChange, ...]
    findings: tuple[Finding, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Presence:
    """What is physically there and what is not, and doubts about it."""

    fitted: tuple[OptionName, ...]
    not_fitted: tuple[OptionName, ...]
    findings: tuple[Finding, ...]


def _doubt(id_: str, severity: Severity, option: OptionName, what: str, next_step: str) -> Finding:
    return Finding(
        id=id_, severity=severity, what=what, where=f"option {option}", next_step=next_step
    )


def _find_shown(
    pack: Pack, survey: Survey, module: DonorModule
) -> tuple[set[OptionName], dict[OptionName, str]]:
    """Options whose units answer, and those whose units were asked in vain, with their titles."""
    shown: set[OptionName] = set()
    silent: dict[OptionName, str] = {}
    for unit in pack.units:
        read = survey.find_unit(unit.id)
        if unit.present_option is None:
            continue
        if unit.id == module.unit or (read is not None and read.answered):
            shown.add(unit.present_option)
        elif read is not None:
            silent[unit.present_option] = unit.title
    return shown, {option: silent[option] for option in sorted(silent) if option not in shown}


def find_presence(pack: Pack, survey: Survey, module: DonorModule) -> Presence:
    """Options shown by units that answer or stay silent, and by what the person says.

    The module's own unit counts as fitted: it is after the work.
    """
    said, denied = set(survey.fitted), set(survey.not_fitted)
    shown, silent = _find_shown(pack, survey, module)
    findings = [
        *(
            _doubt(
                "fitted-and-not",
                Severity.BLOCKING,
                option,
                f"{option} is said to be fitted and not to be fitted.",
                "Correct the survey.",
            )
            for option in sorted(said & denied)
        ),
        *(
            _doubt(
                "fitted-but-silent",
                Severity.WARNING,
                option,
                f"{title} is said to be fitted, but does not answer.",
                "Check its supply, fuse and wiring before anything is written.",
            )
            for option, title in silent.items()
            if option in said
        ),
        *(
            _doubt(
                "answers-but-denied",
                Severity.WARNING,
                option,
                f"{option} is said not to be fitted, but its unit is there; it counts as fitted.",
                "Correct the survey, or look for the unit.",
            )
            for option in sorted(shown & denied)
        ),
    ]
    return Presence(
        fitted=tuple(sorted(said | shown)),
        not_fitted=tuple(sorted((denied | set(silent)) - shown - said)),
        findings=tuple(findings),
    )


def _fits_module(module: DonorModule, month: BuildMonth) -> bool:
    return (module.month_from is None or month >= module.month_from) and (
        module.month_before is None or month < module.month_before
    )


def _list_candidates(pack: Pack, module: DonorModule, month: BuildMonth) -> list[BuildMonth]:
    """Months that the module works with, nearest first: its limits, and where rules change."""
    found = set(pack.rules.list_months()) | {pack.family_from}
    if module.month_from is not None:
        found.add(module.month_from)
    if module.month_before is not None:
        found.add(BuildMonth(module.month_before.ordinal - 1))
    found |= {BuildMonth(each.ordinal - 1) for each in pack.rules.list_months()}
    usable = [
        each
        for each in found
        if _fits_module(module, each) and pack.family_from <= each < pack.family_before
    ]
    return sorted(usable, key=lambda each: (abs(each.ordinal - month.ordinal), each))


def _explain_clash(answer: RepairAnswer) -> str:
    if answer.clash is None:
        return "no possible option list was found in time"
    facts = ", ".join(map(str, answer.clash.facts))
    rules = "; ".join(map(str, answer.clash.rules))
    return f"these cannot hold together: {facts} - because of {rules}"


def _solve(
    pack: Pack, module: DonorModule, request: RepairRequest, choices: PlanChoices
) -> tuple[RepairAnswer, str]:
    """The repairs, and why the module moves the build month; empty where it does not."""
    answer = repair(pack.rules, request)
    declared = request.month
    fitting = [each for each in answer.repairs if each.month and _fits_module(module, each.month)]
    if declared is None or fitting or not answer.repairs:
        return replace(answer, repairs=tuple(fitting)), ""
    limit = f"{module.title} needs a build month " + " and ".join(
        text
        for text in (
            f"from {module.month_from} on" if module.month_from else "",
            f"before {module.month_before}" if module.month_before else "",
        )
        if text
    )
    if choices.month_fixed:
        raise NotPossibleError(
            what=f"{limit}; {declared} is declared and must stay.",
            next_step="Let the build month change, or choose another module.",
        )
    for month in _list_candidates(pack, module, declared):
        moved = repair(pack.rules, replace(request, month=month, month_fixed=True))
        if moved.possible:
            return moved, f"{limit}; {month} is the nearest month with a possible option list"
    raise NotPossibleError(
        what=f"{limit}, but no option list is possible there.",
        why=_explain_clash(answer),
        next_step="Choose another module.",
    )


def _word_facts(
    pack: Pack, survey: Survey, module: DonorModule, presence: Presence, choices: PlanChoices
) -> dict[tuple[OptionName, bool], str]:
    """Why an option was given as a fact, in words; the weightiest fact last, so that it stays."""
    shown, _ = _find_shown(pack, survey, module)
    units = {each.present_option: each.title for each in pack.units if each.present_option}
    facts: dict[tuple[OptionName, bool], str] = {}
    facts |= {(each, True): "it was asked for" for each in choices.wanted}
    facts |= {(each, False): "it was asked to be taken out" for each in choices.unwanted}
    facts |= {(each, False): _word_absent(units.get(each)) for each in presence.not_fitted}
    facts |= {
        (each, True): f"{units[each]} is fitted" if each in shown else "it is said to be fitted"
        for each in presence.fitted
    }
    facts |= {(each, False): f"{module.title} cannot stand it" for each in module.options_off}
    facts |= {(each, True): f"{module.title} needs it" for each in module.options_on}
    return facts


def _word_absent(unit: str | None) -> str:
    return "it is said not to be fitted" if unit is None else f"{unit} does not answer"


def _list_changes(
    pack: Pack, chosen: Repair, facts: dict[tuple[OptionName, bool], str]
) -> tuple[OptionChange, ...]:
    stored = set(list_stored_options(pack, (*chosen.add, *chosen.remove)))
    return tuple(
        OptionChange(
            option=each.option,
            declared=each.on,
            reasons=(
                facts.get((each.option, each.on), each.reason),
                *map(str, each.rules),
            ),
        )
        for each in chosen.entries
        if each.option in stored
    )


def _report_rivals(answer: RepairAnswer, chosen: Repair) -> list[Finding]:
    """Other repairs that cost the same, and a search that did not come to its end."""
    findings = [
        Finding(
            id="equally-good-list",
            severity=Severity.NOTE,
            what="Another option list is just as small and cheap.",
            where="option list",
            why=f"Both cost {chosen.cost:g}. {answer.costs_reason}",
            evidence=(
                *(f"add {option}" for option in other.add),
                *(f"take out {option}" for option in other.remove),
                f"build month {other.month}",
            ),
            next_step="Choose the one that says what is really fitted.",
        )
        for other in answer.repairs
        if other is not chosen and other.cost == chosen.cost
    ]
    if not answer.proved:
        findings.append(
            Finding(
                id="list-not-proved",
                severity=Severity.WARNING,
                what="A smaller or cheaper change of the option list may exist.",
                where="option list",
                why="The search ended at its time limit.",
            )
        )
    return findings


def _report_leftovers(
    pack: Pack, module: DonorModule, presence: Presence, after: tuple[OptionName, ...]
) -> list[Finding]:
    """What stays declared though nothing supports it; nothing contradictory may stay."""
    left = leftovers(pack.rules, after, presence.fitted, module.options_on).leftovers
    wrong = [each for each in left if each.contradicted]
    findings = []
    if wrong:
        findings.append(
            Finding(
                id="contradiction-left",
                severity=Severity.BLOCKING,
                what=f"{len(wrong)} declared options still contradict what is fitted.",
                where="option list",
                evidence=tuple(f"{each.option}: {each.reason}" for each in wrong),
                next_step="Say which of them are really fitted, and plan again.",
            )
        )
    return findings


def plan_options(
    pack: Pack, survey: Survey, module: DonorModule, choices: PlanChoices
) -> OptionPlan:
    """Find the smallest and cheapest list with the module's needs and everything fitted in it.

    Raises:
        InputError: the build month is not known, or an option name is not.
        NotPossibleError: no such list exists; the facts and rules that clash are named.
    """
    if survey.month is None:
        raise InputError(
            what="The car's build month is not known.",
            where=f"survey of {survey.vin or 'a declared car'}",
            next_step="Read the option list again, or state the month in the declared survey.",
        )
    presence = find_presence(pack, survey, module)
    request = RepairRequest(
        declared=survey.options,
        on=tuple(sorted({*module.options_on, *choices.wanted})),
        off=tuple(sorted({*module.options_off, *choices.unwanted})),
        fitted=presence.fitted,
        not_fitted=presence.not_fitted,
        costs=tuple((name, float(cost)) for name, cost in choices.costs),
        month=survey.month,
        month_fixed=choices.month_fixed,
        top=max(_RIVALS, choices.repair + 1),
    )
    answer, moved_by_module = _solve(pack, module, request, choices)
    if not answer.possible or not answer.repairs:
        raise NotPossibleError(
            what=f"No option list is possible with {module.title} and what is fitted.",
            where=survey.vin,
            why=_explain_clash(answer),
            next_step="Take one of the named parts out, or choose another module.",
        )
    if choices.repair >= len(answer.repairs):
        raise InputError(
            what=f"The ways to change the option list are fewer: {len(answer.repairs)}.",
            next_step=f"Choose one from 0 to {len(answer.repairs) - 1}.",
        )
    chosen = answer.repairs[choices.repair]
    month_after = chosen.month or survey.month
    after = tuple(
        sorted(
            list_stored_options(pack, (set(survey.options) | set(chosen.add)) - set(chosen.remove))
        )
    )
    reason = moved_by_module or chosen.month_reason
    return OptionPlan(
        options_before=survey.options,
        options_after=after,
        month_before=survey.month,
        month_after=month_after,
        month_reason=reason if month_after != survey.month else "",
        changes=_list_changes(pack, chosen, _word_facts(pack, survey, module, presence, choices)),
        findings=(
            *presence.findings,
            *_report_rivals(answer, chosen),
            *_report_leftovers(pack, module, presence, after),
            *_report_month(pack, month_after),
        ),
    )


def _report_month(pack: Pack, month: BuildMonth) -> list[Finding]:
    if pack.family_from <= month < pack.family_before:
        return []
    return [
        Finding(
            id="month-outside-family",
            severity=Severity.WARNING,
            what=f"The build month {month} lies outside this family's.",
            where="option list",
            why=f"{pack.title} was built from {pack.family_from}, before {pack.family_before}.",
            next_step="Check the declared build month.",
        )
    ]
