"""Read the build months in which a rule holds off its formula.

``build_month >= 202107 => (a => b)`` and conjunctions of such comparisons are a rule with a
validity window; nested guards are taken off one after the other.
"""

from collections.abc import Sequence

from donorfit.vehicle.identity import BuildMonth
from donorfit.vehicle.rules import (
    ALWAYS,
    AND,
    COMPARISON_BASE,
    IMPLIES,
    NOT,
    Comparison,
    Formula,
    Subject,
    Window,
)


def split_window(
    formula: Formula, comparisons: tuple[Comparison, ...]
) -> tuple[Formula, tuple[Comparison, ...], Window]:
    """Take the build-month guards off a formula; comparisons that are left keep their places."""
    window = ALWAYS
    while comparisons and formula and formula[-1] == IMPLIES:
        cut = find_start(formula, len(formula) - 1)
        guard = _read_guard(formula[:cut], comparisons)
        if guard is None:
            break
        window = _meet(window, guard)
        formula = formula[cut:-1]
    used = {code for code in formula if code <= COMPARISON_BASE}
    if not used:
        comparisons = ()
    return formula, comparisons, window


def find_start(formula: Sequence[int], end: int) -> int:
    """Where the operand that ends before place ``end`` begins."""
    due, at = 1, end
    while due:
        at -= 1
        code = formula[at]
        if code == NOT:
            continue
        due += 1 if COMPARISON_BASE < code < NOT and code > -6 else -1  # noqa: PLR2004 - TRUE
    return at


def _read_guard(formula: Formula, comparisons: tuple[Comparison, ...]) -> Window | None:
    """A window from comparisons of the build month joined by ``&``; None for anything else."""
    window = ALWAYS
    for code in formula:
        if code == AND:
            continue
        if code > COMPARISON_BASE:
            return None
        comparison = comparisons[COMPARISON_BASE - code]
        if comparison.subject is not Subject.MONTH or comparison.operator == "!=":
            return None
        window = _meet(window, _as_window(comparison))
    return window


def _as_window(comparison: Comparison) -> Window:
    month, after = BuildMonth(int(comparison.bound)), BuildMonth(int(comparison.bound) + 1)
    match comparison.operator:
        case ">=":
            return Window(valid_from=month)
        case ">":
            return Window(valid_from=after)
        case "<":
            return Window(valid_before=month)
        case "<=":
            return Window(valid_before=after)
        case _:
            return Window(valid_from=month, valid_before=after)


def _meet(left: Window, right: Window) -> Window:
    starts = [w.valid_from for w in (left, right) if w.valid_from is not None]
    ends = [w.valid_before for w in (left, right) if w.valid_before is not None]
    return Window(
        valid_from=max(starts) if starts else None, valid_before=min(ends) if ends else None
    )
