"""The cheapest minimal changes that make an option list possible."""

from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction

from donorfit.equipment.answer_parts import FrontPoint, RepairPart
from donorfit.equipment.answers import (
    Clash,
    Repair,
    RepairAnswer,
    RepairEntry,
    RepairRequest,
)
from donorfit.equipment.compiled import Compiled, compile_rules
from donorfit.equipment.costs import Costs, list_costs
from donorfit.equipment.explain import explain_facts
from donorfit.equipment.formula_clauses import Clause
from donorfit.equipment.least_cost import find_least_cost
from donorfit.equipment.lists import check_rules_exist, choose_structure, complete, find_places
from donorfit.equipment.month_front import MonthFront
from donorfit.equipment.month_range import choose_month, make_month_range, say_month_reason
from donorfit.equipment.quick_repair import find_any_repair
from donorfit.equipment.repair_parts import find_parts
from donorfit.equipment.repair_reasons import Reason, ReasonFinder
from donorfit.equipment.repair_search import OutOfTimeError, Problem, RepairSearch, Solution
from donorfit.equipment.sentences import say_option
from donorfit.errors import InputError, Mistake
from donorfit.vehicle.rules import RuleBase

MOST_REPAIRS = 1000


@dataclass(frozen=True, slots=True, kw_only=True)
class Prepared:
    """A request in places of the columns.

    Attributes:
        compiled: the rules.
        request: the request.
        problem: what is searched.
        facts: hard facts that change the declared list, and what they are called.
        said: all hard facts, and what they are called.
        costs: what changes cost.
    """

    compiled: Compiled
    request: RepairRequest
    problem: Problem
    facts: tuple[tuple[int, str], ...]
    said: tuple[tuple[int, str], ...]
    costs: Costs


def repair(
    rules: RuleBase, request: RepairRequest, *, is_late: Callable[[], bool] | None = None
) -> RepairAnswer:
    """Find the cheapest minimal repairs of a list.

    Args:
        rules: the rules.
        request: the list and what is to be true of it.
        is_late: asked from time to time; where it says yes, the search ends with what is proven.

    Raises:
        InputError: an option is unknown, asked for both ways, or contradicts what is fitted.
    """
    prepared = prepare(rules, request)
    search = RepairSearch(prepared.compiled, prepared.problem, is_late)
    repairs: list[Repair] = []
    proved, late = True, False
    first: Solution | None = None
    loaded: tuple[Clause, ...] | None = None
    try:
        for solution in search.list_solutions():
            if first is None:
                first, loaded = solution, search.list_loaded()
            repairs.append(make_repair(prepared, solution))
            if len(repairs) >= min(max(1, request.top), MOST_REPAIRS):
                break
    except OutOfTimeError:
        proved, late = False, True
        found = find_any_repair(prepared.compiled, prepared.problem)
        if found is not None and not repairs:
            repairs.append(make_repair(prepared, found))
    structure_scale = len(prepared.problem.structure) + 1
    least = search.search.bound // structure_scale
    if late:  # the bound of a search that hardly began is worse than what a look at the list says
        least = max(least, find_least_cost(prepared.compiled, prepared.problem))
    bound = float(Fraction(least, prepared.costs.scale))
    search.close()
    clash = None if repairs or late else find_clash(prepared)
    declared = prepared.problem.declared
    removed = len(repairs[0].remove) if repairs else 0
    visible = sum(option not in prepared.problem.structure for option in declared)
    return RepairAnswer(
        possible=bool(repairs),
        repairs=tuple(repairs),
        proved=proved,
        lower_bound=bound,
        untouched=visible - removed,
        clash=clash,
        costs_reason=prepared.costs.reason,
        warnings=(*rules.warnings, *prepared.compiled.warnings),
        seconds_used_up=late,
        front=() if late else _find_front(prepared, is_late),
        parts=() if late or first is None else _find_parts(prepared, (first, loaded), is_late),
    )


def _find_front(prepared: Prepared, is_late: Callable[[], bool] | None) -> tuple[FrontPoint, ...]:
    request = prepared.request
    if request.month is None or request.month_fixed:
        return ()
    front = MonthFront(prepared.compiled, prepared.problem, request.month, is_late)
    return front.find(prepared.costs.scale, len(prepared.facts))


def _find_parts(
    prepared: Prepared,
    found: tuple[Solution, tuple[Clause, ...] | None],
    is_late: Callable[[], bool] | None,
) -> tuple[RepairPart, ...]:
    return find_parts(prepared.compiled, prepared.problem, found, prepared.costs.scale, is_late)


