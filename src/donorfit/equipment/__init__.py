"""Equipment reasoning: is an option list possible, why not, and what is the cheapest way out.

The functions carry the names of the commands: :func:`check`, :func:`why`, :func:`repair`,
:func:`implied`, :func:`months`, :func:`compare`, :func:`facts`, :func:`leftovers`,
:func:`replay`; rules are read by :func:`read_uvl`. Everything here is pure: no files, no clock but
the time budget of a search.
"""

from donorfit.equipment.answer_parts import ReplayAnswer
from donorfit.equipment.answers import (
    BrokenRule,
    CheckAnswer,
    Clash,
    CompareAnswer,
    Explanation,
    Fact,
    FactsAnswer,
    ImpliedAnswer,
    Leftover,
    LeftoversAnswer,
    MonthBlocker,
    MonthsAnswer,
    Repair,
    RepairAnswer,
    RepairEntry,
    RepairRequest,
    Role,
    Step,
    Structure,
)
from donorfit.equipment.check import check
from donorfit.equipment.compare import compare
from donorfit.equipment.facts import facts
from donorfit.equipment.implied import implied
from donorfit.equipment.leftovers import leftovers
from donorfit.equipment.months import months
from donorfit.equipment.read_uvl import Import, list_imports, read_uvl
from donorfit.equipment.repair import repair
from donorfit.equipment.replay import replay
from donorfit.equipment.why import why

__all__ = [
    "BrokenRule",
    "CheckAnswer",
    "Clash",
    "CompareAnswer",
    "Explanation",
    "Fact",
    "FactsAnswer",
    "ImpliedAnswer",
    "Import",
    "Leftover",
    "LeftoversAnswer",
    "MonthBlocker",
    "MonthsAnswer",
    "Repair",
    "RepairAnswer",
    "RepairEntry",
    "RepairRequest",
    "ReplayAnswer",
    "Role",
    "Step",
    "Structure",
    "check",
    "compare",
    "facts",
    "implied",
    "leftovers",
    "list_imports",
    "months",
    "read_uvl",
    "repair",
    "replay",
    "why",
]
