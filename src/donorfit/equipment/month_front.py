"""Build month against options: how much cheaper the options get when the month moves further."""

from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction

from donorfit.equipment.answers import FrontPoint
from donorfit.equipment.month_range import choose_month
from donorfit.equipment.plain_solver import OutOfTimeError
from donorfit.equipment.prepared import Prepared
from donorfit.equipment.repair_search import MonthRange, RepairSearch, Solution
from donorfit.vehicle.identity import BuildMonth

MOST_SEGMENTS = 60
"""Runs of months that are looked at, the nearest ones first."""


def find_front(prepared: Prepared, is_late: Callable[[], bool] | None) -> tuple[FrontPoint, ...]:
    """Points that no other point beats in both month and cost; empty where the month is fixed.

    Exact: each run of months between two limits of the rules gets its own cheapest repair, from
    the declared month outwards, until the cost that holds for any month at all is reached.
    """
    declared = prepared.request.month
    if declared is None or prepared.request.month_fixed:
        return ()
    try:
        cheapest = _solve(prepared, MonthRange(segment=0, free=True), is_late)
        if cheapest is None:
            return ()
        cost = _get_cost(prepared, cheapest)
        points: list[FrontPoint] = []
        for month, segment in _list_months(prepared, declared)[:MOST_SEGMENTS]:
            distance = abs(month.ordinal - declared.ordinal)
            if points and points[-1].cost <= cost and distance > abs(points[-1].month_moved):
                break
            found = _solve(prepared, MonthRange(segment=segment), is_late)
            if found is None or (points and _get_cost(prepared, found) >= points[-1].cost):
                continue
            if points and abs(points[-1].month_moved) == distance:
                points.pop()
            points.append(_make_point(prepared, found, month, declared))
    except OutOfTimeError:
        return ()
    return tuple(points)


def _list_months(prepared: Prepared, declared: BuildMonth) -> list[tuple[BuildMonth, int]]:
    """The nearest month of each run of months, the nearest run first."""
    compiled = prepared.compiled
    found = [
        (month, segment)
        for segment in range(len(compiled.limits) + 1)
        if (month := choose_month(compiled, declared, segment)) is not None
    ]
    return sorted(found, key=lambda each: (abs(each[0].ordinal - declared.ordinal), each[1]))


def _solve(
    prepared: Prepared, month: MonthRange, is_late: Callable[[], bool] | None
) -> Solution | None:
    problem = replace(prepared.problem, month=month)
    search = RepairSearch(prepared.compiled, problem, is_late)
    found = next(search.list_solutions(), None)
    search.close()
    return found


def _get_cost(prepared: Prepared, found: Solution) -> float:
    return float(Fraction(found.cost, prepared.costs.scale))


def _make_point(
    prepared: Prepared, found: Solution, month: BuildMonth, declared: BuildMonth
) -> FrontPoint:
    structure = prepared.problem.structure
    return FrontPoint(
        month=month,
        month_moved=month.ordinal - declared.ordinal,
        cost=_get_cost(prepared, found),
        changes=len(prepared.facts) + sum(option not in structure for option in found.flips),
    )
