"""All rules of a base in one solver that is kept, for questions that come again and again."""

from collections.abc import Iterable, Sequence
from functools import lru_cache

from donorfit.equipment.compiled import Compiled
from donorfit.equipment.rule_clauses import list_clauses, list_handles
from donorfit.equipment.sat import SatSolver, make_solver


class Warm:
    """A solver that holds every rule; questions are assumptions, so it never has to be rebuilt.

    Attributes:
        compiled: the rules.
        solver: the solver.
    """

    def __init__(self, compiled: Compiled, *, plain: bool = False) -> None:
        self.compiled = compiled
        self._next = compiled.top
        clauses = list(compiled.background)
        for handle in list_handles(compiled):
            clauses += list_clauses(compiled, handle, self._take)
        self.solver: SatSolver = make_solver(clauses, plain=plain)

    def _take(self) -> int:
        self._next += 1
        return self._next

    def holds(self, facts: Sequence[int]) -> bool:
        """Whether some possible list agrees with the facts."""
        return self.solver.solve(facts)

    def find_forced(self, facts: Sequence[int]) -> list[int] | None:
        """Every literal of an option that all possible lists with these facts share.

        Phases are set against what is still in question, so that each model clears away as many
        candidates as possible (after Janota, Lynce and Marques-Silva, AI Communications 28, 2015).

        Returns:
            The literals; None where no list agrees with the facts.
        """
        solver, count = self.solver, self.compiled.count
        ok, found = solver.propagate(facts)
        if not ok or not solver.solve(facts):
            return None
        assumed = list(facts)
        forced = {literal for literal in found if abs(literal) <= count}
        forced.update(literal for literal in facts if abs(literal) <= count)
        model = solver.get_model()
        open_ones = dict.fromkeys(literal for literal in model[:count] if literal not in forced)
        solver.set_phases([-literal for literal in open_ones])
        while open_ones:
            literal = next(reversed(open_ones))
            if solver.solve([*assumed, -literal]):
                self._keep_common(open_ones, solver.get_model())
                continue
            assumed.append(literal)
            _, found = solver.propagate(assumed)
            for each in (literal, *found):
                if open_ones.pop(each, 0) is None or each == literal:
                    forced.add(each)
        return sorted(forced, key=abs)

    def _keep_common(self, open_ones: dict[int, None], model: Sequence[int]) -> None:
        for literal in [each for each in open_ones if model[abs(each) - 1] != each]:
            del open_ones[literal]


@lru_cache(maxsize=2)
def get_warm(compiled: Compiled) -> Warm:
    """The solver of a rule base; made once."""
    return Warm(compiled)


def as_literals(options: Iterable[int], *, on: bool) -> list[int]:
    """Literals of options that are on or off."""
    return [option + 1 if on else -option - 1 for option in options]
