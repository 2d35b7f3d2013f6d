"""The solver behind the reasoning: python-sat's Glucose where it is installed, else our own.

Source: Audemard and Simon, Glucose 4; Ignatiev, Morgado and Marques-Silva, PySAT, SAT 2018.
"""

import weakref
from collections.abc import Callable, Collection, Iterable, Sequence
from typing import Protocol

from donorfit.equipment.plain_solver import OutOfTimeError, PlainSolver

CONFLICTS_BETWEEN_LOOKS = 2_000
"""Conflicts that a search runs through before it looks at the clock again."""


class SatSolver(Protocol):
    """What the reasoning asks of a solver."""

    def add(self, clause: Sequence[int]) -> None:
        """Add a clause."""

    def solve(self, assumptions: Collection[int]) -> bool:
        """Whether the clauses hold together with the assumptions."""

    def stop_when(self, is_late: Callable[[], bool]) -> None:
        """From now on raise OutOfTimeError where this says so in the middle of a search."""

    def get_model(self) -> Sequence[int]:
        """After a yes: literals, the one of variable ``v`` at place ``v - 1``."""

    def get_core(self) -> list[int]:
        """After a no: assumptions that cannot hold together."""

    def propagate(self, assumptions: Sequence[int]) -> tuple[bool, list[int]]:
        """What follows by unit propagation alone, and whether it is free of contradiction."""

    def set_phases(self, literals: Iterable[int]) -> None:
        """Values that are tried first."""

    def close(self) -> None:
        """Give the memory back."""


class _GlucoseSolver:
    """python-sat's Glucose 4 behind the port."""

    def __init__(self, clauses: Iterable[Sequence[int]]) -> None:
        from pysat.solvers import Glucose4  # noqa: PLC0415 - takes 85 ms

        self._solver = Glucose4(bootstrap_with=clauses)
        self._is_late: Callable[[], bool] | None = None
        self.add = self._solver.add_clause
        self.close = weakref.finalize(self, self._solver.delete)

    def solve(self, assumptions: Collection[int]) -> bool:
        # Glucose 4.1 opens a level for each assumption and marks levels in an array as long as it
        # has variables. A literal that is assumed twice makes it write beyond the end of that.
        each_once = assumptions if isinstance(assumptions, dict) else dict.fromkeys(assumptions)
        assumed = list(each_once)
        if self._is_late is None:
            return bool(self._solver.solve(assumptions=assumed))
        while True:
            self._solver.conf_budget(CONFLICTS_BETWEEN_LOOKS)
            answer = self._solver.solve_limited(assumptions=assumed)
            if answer is not None:
                return bool(answer)
            if self._is_late():
                raise OutOfTimeError

    def stop_when(self, is_late: Callable[[], bool]) -> None:
        self._is_late = is_late

    def get_model(self) -> Sequence[int]:
        model: Sequence[int] = self._solver.get_model()
        return model

    def get_core(self) -> list[int]:
        return list(self._solver.get_core() or ())

    def propagate(self, assumptions: Sequence[int]) -> tuple[bool, list[int]]:
        ok, literals = self._solver.propagate(assumptions=assumptions)
        return bool(ok), list(literals)

    def set_phases(self, literals: Iterable[int]) -> None:
        self._solver.set_phases(list(literals))


def has_glucose() -> bool:
    """Whether python-sat is installed."""
    try:
        import pysat.solvers  # noqa: F401, PLC0415
    except ImportError:
        return False
    return True


def make_solver(clauses: Iterable[Sequence[int]] = (), *, plain: bool = False) -> SatSolver:
    """Make a solver; ``plain`` asks for our own even where python-sat is installed."""
    if plain or not has_glucose():
        solver = PlainSolver()
        for clause in clauses:
            solver.add(clause)
        return solver
    return _GlucoseSolver(clauses)