def prepare(rules: RuleBase, request: RepairRequest) -> Prepared:
    """Turn a request into a problem.

    Raises:
        InputError: see :func:`repair`.
    """
    compiled = compile_rules(rules)
    check_rules_exist(compiled)
    declared, on, off, fitted, absent, _ = find_places(
        compiled,
        [
            ("declared", request.declared),
            ("on", request.on),
            ("off", request.off),
            ("fitted", request.fitted),
            ("not_fitted", request.not_fitted),
            ("costs", [name for name, _ in request.costs]),
        ],
    )
    said = _collect_facts(compiled, ((on, off), (fitted, absent)))
    fixed = {option: value for option, (value, _) in said.items()}
    known = set(declared)
    changing = ((o, word) for o, (value, word) in said.items() if value != (o in known))
    costs = list_costs(rules, compiled.places, request.costs, request.month_cost)
    structure = choose_structure(compiled, declared, request.structure) - fixed.keys()
    problem = Problem(
        declared=complete(compiled, declared, structure),
        fixed=fixed,
        costs=costs.whole,
        structure=structure,
        month=make_month_range(compiled, request, costs.month),
    )
    return Prepared(
        compiled=compiled,
        request=request,
        problem=problem,
        facts=tuple(changing),
        said=tuple((option, word) for option, (_, word) in said.items()),
        costs=costs,
    )


def _collect_facts(
    compiled: Compiled,
    pairs: tuple[tuple[list[int], list[int]], tuple[list[int], list[int]]],
) -> dict[int, tuple[bool, str]]:
    """Hard facts: value, and what it is called."""
    words = (("asked to be on", "asked to be off"), ("fitted", "not fitted"))
    said: dict[int, tuple[bool, str]] = {}
    mistakes: list[Mistake] = []
    for (ons, offs), (on_word, off_word) in zip(pairs, words, strict=True):
        for options, value, word in ((ons, True, on_word), (offs, False, off_word)):
            for option in options:
                known = said.setdefault(option, (value, word))
                if known[0] != value:
                    mistakes.append(
                        Mistake(
                            file="request",
                            line=0,
                            what=f"{compiled.rules.names[option]} is {known[1]} and {word}",
                            next_step="keep one of the two",
                        )
                    )
    if mistakes:
        raise InputError(
            what="the request contradicts itself",
            mistakes=mistakes,
            why="no option can be on and off",
            next_step="correct the lists on, off, fitted and not_fitted",
        )
    return said


def make_repair(prepared: Prepared, solution: Solution) -> Repair:
    """Word one solution."""
    compiled, problem = prepared.compiled, prepared.problem
    bits = bytearray(compiled.count)
    for option in problem.declared:
        bits[option] = 1
    for option, value in problem.fixed.items():
        bits[option] = value
    facts = {o: f"{say_option(compiled.rules, o)}, {word}" for o, word in prepared.said}
    finder = ReasonFinder(
        compiled,
        bytes(bits),
        flips=solution.flips,
        facts=facts,
        segment=solution.segment,
        fixed=problem.fixed,
    )
    reasons = finder.find()
    entries = [_word_fact(prepared, option, word) for option, word in prepared.facts]
    entries += [
        _word_entry(prepared, option, reason, on=finder.is_on(option))
        for option, reason in sorted(reasons.items(), key=lambda item: item[1].rank)
        if option not in problem.structure
    ]
    month = choose_month(compiled, prepared.request.month, solution.segment)
    moved = 0
    if month is not None and prepared.request.month is not None:
        moved = month.ordinal - prepared.request.month.ordinal
    sentence, rules = say_month_reason(compiled, finder, problem.month.segment, solution.segment)
    return Repair(
        cost=float(Fraction(solution.cost, prepared.costs.scale)),
        add=tuple(entry.option for entry in entries if entry.on),
        remove=tuple(entry.option for entry in entries if not entry.on),
        month=month,
        month_moved=moved,
        month_cost=abs(moved) * prepared.request.month_cost,
        month_reason=sentence if moved else "",
        month_rules=rules if moved else (),
        months=compiled.describe_segment(solution.segment),
        entries=tuple(entries),
        decisions=tuple(entry.option for entry in entries if not entry.forced),
    )


def _word_fact(prepared: Prepared, option: int, word: str) -> RepairEntry:
    rules = prepared.compiled.rules
    return RepairEntry(
        option=rules.names[option],
        title=rules.get_title(option),
        on=prepared.problem.fixed[option],
        cost=0.0,
        reason=word,
        rules=(),
        because_of=(),
        cause=f"{say_option(rules, option)}, {word}",
        forced=True,
    )


def _word_entry(prepared: Prepared, option: int, reason: Reason, *, on: bool) -> RepairEntry:
    rules = prepared.compiled.rules
    return RepairEntry(
        option=rules.names[option],
        title=rules.get_title(option),
        on=on,
        cost=prepared.costs.whole[option] / prepared.costs.scale,
        reason=reason.sentence,
        rules=() if reason.rule is None else (reason.rule,),
        because_of=tuple(rules.names[o] for o in reason.because_of),
        cause=reason.cause,
        forced=reason.forced,
    )


def find_clash(prepared: Prepared) -> Clash:
    """Why there is no repair: the hard facts and rules that contradict one another."""
    problem, request = prepared.problem, prepared.request
    month = None if request.month is None or problem.month.wishes else request.month
    fitted = {*request.fitted, *request.not_fitted}
    return explain_facts(prepared.compiled, problem.fixed, month, fitted=fitted)
