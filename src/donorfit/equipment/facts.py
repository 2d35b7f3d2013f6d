"""What is true of a rule base as a whole: core, dead and falsely optional options, spare rules."""

from donorfit.equipment.answers import FactsAnswer
from donorfit.equipment.compiled import Compiled, compile_rules
from donorfit.equipment.explain import explain_facts, list_month_facts
from donorfit.equipment.lists import check_rules_exist
from donorfit.equipment.rule_clauses import list_clauses, list_handles
from donorfit.equipment.sat import SatSolver, make_solver
from donorfit.equipment.sentences import refer
from donorfit.equipment.warm import Warm, get_warm
from donorfit.vehicle.identity import BuildMonth
from donorfit.vehicle.rules import GroupKind, RuleBase, RuleReference


def facts(
    rules: RuleBase, month: BuildMonth | None = None, *, redundant: bool = True
) -> FactsAnswer:
    """Judge a rule base.

    Args:
        rules: the rules.
        month: build month; None asks for what holds in all of them.
        redundant: whether to look for rules that follow from the others, too.

    Raises:
        InputError: the rule base is empty.
    """
    compiled = compile_rules(rules)
    check_rules_exist(compiled)
    warm = get_warm(compiled)
    known = list_month_facts(compiled, month)
    forced = warm.find_forced(known)
    if forced is None:
        return FactsAnswer(
            possible=False,
            core=(),
            dead=(),
            falsely_optional=(),
            redundant=(),
            clash=explain_facts(compiled, {}, month),
        )
    names = rules.names
    core = {literal - 1 for literal in forced if literal > 0}
    dead = {-literal - 1 for literal in forced if literal < 0}
    false = _find_falsely_optional(warm, known, core, dead)
    return FactsAnswer(
        possible=True,
        core=tuple(names[option] for option in sorted(core)),
        dead=tuple(names[option] for option in sorted(dead)),
        falsely_optional=tuple(names[option] for option in false),
        redundant=_find_redundant(compiled, known) if redundant else (),
    )


def _find_falsely_optional(
    warm: Warm, known: list[int], core: set[int], dead: set[int]
) -> list[int]:
    """Options that their group leaves open, but that are on whenever their parent is."""
    rules = warm.compiled.rules
    open_ones = [
        option
        for option, parent in enumerate(rules.parents)
        if parent >= 0
        and option not in dead
        and rules.group_kinds[rules.group_of[option]] is not GroupKind.MANDATORY
        and len(rules.group_members[rules.group_of[option]]) > _needed(rules, option)
    ]
    found = [option for option in open_ones if option in core]
    waiting = {o: rules.parents[o] for o in open_ones if o not in core}
    while waiting:
        option, parent = waiting.popitem()
        if parent in core:
            continue
        if warm.holds([*known, parent + 1, -option - 1]):
            model = warm.solver.get_model()
            for other, up in list(waiting.items()):
                if model[up] > 0 > model[other]:
                    del waiting[other]
        else:
            found.append(option)
    return sorted(found)


def _needed(rules: RuleBase, option: int) -> int:
    """Members that the group of an option asks for."""
    return rules.group_lows[rules.group_of[option]]


def _find_redundant(compiled: Compiled, known: list[int]) -> tuple[RuleReference, ...]:
    """Rules across the tree that follow from all others, taken away one after the other."""
    top = compiled.top

    def take() -> int:
        nonlocal top
        top += 1
        return top

    solver = make_solver(compiled.background)
    selectors: list[int] = []
    for handle in list_handles(compiled):
        guard: tuple[int, ...] = ()
        if handle[0] == "rule":
            selectors.append(take())
            guard = (-selectors[-1],)
        for clause in list_clauses(compiled, handle, take):
            solver.add((*clause, *guard))
    found: list[RuleReference] = []
    active = dict.fromkeys(selectors)
    for place, selector in enumerate(selectors):
        del active[selector]
        if _follows(compiled, solver, [*known, *active], place):
            found.append(refer(compiled, ("rule", place)))
        else:
            active[selector] = None
    solver.close()
    return tuple(found)


def _follows(compiled: Compiled, solver: SatSolver, assumed: list[int], place: int) -> bool:
    """Whether every clause of a rule without helper variables holds under the assumptions."""
    rule = compiled.cross[place]
    if not rule.plain:
        return False
    return all(
        not solver.solve([*assumed, *(-literal for literal in (*clause, *rule.guard))])
        for clause in rule.clauses
    )
