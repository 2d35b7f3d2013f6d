"""Build month against options: how much cheaper the options get when the month moves further."""

from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction

from donorfit.equipment.answer_parts import FrontPoint
from donorfit.equipment.compiled import Compiled
from donorfit.equipment.month_range import choose_month
from donorfit.equipment.plain_solver import OutOfTimeError
from donorfit.equipment.repair_search import MonthRange, Problem, RepairSearch, Solution
from donorfit.vehicle.identity import BuildMonth

MOST_SEGMENTS = 60
"""Runs of months that are looked at, the nearest ones first."""


class MonthFront:
    """Cheapest repairs of one problem in one run of months after the other."""

    def __init__(
        self,
        compiled: Compiled,
        problem: Problem,
        declared: BuildMonth,
        is_late: Callable[[], bool] | None,
    ) -> None:
        self._compiled = compiled
        self._problem = problem
        self._declared = declared
        self._is_late = is_late

    def find(self, scale: int, facts: int) -> tuple[FrontPoint, ...]:
        """Points that no other point beats in both month and cost.

        Exact: each run of months between two limits of the rules gets its own cheapest repair,
        from the declared month outwards, until the cost that holds for any month is reached.

        Args:
            scale: by how much the costs of the problem are larger than those shown.
            facts: how many changes the hard facts make by themselves.

        Returns:
            The nearest month first; nothing where there is no repair or time is up.
        """
        try:
            return tuple(self._find(scale, facts))
        except OutOfTimeError:
            return ()

    def _find(self, scale: int, facts: int) -> list[FrontPoint]:
        cheapest = self._solve(MonthRange(segment=0, free=True))
        points: list[FrontPoint] = []
        if cheapest is None:
            return points
        least = float(Fraction(cheapest.cost, scale))
        for month, segment in self._list_months()[:MOST_SEGMENTS]:
            moved = month.ordinal - self._declared.ordinal
            if points and points[-1].cost <= least and abs(moved) > abs(points[-1].month_moved):
                break
            found = self._solve(MonthRange(segment=segment))
            cost = 0.0 if found is None else float(Fraction(found.cost, scale))
            if found is None or (points and cost >= points[-1].cost):
                continue
            if points and abs(points[-1].month_moved) == abs(moved):
                points.pop()
            visible = sum(option not in self._problem.structure for option in found.flips)
            points.append(
                FrontPoint(month=month, month_moved=moved, cost=cost, changes=facts + visible)
            )
        return points

    def _list_months(self) -> list[tuple[BuildMonth, int]]:
        """The nearest month of each run of months, the nearest run first."""
        compiled, declared = self._compiled, self._declared
        found = [
            (month, segment)
            for segment in range(len(compiled.limits) + 1)
            if (month := choose_month(compiled, declared, segment)) is not None
        ]
        return sorted(found, key=lambda each: (abs(each[0].ordinal - declared.ordinal), each[1]))

    def _solve(self, month: MonthRange) -> Solution | None:
        search = RepairSearch(self._compiled, replace(self._problem, month=month), self._is_late)
        found = next(search.list_solutions(), None)
        search.close()
        return found
