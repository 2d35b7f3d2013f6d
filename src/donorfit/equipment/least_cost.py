"""What a repair costs at least, told without a search: for when there was no time for one."""

from donorfit.equipment.compiled import Compiled
from donorfit.equipment.lazy_rules import LazyRules
from donorfit.equipment.repair_search import Problem
from donorfit.equipment.whole_list import get_whole_list_check


def find_least_cost(compiled: Compiled, problem: Problem) -> int:
    """A cost that no repair undercuts, from the rules that the list breaks as it stands.

    Each broken clause asks for one of its changes at least. It is paid the cheapest of them, and
    what was paid is taken off all of its changes: a change is then never paid for more than once,
    so the sum is not more than any repair costs (a solution of the dual of the set-covering
    problem, as in Hochbaum, SIAM Journal on Computing 11, 1982).

    Returns:
        The cost in the unit of the problem's costs; 0 where nothing is broken, or a hard fact
        alone breaks a rule.
    """
    check = get_whole_list_check(compiled)
    bits = check.make_bits(problem.declared)
    for option, value in problem.fixed.items():
        bits[option] = value
    taken = compiled.top

    def take() -> int:
        nonlocal taken
        taken += 1
        return taken

    rules, segment = LazyRules(compiled, bytes(bits), take), problem.month.segment
    left: dict[int, int] = {}
    clauses: list[list[int]] = []
    for handle in check.find_broken(bits, segment):
        for clause in rules.list_blame(handle, (), segment):
            changes = _price(compiled, problem, clause)
            left.update(changes)
            clauses.append(list(changes))
    paid = 0
    # Those with the fewest ways out first: what they are paid stands in the fewest others' way.
    for ways in sorted(clauses, key=len):
        least = min((left[each] for each in ways), default=0)
        paid += least
        for each in ways:
            left[each] -= least
    return paid


def _price(compiled: Compiled, problem: Problem, clause: tuple[int, ...]) -> dict[int, int]:
    """What each change that would mend a broken clause costs, by its variable."""
    costs: dict[int, int] = {}
    for variable in map(abs, clause):
        if variable in compiled.months:
            if problem.month.free:
                costs[variable] = 0
            elif problem.month.wishes:
                costs[variable] = problem.month.wishes[compiled.months.index(variable)]
        elif variable - 1 not in problem.fixed:
            option = variable - 1
            costs[variable] = 0 if option in problem.structure else problem.costs[option]
    return costs
