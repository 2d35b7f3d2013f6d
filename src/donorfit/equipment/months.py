"""In which build months is a list possible; no solver is needed.

Every rule is judged for the list once per run of months between two limits of the rules; the runs
in which nothing is broken are the answer. Validity is not monotone in the month, so nothing is
skipped.
"""

from collections.abc import Callable, Collection, Sequence
from itertools import groupby

from donorfit.equipment.answers import MonthBlocker, MonthsAnswer, Structure
from donorfit.equipment.check import find_broken, say_all_broken
from donorfit.equipment.compiled import Compiled, Handle, compile_rules
from donorfit.equipment.lists import check_rules_exist, choose_structure, complete, find_places
from donorfit.vehicle.identity import BuildMonth
from donorfit.vehicle.rules import RuleBase, Window


def find_broken_by_segment(compiled: Compiled, on: list[int]) -> list[list[Handle]]:
    """Rules that a list breaks, for each run of months between limits of the rules."""
    return find_broken(compiled, on, range(len(compiled.limits) + 1))


def months(
    rules: RuleBase,
    declared: Collection[str],
    month: BuildMonth | None = None,
    *,
    structure: Structure = Structure.AUTO,
) -> MonthsAnswer:
    """When is a list possible, and what forbids it at other times.

    Args:
        rules: the rules.
        declared: options that are on; all others are off.
        month: declared month, for the nearest possible one.
        structure: how options that only give structure are taken.

    Raises:
        InputError: an option is unknown, or the rule base is empty.
    """
    compiled = compile_rules(rules)
    check_rules_exist(compiled)
    (places,) = find_places(compiled, [("declared", declared)])
    on = complete(compiled, places, choose_structure(compiled, places, structure))
    broken = find_broken_by_segment(compiled, on)
    always = [h for h in broken[0] if all(h in other for other in broken[1:])]
    is_on = frozenset(on).__contains__
    windows: list[Window] = []
    blockers: list[MonthBlocker] = []
    for found, run in groupby(range(len(broken)), key=lambda s: tuple(broken[s])):
        segments = list(run)
        window = _join(compiled, segments)
        if found:
            said = say_all_broken(compiled, [h for h in found if h not in always], is_on)
            blockers.append(MonthBlocker(months=window, broken=said))
        else:
            windows.append(window)
    earlier, nearest, later = find_nearest(windows, month)
    return MonthsAnswer(
        windows=tuple(windows),
        nearest=nearest,
        earlier=earlier,
        later=later,
        blockers=tuple(blockers),
        always_broken=say_all_broken(compiled, always, is_on),
    )


def _join(compiled: Compiled, segments: Sequence[int]) -> Window:
    first = compiled.describe_segment(segments[0])
    last = compiled.describe_segment(segments[-1])
    return Window(valid_from=first.valid_from, valid_before=last.valid_before)


def find_nearest(
    windows: Sequence[Window], month: BuildMonth | None
) -> tuple[BuildMonth | None, BuildMonth | None, BuildMonth | None]:
    """The nearest possible month before the declared one, at all, and after it."""
    if month is None:
        return None, None, None
    if any(window.holds(month) for window in windows):
        return None, month, None
    ends = [w.valid_before.ordinal - 1 for w in windows if w.valid_before is not None]
    starts = [w.valid_from.ordinal for w in windows if w.valid_from is not None]
    earlier = max((end for end in ends if end < month.ordinal), default=None)
    later = min((start for start in starts if start > month.ordinal), default=None)
    distance: Callable[[int], int] = lambda each: abs(each - month.ordinal)  # noqa: E731
    nearest = min((e for e in (earlier, later) if e is not None), key=distance, default=None)
    return _as_month(earlier), _as_month(nearest), _as_month(later)


def _as_month(ordinal: int | None) -> BuildMonth | None:
    return None if ordinal is None else BuildMonth(ordinal)
