"""A request turned into places of the columns."""

from dataclasses import dataclass

from donorfit.equipment.answers import RepairRequest
from donorfit.equipment.compiled import Compiled
from donorfit.equipment.costs import Costs
from donorfit.equipment.repair_search import Problem


@dataclass(frozen=True, slots=True, kw_only=True)
class Prepared:
    """A request in places of the columns.

    Attributes:
        compiled: the rules.
        request: the request.
        problem: what is searched.
        facts: hard facts that change the declared list, and what they are called.
        costs: what changes cost.
    """

    compiled: Compiled
    request: RepairRequest
    problem: Problem
    facts: tuple[tuple[int, str], ...]
    costs: Costs
