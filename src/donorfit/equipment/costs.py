"""What it costs to change an option, and why, in words a person can check.

Common practice, no source: touching something safety-relevant weighs most, then what makes many
units be configured again, then what is not known, then comfort. An attribute ``cost`` in the rule
file or a cost in the request overrides it.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache

from donorfit.errors import InputError, Mistake
from donorfit.vehicle.rules import RuleBase

CLASS_COSTS: Mapping[str, int] = {
    "safety": 40,
    "driving": 25,
    "network": 15,
    "infotainment": 6,
    "body": 6,
    "comfort": 5,
    "appearance": 3,
}
UNKNOWN_COST = 10
COST_PER_UNIT = 2

COSTS_REASON = (
    "A change costs more the more it touches: safety 40, driving 25, network 15, unknown 10,"
    " infotainment and body 6, comfort 5, appearance 3; each control unit that is configured again"
    " adds 2. Costs given in the request or in the rules come first."
)
UNIFORM_REASON = (
    "The rules say nothing about classes or costs, so every option costs 10 to change; costs given"
    " in the request come first."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Costs:
    """Costs as whole numbers.

    Attributes:
        whole: cost of changing each option, times ``scale``.
        month: cost of moving the build month by one month, times ``scale``.
        scale: makes every cost a whole number.
        reason: why costs are as they are.
    """

    whole: tuple[int, ...]
    month: int
    scale: int
    reason: str


def list_costs(
    rules: RuleBase,
    places: Mapping[str, int],
    given: Sequence[tuple[str, float]],
    month_cost: float,
) -> Costs:
    """Cost of changing each option, and why they are so.

    Raises:
        InputError: a cost is not above 0.
    """
    _check_costs(given)
    usual, scale, known = _list_usual_costs(rules)
    own = {places[name]: Fraction(str(cost)) for name, cost in given}
    moving = Fraction(str(month_cost))
    factor = math.lcm(moving.denominator, scale, *(c.denominator for c in own.values())) // scale
    whole = list(usual) if factor == 1 else [cost * factor for cost in usual]
    scale *= factor
    for option, cost in own.items():
        whole[option] = int(cost * scale)
    return Costs(
        whole=tuple(whole),
        month=int(moving * scale),
        scale=scale,
        reason=COSTS_REASON if known else UNIFORM_REASON,
    )


def _check_costs(given: Sequence[tuple[str, float]]) -> None:
    wrong = [(name, cost) for name, cost in given if not 0 < cost < float("inf")]
    if wrong:
        raise InputError(
            what="a cost must be a number above 0",
            mistakes=[
                Mistake(
                    file="costs", line=0, what=f"{name} costs {cost}", next_step="give 1 or more"
                )
                for name, cost in wrong
            ],
            next_step="correct the costs of the request",
        )


@lru_cache(maxsize=4)
def _list_usual_costs(rules: RuleBase) -> tuple[tuple[int, ...], int, bool]:
    """Costs by the rule file, what they were multiplied by, and whether it says anything."""
    found = {}
    for option, attributes in rules.attributes:
        cost = _read_cost(dict(attributes))
        if cost is not None:
            found[option] = cost
    scale = math.lcm(1, *(cost.denominator for cost in found.values()))
    costs = [UNKNOWN_COST * scale] * len(rules)
    for option, cost in found.items():
        costs[option] = int(cost * scale)
    return tuple(costs), scale, bool(found)


def _read_cost(attributes: Mapping[str, object]) -> Fraction | None:
    own = attributes.get("cost")
    if isinstance(own, int | float) and not isinstance(own, bool) and own > 0:
        return Fraction(str(own))
    kind = attributes.get("class")
    units = attributes.get("units")
    count = units if isinstance(units, int) and not isinstance(units, bool) else 0
    if kind is None and not count:
        return None
    return Fraction(CLASS_COSTS.get(str(kind), UNKNOWN_COST) + COST_PER_UNIT * max(0, count))
