"""The build month in a repair: what moving it costs, which month is nearest, and why it moves."""

from itertools import pairwise

from donorfit.equipment.answers import RepairRequest
from donorfit.equipment.compiled import Compiled
from donorfit.equipment.repair_reasons import ReasonFinder
from donorfit.equipment.repair_search import MonthRange
from donorfit.equipment.sentences import refer, say_broken
from donorfit.equipment.whole_list import get_whole_list_check
from donorfit.vehicle.identity import BuildMonth
from donorfit.vehicle.rules import RuleReference


def make_month_range(compiled: Compiled, request: RepairRequest, month_cost: int) -> MonthRange:
    """What crossing each limit of the rules costs from the declared month on."""
    if request.month is None:
        return MonthRange(segment=0, free=True)
    segment = compiled.find_segment(request.month)
    if request.month_fixed or not compiled.limits:
        return MonthRange(segment=segment)
    month, limits = request.month.ordinal, compiled.limits
    below, above = limits[:segment], limits[segment:]
    down = [later - earlier for earlier, later in pairwise(below)]
    down += [month - below[-1] + 1] if below else []
    up = [above[0] - month] if above else []
    up += [later - earlier for earlier, later in pairwise(above)]
    return MonthRange(
        segment=segment, wishes=tuple(max(1, months * month_cost) for months in (*down, *up))
    )


def choose_month(
    compiled: Compiled, declared: BuildMonth | None, segment: int
) -> BuildMonth | None:
    """The month of a segment that is nearest to the declared one."""
    window = compiled.describe_segment(segment)
    if declared is None:
        if window.valid_from is not None:
            return window.valid_from
        return BuildMonth(window.valid_before.ordinal - 1) if window.valid_before else None
    if window.valid_from is not None and declared < window.valid_from:
        return window.valid_from
    if window.valid_before is not None and declared >= window.valid_before:
        return BuildMonth(window.valid_before.ordinal - 1)
    return declared


def say_month_reason(
    compiled: Compiled, finder: ReasonFinder, declared: int, segment: int
) -> tuple[str, tuple[RuleReference, ...]]:
    """Why the month moves: what the repaired list breaks one segment nearer to the start."""
    if segment == declared:
        return "", ()
    nearer = segment - 1 if segment > declared else segment + 1
    whole = get_whole_list_check(compiled)
    on = [option for option in range(compiled.count) if finder.is_on(option)]
    broken = whole.find_broken(whole.make_bits(on), nearer)
    if not broken:
        return "", ()
    sentence = say_broken(compiled, broken[0], finder.is_on)
    return sentence, tuple(refer(compiled, handle) for handle in broken)
