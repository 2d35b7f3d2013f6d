"""What the job file says was done for a plan already, to be looked at before it is relied on."""

from collections.abc import Mapping

from donorfit.diagnostics.conversation import Noted
from donorfit.job.journal import PastAsk
from donorfit.records.change_record import ChangeRecord, StepState
from donorfit.records.plan import Plan, PlanPurpose, StepKind
from donorfit.records.session_order import BEGUN_LANE, name_lane

TOUCHED = frozenset((StepState.DONE, StepState.ALREADY, StepState.UNCERTAIN, StepState.DIFFERS))
"""States of a step after which the car may hold what it wrote."""


def find_begun(plan: Plan, earlier: ChangeRecord | None) -> frozenset[str]:
    """Steps after which a unit may be in its boot loader, where it reports no known version.

    Those that the newest change record of this plan left uncertain; of an undo plan every
    download, since what it takes back may have been cut in the middle.
    """
    if plan.purpose is PlanPurpose.UNDO:
        return frozenset(step.id for step in plan.steps if step.kind is StepKind.PROGRAM)
    steps = earlier.steps if earlier is not None else ()
    return frozenset(step.step for step in steps if step.state is StepState.UNCERTAIN)


def list_closed(
    plan: Plan, begun: frozenset[str], asks: Mapping[str, tuple[PastAsk, ...]]
) -> frozenset[str]:
    """Steps that a cut run of a plan has closed.

    Args:
        plan: the plan.
        begun: steps that came before all others because their download had been begun.
        asks: what the run's journal holds, by strand.
    """
    if plan.order is None:
        return frozenset()
    first = tuple(step.id for step in plan.list_first(begun))
    lanes = {f"apply/{BEGUN_LANE}": first} | {
        f"apply/{name_lane(each.number, lane.network)}": tuple(
            step for step in lane.steps if step not in first
        )
        for each in plan.order.rounds
        for lane in each.lanes
    }
    return frozenset(
        step
        for name, steps in lanes.items()
        for step in steps[: sum(map(_is_closing, asks.get(name, ())))]
    )


def _is_closing(ask: PastAsk) -> bool:
    return ask.binding and isinstance(ask.outcome, Noted)


def list_touched(change: ChangeRecord | None) -> frozenset[str]:
    """Steps that the car may hold something of, as an earlier record says."""
    steps = change.steps if change is not None else ()
    return frozenset(each.step for each in steps if each.state in TOUCHED)
