"""Two option lists side by side."""

from collections.abc import Collection

from donorfit.equipment.answers import CompareAnswer, Structure
from donorfit.equipment.check import check
from donorfit.vehicle.identity import BuildMonth, OptionName
from donorfit.vehicle.rules import RuleBase


def compare(
    rules: RuleBase,
    left: Collection[str],
    right: Collection[str],
    month: BuildMonth | None = None,
    *,
    structure: Structure = Structure.AUTO,
) -> CompareAnswer:
    """What stands in one list only, and whether each list is possible.

    Raises:
        InputError: an option is unknown, or the rule base is empty.
    """
    first, second = frozenset(left), frozenset(right)
    return CompareAnswer(
        only_left=tuple(OptionName(name) for name in left if name not in second),
        only_right=tuple(OptionName(name) for name in right if name not in first),
        both=len(first & second),
        left=check(rules, left, month, structure=structure),
        right=check(rules, right, month, structure=structure),
    )
