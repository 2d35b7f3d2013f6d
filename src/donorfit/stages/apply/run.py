"""The run over all steps: this car, this supply, one step after the other, one record of it."""

from collections.abc import Generator, Mapping
from typing import Any, assert_never

from donorfit.diagnostics.conversation import Pause
from donorfit.diagnostics.readings import Missing, read_supply, read_text
from donorfit.records.change_record import ChangeRecord, StepResult, StepState
from donorfit.records.encoding import compute_digest
from donorfit.records.plan import Plan, Step, StepKind
from donorfit.records.preparation import Preparation
from donorfit.stages.apply.deeds import StepOutcome
from donorfit.stages.apply.program import program
from donorfit.stages.apply.write import clear_faults, reset, write
from donorfit.vehicle.control_unit import SERIAL_IDENTIFIER, VIN_IDENTIFIER, ControlUnit
from donorfit.vehicle.identity import UnitId
from donorfit.vehicle.pack import Pack

SUPPLY_LOOKS = 5
SUPPLY_PAUSE_S = 10.0

CHANGED_STATES = frozenset((StepState.DONE, StepState.ALREADY, StepState.UNCERTAIN))
GOOD_STATES = frozenset((StepState.DONE, StepState.ALREADY))


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
    done: dict[str, StepResult] = {}
    stop = yield from _check_car(pack, plan, preparation)
    for step in _put_begun_first(plan.steps, begun):
        if not stop:
            stop = yield from _wait_for_supply(pack, step)
        if stop:
            done[step.id] = _describe(step, StepOutcome(state=StepState.NOT_REACHED))
            continue
        unit = pack.find_unit(step.unit)
        if unit is None or (unit.system.read_only and step.kind is not StepKind.CLEAR_FAULTS):
            result = StepOutcome(state=StepState.SKIPPED, detail="this unit is never written")
        else:
            result = yield from _run_step(unit, step, software, begun=step.id in begun)
        done[step.id] = _describe(step, result)
        if result.state not in GOOD_STATES:
            stop = f"{step.id} {step.what}: {result.state.value}. {result.detail}".strip()
    results = [done[step.id] for step in plan.steps]
    return ChangeRecord(
        plan_digest=compute_digest(plan),
        preparation_digest=compute_digest(preparation),
        vin=plan.vin,
        steps=tuple(results),
        finished=not stop,
        changed=_list_changed(plan, results),
        stop_reason=stop,
    )


def _put_begun_first(steps: tuple[Step, ...], begun: frozenset[str]) -> tuple[Step, ...]:
    """Downloads that were begun come first: a unit in its boot loader shows no records."""
    return tuple(sorted(steps, key=lambda step: not _is_begun_download(step, begun)))


def _is_begun_download(step: Step, begun: frozenset[str]) -> bool:
    return step.kind is StepKind.PROGRAM and step.id in begun


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


def _describe(step: Step, result: StepOutcome) -> StepResult:
    return StepResult(
        step=step.id,
        unit=step.unit,
        what=step.what,
        state=result.state,
        detail=result.detail,
        looked_again=result.looks,
        held=result.held,
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


def _wait_for_supply(pack: Pack, step: Step) -> Generator[Any, Any, str]:
    """Say why the supply is not good enough for a step; empty where it is."""
    window = pack.supply
    unit = pack.find_unit(UnitId(window.unit)) if window else None
    if window is None or unit is None or step.kind in {StepKind.RESET, StepKind.CLEAR_FAULTS}:
        return ""
    reason = ""
    for look in range(SUPPLY_LOOKS):
        volts = yield from read_supply(unit, window.identifier, window.volts_per_bit)
        if isinstance(volts, Missing):
            reason = f"the supply could not be read: {volts.why}"
        elif window.lowest_volts <= volts <= window.highest_volts:
            return ""
        else:
            reason = (
                f"the supply is at {volts:.2f} V, "
                f"outside {window.lowest_volts:.1f} to {window.highest_volts:.1f} V"
            )
        if look + 1 < SUPPLY_LOOKS:
            yield Pause(seconds=SUPPLY_PAUSE_S, why=reason)
    return reason


def _run_step(
    unit: ControlUnit, step: Step, software: Mapping[str, bytes], *, begun: bool
) -> Generator[Any, Any, StepOutcome]:
    match step.kind:
        case StepKind.WRITE_OPTION_LIST | StepKind.WRITE_RECORD:
            return (yield from write(unit, step))
        case StepKind.PROGRAM:
            return (yield from program(unit, step, software[step.software_file], begun=begun))
        case StepKind.RESET:
            return (yield from reset(unit, step))
        case StepKind.CLEAR_FAULTS:
            return (yield from clear_faults(unit, step))
        case _:
            assert_never(step.kind)
