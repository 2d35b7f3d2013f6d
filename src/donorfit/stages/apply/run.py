"""The run over all rounds: this car, lanes side by side, one record of it all."""

from collections.abc import Generator, Mapping
from dataclasses import dataclass
from functools import partial
from typing import Any

from donorfit.diagnostics.conversation import Mark, MarkKind, Together
from donorfit.diagnostics.readings import Missing, read_text
from donorfit.records.change_record import ChangeRecord, StepResult, StepState
from donorfit.records.encoding import compute_digest
from donorfit.records.plan import Plan, Step, StepKind
from donorfit.records.preparation import Preparation
from donorfit.records.session_order import BEGUN_LANE, name_lane
from donorfit.stages.apply.deeds import StepOutcome
from donorfit.stages.apply.lanes import LaneEnd, describe_step, run_lane
from donorfit.vehicle.control_unit import SERIAL_IDENTIFIER, VIN_IDENTIFIER
from donorfit.vehicle.pack import Pack

CHANGED_STATES = frozenset((StepState.DONE, StepState.ALREADY, StepState.UNCERTAIN))


def apply(
    pack: Pack,
    plan: Plan,
    preparation: Preparation,
    software: Mapping[str, bytes],
    begun: frozenset[str] = frozenset(),
) -> Generator[Any, Any, ChangeRecord]:
    """Carry out a plan.

    Args:
        pack: the car family.
        plan: what to do.
        preparation: backups and identities; the caller has checked that it is of this plan and
            ready.
        software: bytes of every software file that the plan names.
        begun: steps that an earlier run of this plan left uncertain: such a unit may be in its
            boot loader and report no version of the plan.

    Returns:
        What became of every step; ``stop_reason`` says why where it is not finished.
    """
    rounds, stop = _list_rounds(plan, begun)
    downloads = tuple(step for step in plan.steps if step.kind is StepKind.PROGRAM)
    run = partial(run_lane, pack, software=software, begun=begun, downloads=downloads)
    if not stop:
        stop = yield from _check_car(pack, plan, preparation)
    ended: list[LaneEnd] = []
    safe = True
    for number, each in enumerate(rounds, start=1):
        if stop:
            break
        if plan.order is None:
            lanes = ((yield from run(each.row, marked=False)),)
        else:
            yield Mark(kind=MarkKind.ROUND, what=each.say(number, len(rounds)))
            lanes = yield Together(
                strands=tuple(
                    (name, run(steps, marked=True, safe=safe)) for name, steps in each.lanes
                )
            )
            safe = all(steps[-1].safe_after for _, steps in each.lanes)
        ended += lanes
        stop = "; ".join(lane.stop for lane in lanes if lane.stop)
    done = {result.step: result for lane in ended for result in lane.results}
    left = StepOutcome(state=StepState.NOT_REACHED)
    results = [done.get(step.id) or describe_step(step, left) for step in plan.steps]
    return ChangeRecord(
        plan_digest=compute_digest(plan),
        preparation_digest=compute_digest(preparation),
        vin=plan.vin,
        steps=tuple(results),
        finished=not stop,
        changed=_list_changed(plan, results),
        stop_reason=stop,
        supply=tuple(reading for lane in ended for reading in lane.supply),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Round:
    """Lanes that begin together, each by its name with its steps."""

    lanes: tuple[tuple[str, tuple[Step, ...]], ...]

    @property
    def row(self) -> tuple[Step, ...]:
        """All steps in a row."""
        return tuple(step for _, steps in self.lanes for step in steps)

    def say(self, number: int, of: int) -> str:
        """The round in a few words."""
        networks = [steps[0].network for _, steps in self.lanes]
        return f"round {number} of {of}: {', '.join(networks)}"


def _list_rounds(plan: Plan, begun: frozenset[str]) -> tuple[tuple[_Round, ...], str]:
    """The rounds of a plan, or why they cannot be followed.

    Downloads that were begun come first, one after the other. A plan without an order is one row.
    """
    first = plan.list_first(begun)
    rest = {step.id: step for step in plan.steps if step not in first}
    if plan.order is None:
        return (_Round(lanes=(("row", (*first, *rest.values())),)),), ""
    rounds = [_Round(lanes=((BEGUN_LANE, first),))] if first else []
    ids = [id_ for each in plan.order.rounds for lane in each.lanes for id_ in lane.steps]
    if sorted(ids) != sorted(step.id for step in plan.steps):
        return (), "the rounds of this plan do not hold each of its steps once: plan again"
    for each in plan.order.rounds:
        lanes = []
        for lane in each.lanes:
            steps = tuple(rest[id_] for id_ in lane.steps if id_ in rest)
            if steps:
                lanes.append((name_lane(each.number, lane.network), steps))
        if lanes:
            rounds.append(_Round(lanes=tuple(lanes)))
    return tuple(rounds), ""


def _list_changed(plan: Plan, results: list[StepResult]) -> tuple[str, ...]:
    kinds = {step.id: step.kind for step in plan.steps}
    lasting = {StepKind.PROGRAM, StepKind.WRITE_OPTION_LIST, StepKind.WRITE_RECORD}
    return tuple(
        dict.fromkeys(
            result.unit
            for result in results
            if (result.state in CHANGED_STATES or result.held) and kinds[result.step] in lasting
        )
    )


def _check_car(pack: Pack, plan: Plan, preparation: Preparation) -> Generator[Any, Any, str]:
    """Say why this is not the prepared car; empty where it is."""
    keepers = pack.list_keepers()
    if keepers:
        vin = yield from read_text(keepers[0], VIN_IDENTIFIER, "read VIN")
        if isinstance(vin, Missing):
            return f"the car's VIN could not be read: {vin.why}"
        if vin != plan.vin:
            return f"this is another car: {vin} instead of {plan.vin}"
    for identity in preparation.identities:
        unit = pack.find_unit(identity.unit)
        if unit is None:
            return f"the pack has no unit {identity.unit}"
        serial = yield from read_text(unit, SERIAL_IDENTIFIER, "read serial number")
        if isinstance(serial, Missing):
            return f"{unit.title} does not say its serial number: {serial.why}"
        if serial != identity.serial:
            return f"{unit.title} was swapped: serial {serial} instead of {identity.serial}"
    return ""
