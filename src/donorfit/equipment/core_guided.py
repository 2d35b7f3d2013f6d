"""Cheapest assignments in order of cost, with clauses that may still arrive while it searches.

Core-guided search: each set of wishes that cannot hold together raises the proven lower bound and
is replaced by a counter. Clauses that arrive later only make cores harder to avoid, so the bound
stays true.

Source: Andres and others, Unsatisfiability-based optimization in clasp (OLL), ICLP 2012;
Ignatiev, Morgado and Marques-Silva, RC2, JSAT 11 (2019).
"""

from collections.abc import Callable, Sequence

from donorfit.equipment.plain_solver import OutOfTimeError
from donorfit.equipment.sat import SatSolver
from donorfit.equipment.totalizer import Totalizer


class CoreGuidedSearch:
    """Wishes with weights over a solver that is filled from outside.

    Attributes:
        solver: the solver.
        bound: proven lower bound of the cost.
        weights: wishes that still hold, with the weight that is left.
        released: called with each original wish that is given up.
        cores: how many cores were found.
    """

    def __init__(
        self,
        solver: SatSolver,
        take_variable: Callable[[], int],
        release: Callable[[int], None],
        is_late: Callable[[], bool],
    ) -> None:
        self.solver = solver
        self.bound = 0
        self.weights: dict[int, int] = {}
        self.cores = 0
        self._take = take_variable
        self._release = release
        self._is_late = is_late
        self._counters: dict[int, tuple[Totalizer, int]] = {}

    def wish(self, literal: int, weight: int) -> None:
        """Ask for a literal; weight is what it costs to give it up."""
        self.weights[literal] = self.weights.get(literal, 0) + weight

    def solve(self) -> bool:
        """Find a model of the lowest cost; False where no assignment is left.

        Raises:
            OutOfTimeError: the budget is used up; ``bound`` is what was proved until then.
        """
        solver, weights = self.solver, self.weights
        while not solver.solve(weights):
            core = solver.get_core()
            if not core:
                return False
            if self._is_late():
                self._relax(core)  # it is proved, and raises the bound
                raise OutOfTimeError
            core = self._trim(core)
            if not core:
                return False
            self._relax(core)
        return True

    def _trim(self, core: list[int]) -> list[int]:
        """Ask again for the core alone as long as that makes it smaller.

        Small cores gain as much as large ones: each wish that is kept out of a counter keeps out
        its clauses for the rest of the search, and the searches that lead through them.
        """
        solver = self.solver
        while len(core) > 1 and not solver.solve(core):
            smaller = solver.get_core()
            if len(smaller) >= len(core):
                break
            core = smaller
        return core

    def _relax(self, core: Sequence[int]) -> None:
        weights = self.weights
        lowest = min(weights[literal] for literal in core)
        self.bound += lowest
        self.cores += 1
        for literal in core:
            rest = weights[literal] - lowest
            if rest:
                weights[literal] = rest
            else:
                del weights[literal]
                self._release(literal)
            counter = self._counters.get(literal)
            if counter is not None:
                self._ask_counter(counter[0], counter[1] + 1, lowest)
        self.solver.add([-literal for literal in core])
        if len(core) > 1:
            counted = Totalizer([-literal for literal in core], self._take, self.solver.add)
            self._ask_counter(counted, 2, lowest)

    def _ask_counter(self, counter: Totalizer, count: int, weight: int) -> None:
        if count > counter.size:
            return
        wish = -counter.get_output(count)
        self._counters[wish] = (counter, count)
        self.wish(wish, weight)
