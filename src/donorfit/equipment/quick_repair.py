"""Some minimal repair, quickly: what is told when the time for proving the cheapest is over."""

from donorfit.equipment.compiled import Compiled
from donorfit.equipment.repair_search import Problem, Solution
from donorfit.equipment.warm import get_warm


def find_any_repair(compiled: Compiled, problem: Problem) -> Solution | None:
    """A repair of which no part is a repair, in the declared month where that is possible.

    One model near the declared list, then every change is taken back that can be. Nothing is said
    about its cost.

    Returns:
        The repair; None where there is none at all.
    """
    warm = get_warm(compiled)
    declared = set(problem.declared)
    facts = [option + 1 if value else -option - 1 for option, value in problem.fixed.items()]
    months = [
        variable if place < problem.month.segment else -variable
        for place, variable in enumerate(compiled.months)
    ]
    free = [o for o in range(compiled.count) if o not in problem.fixed]
    wishes = {o: o + 1 if o in declared else -o - 1 for o in free}
    warm.solver.set_phases(wishes.values())
    if not warm.holds([*facts, *months]):
        if not problem.month.wishes and not problem.month.free:
            return None
        if not warm.holds(facts):
            return None
    model = warm.solver.get_model()
    month_facts = [model[variable - 1] for variable in compiled.months]
    changed = (o for o in free if model[o] != wishes[o])
    flips = sorted(changed, key=lambda option: -problem.costs[option])
    flips = _take_back(compiled, [*facts, *month_facts], wishes, flips)
    segment = sum(literal > 0 for literal in month_facts)
    cost = sum(problem.costs[o] for o in flips if o not in problem.structure)
    if problem.month.wishes:
        low, high = sorted((segment, problem.month.segment))
        cost += sum(problem.month.wishes[low:high])
    return Solution(flips=tuple(flips), segment=segment, cost=cost)


def _take_back(
    compiled: Compiled, facts: list[int], wishes: dict[int, int], flips: list[int]
) -> list[int]:
    """Take back each change that the others do not need, the dearest first."""
    warm = get_warm(compiled)
    place = 0
    while place < len(flips):
        open_ones = set(flips)
        open_ones.discard(flips[place])
        kept = [literal for option, literal in wishes.items() if option not in open_ones]
        if warm.holds([*facts, *kept]):
            model = warm.solver.get_model()
            done = set(flips[:place])
            flips = [o for o in flips if o in done or (o in open_ones and model[o] != wishes[o])]
            place = sum(option in done for option in flips)
        else:
            place += 1
    return flips
