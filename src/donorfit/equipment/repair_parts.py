"""Tell apart the parts of a repair that have nothing to do with one another.

The search loads only rules that some change touches. Changes that no chain of loaded rules joins
are independent: each part gets its own short list of ways, instead of every combination.
"""

from collections.abc import Callable, Iterable
from dataclasses import replace

from donorfit.equipment.answer_parts import PartChange, RepairPart
from donorfit.equipment.compiled import Compiled
from donorfit.equipment.formula_clauses import Clause
from donorfit.equipment.plain_solver import OutOfTimeError
from donorfit.equipment.repair_search import Problem, RepairSearch, Solution
from donorfit.vehicle.identity import OptionName

MOST_WAYS = 3
MOST_PARTS = 12
MOST_FLIPS = 400


def find_parts(
    compiled: Compiled,
    problem: Problem,
    found: tuple[Solution, tuple[Clause, ...] | None],
    scale: int,
    is_late: Callable[[], bool] | None,
) -> tuple[RepairPart, ...]:
    """Parts of the cheapest repair, each with its cheapest ways.

    Args:
        compiled: the rules.
        problem: what was searched.
        found: its cheapest solution, and the clauses that finding it needed, where that is known.
        scale: by how much the costs of the problem are larger than those shown.
        is_late: as for the search.

    Returns:
        Two parts and more; nothing where the repair is one piece, very large, or time is up.
    """
    first, loaded = found
    visible = [option for option in first.flips if option not in problem.structure]
    if not 1 < len(visible) <= MOST_FLIPS or first.segment != problem.month.segment:
        return ()
    try:
        if loaded is None:
            loaded = _find_needed(compiled, problem, first, is_late)
        if loaded is None:
            return ()
        groups = _separate(compiled, problem, first, loaded)
        if not 1 < len(groups) <= MOST_PARTS:
            return ()
        return tuple(
            _make_part(compiled, problem, (group, first), scale, is_late) for group in groups
        )
    except OutOfTimeError:
        return ()


def _find_needed(
    compiled: Compiled,
    problem: Problem,
    first: Solution,
    is_late: Callable[[], bool] | None,
) -> tuple[Clause, ...] | None:
    """Clauses that a search needs which starts without any; None where it takes all in the end."""
    search = RepairSearch(compiled, replace(problem, load_all=False), is_late)
    for solution in search.list_solutions():
        if set(solution.flips) == set(first.flips) or solution.cost > first.cost:
            break
    loaded = search.list_loaded()
    search.close()
    return loaded


def _separate(
    compiled: Compiled, problem: Problem, first: Solution, loaded: Iterable[Clause]
) -> list[list[int]]:
    """Changes joined by rules that the search needed."""
    leaders = _join(compiled, problem, loaded)
    groups: dict[int, list[int]] = {}
    for option in first.flips:
        groups.setdefault(_lead(leaders, option), []).append(option)
    return [group for group in groups.values() if any(o not in problem.structure for o in group)]


def _join(compiled: Compiled, problem: Problem, clauses: Iterable[Clause]) -> dict[int, int]:
    leaders: dict[int, int] = {}
    constant = {compiled.root, *problem.fixed}
    for clause in clauses:
        options = [
            abs(literal) - 1
            for literal in clause
            if abs(literal) not in compiled.months and abs(literal) - 1 not in constant
        ]
        for option in options[1:]:
            one, other = _lead(leaders, options[0]), _lead(leaders, option)
            leaders[max(one, other)] = min(one, other)
    return leaders


def _lead(leaders: dict[int, int], option: int) -> int:
    while leaders.get(option, option) != option:
        option = leaders[option]
    return option


def _make_part(
    compiled: Compiled,
    problem: Problem,
    piece: tuple[list[int], Solution],
    scale: int,
    is_late: Callable[[], bool] | None,
) -> RepairPart:
    """The cheapest ways for one part, while the others stay as in the repair."""
    group, first = piece
    declared = set(problem.declared)
    others = {o: o not in declared for o in first.flips if o not in group}
    kept = replace(
        problem,
        fixed={**problem.fixed, **others},
        structure=problem.structure - others.keys(),
        month=replace(problem.month, wishes=()),
    )
    search = RepairSearch(compiled, kept, is_late)
    ways = []
    for solution in search.list_solutions():
        ways.append(_make_way(compiled, problem, solution, scale))
        if len(ways) == MOST_WAYS:
            break
    search.close()
    names = compiled.rules.names
    return RepairPart(
        options=tuple(names[o] for o in group if o not in problem.structure), ways=tuple(ways)
    )


def _make_way(compiled: Compiled, problem: Problem, solution: Solution, scale: int) -> PartChange:
    names, declared = compiled.rules.names, set(problem.declared)
    visible = [o for o in solution.flips if o not in problem.structure]

    def name(*, on: bool) -> tuple[OptionName, ...]:
        return tuple(names[o] for o in visible if (o not in declared) == on)

    return PartChange(cost=solution.cost / scale, add=name(on=True), remove=name(on=False))
