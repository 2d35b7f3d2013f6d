"""What it costs to change an option, and why, in words a person can check.

Common practice, no source: touching something safety-relevant weighs most, then what makes many
units be configured again, then what is not known, then comfort. An attribute ``cost`` in the rule
file or a cost in the request overrides it.
"""

from collections.abc import Mapping, Sequence
from fractions import Fraction

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


def list_costs(
    rules: RuleBase, places: Mapping[str, int], given: Sequence[tuple[str, float]]
) -> tuple[list[Fraction], str]:
    """Cost of changing each option, and why they are so.

    Raises:
        InputError: a cost is not above 0.
    """
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
    costs = [Fraction(UNKNOWN_COST)] * len(rules)
    known = False
    for option, attributes in rules.attributes:
        found = _read_cost(dict(attributes))
        if found is not None:
            costs[option], known = found, True
    for name, cost in given:
        costs[places[name]] = Fraction(str(cost))
    return costs, COSTS_REASON if known else UNIFORM_REASON


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


def scale_to_whole(costs: Sequence[Fraction], month_cost: Fraction) -> tuple[list[int], int, int]:
    """Costs as whole numbers, the month's one, and what they were multiplied by."""
    scale = month_cost.denominator
    for cost in set(costs):
        if scale % cost.denominator:
            scale *= cost.denominator
    return [int(cost * scale) for cost in costs], int(month_cost * scale), scale
