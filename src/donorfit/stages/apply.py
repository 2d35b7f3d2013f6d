"""Apply: carry out a plan step by step, looking before every write and after it.

A step ends in a known state or the stage stops and says so. A changing request whose outcome is
unknown is never simply sent again: the unit is read first, and only where it still holds the old
bytes is the step tried once more.
"""

from collections.abc import Generator, Mapping
from dataclasses import dataclass, replace
from typing import Any, assert_never

from donorfit.diagnostics.conversation import (
    Access,
    Answered,
    Download,
    Effect,
    Exchange,
    Outcome,
    Pause,
    Refused,
)
from donorfit.diagnostics.readings import (
    Missing,
    explain_missing,
    read_identifier,
    read_supply,
    read_text,
)
from donorfit.diagnostics.uds import (
    encode_clear_request,
    encode_reset_request,
    encode_write_request,
)
from donorfit.records.change_record import ChangeRecord, StepResult, StepState
from donorfit.records.encoding import compute_digest
from donorfit.records.plan import Plan, Step, StepKind
from donorfit.records.preparation import Preparation
from donorfit.vehicle.control_unit import (
    SERIAL_IDENTIFIER,
    SOFTWARE_IDENTIFIER,
    VIN_IDENTIFIER,
    ControlUnit,
)
from donorfit.vehicle.identity import UnitId
from donorfit.vehicle.pack import Pack

MOST_TRIES = 5
"""Tries of one step whose outcome stays unknown; a refusal ends the step at once."""
MOST_LOOKS_AFTER_RESET = 12
SUPPLY_LOOKS = 5
SUPPLY_PAUSE_S = 10.0

CHANGED_STATES = frozenset((StepState.DONE, StepState.ALREADY, StepState.UNCERTAIN))
GOOD_STATES = frozenset((StepState.DONE, StepState.ALREADY))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Result:
    state: StepState
    detail: str = ""
    looks: int = 0
    held: bytes = b""


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
    results: list[StepResult] = []
    stop = yield from _check_car(pack, plan, preparation)
    for step in plan.steps:
        if not stop:
            stop = yield from _wait_for_supply(pack, step)
        if stop:
            results.append(_describe(step, _Result(state=StepState.NOT_REACHED)))
            continue
        unit = pack.find_unit(step.unit)
        if unit is None or (unit.system.read_only and step.kind is not StepKind.CLEAR_FAULTS):
            result = _Result(state=StepState.SKIPPED, detail="this unit is never written")
        else:
            result = yield from _run_step(unit, step, software, begun=step.id in begun)
        results.append(_describe(step, result))
        if result.state not in GOOD_STATES:
            stop = f"{step.id} {step.what}: {result.state.value}. {result.detail}".strip()
    return ChangeRecord(
        plan_digest=compute_digest(plan),
        preparation_digest=compute_digest(preparation),
        vin=plan.vin,
        steps=tuple(results),
        finished=not stop,
        changed=_list_changed(plan, results),
        stop_reason=stop,
    )


def _list_changed(plan: Plan, results: list[StepResult]) -> tuple[str, ...]:
    kinds = {step.id: step.kind for step in plan.steps}
    lasting = {StepKind.PROGRAM, StepKind.WRITE_OPTION_LIST, StepKind.WRITE_RECORD}
    return tuple(
        dict.fromkeys(
            result.unit
            for result in results
            if result.state in CHANGED_STATES and kinds[result.step] in lasting
        )
    )


def _describe(step: Step, result: _Result) -> StepResult:
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
) -> Generator[Any, Any, _Result]:
    match step.kind:
        case StepKind.WRITE_OPTION_LIST | StepKind.WRITE_RECORD:
            return (yield from _write(unit, step))
        case StepKind.PROGRAM:
            return (yield from _program(unit, step, software[step.software_file], begun=begun))
        case StepKind.RESET:
            return (yield from _reset(unit, step))
        case StepKind.CLEAR_FAULTS:
            return (yield from _clear(unit, step))
        case _:
            assert_never(step.kind)


def _change(step: Step, pdu: bytes, what: str, access: Access) -> Exchange:
    return Exchange(
        unit=step.unit,
        address=step.address,
        pdu=pdu,
        effect=Effect.CHANGING,
        what=what,
        access=access,
    )


def _access(step: Step) -> Access:
    return Access(session=step.session, security_level=step.security_level)


def _write(unit: ControlUnit, step: Step) -> Generator[Any, Any, _Result]:
    """Look, write, read back; look again after every unknown outcome."""
    why = ""
    for tries in range(MOST_TRIES + 1):
        held = yield from read_identifier(unit, step.identifier, f"look at {step.what}")
        if isinstance(held, Missing):
            return _Result(
                state=StepState.UNCERTAIN if tries else StepState.REFUSED,
                detail=f"it cannot be read: {held.why}",
                looks=tries,
            )
        if held == step.after:
            state = StepState.DONE if tries else StepState.ALREADY
            detail = (
                f"{why}, so it was looked at: it holds the new bytes" if why else "read back equal"
            )
            return _Result(state=state, detail=detail, looks=max(tries - 1, 0))
        if held != step.before:
            return _Result(
                state=StepState.DIFFERS,
                detail=f"holds {held.hex().upper()}; old {step.before.hex().upper()}, "
                f"new {step.after.hex().upper()}. Restore from the backup.",
                looks=tries,
                held=held,
            )
        if tries and not why:
            return _Result(
                state=StepState.DIFFERS,
                detail="the unit accepted the write but still holds the old bytes",
                looks=tries,
                held=held,
            )
        if tries == MOST_TRIES:
            break
        outcome: Outcome = yield _change(
            step, encode_write_request(step.identifier, step.after), step.what, _access(step)
        )
        if isinstance(outcome, Refused):
            return _Result(
                state=StepState.REFUSED,
                detail=f"{explain_missing(outcome).why}; it still holds the old bytes",
                looks=tries,
            )
        why = "" if isinstance(outcome, Answered) else explain_missing(outcome).why
    return _Result(
        state=StepState.REFUSED,
        detail=f"no answer in {MOST_TRIES} tries ({why}); it holds the old bytes",
        looks=MOST_TRIES,
    )


def _program(
    unit: ControlUnit, step: Step, data: bytes, *, begun: bool
) -> Generator[Any, Any, _Result]:
    """Download one block, reset, and look at the version; a broken download is begun again."""
    started = begun
    why = ""
    for tries in range(MOST_TRIES):
        version = yield from read_text(unit, SOFTWARE_IDENTIFIER, "read software version")
        if version == step.software_after:
            state = StepState.DONE if started else StepState.ALREADY
            return _Result(state=state, detail=f"reports {version}", looks=max(tries - 1, 0))
        if not started and version != step.software_before:
            said = version.why if isinstance(version, Missing) else version
            return _Result(
                state=StepState.DIFFERS,
                detail=f"reports {said!r} instead of {step.software_before!r}; nothing was sent",
            )
        started = True
        outcome: Outcome = yield Download(
            unit=step.unit,
            address=step.address,
            memory_address=step.memory_address,
            data=data,
            routine_check=step.routine_check,
            what=step.what,
            access=_access(step),
        )
        if isinstance(outcome, Refused):
            why = explain_missing(outcome).why
            return _Result(
                state=StepState.UNCERTAIN,
                detail=f"{why}; the unit may be in its boot loader: resume to begin again",
                looks=tries,
            )
        why = "" if isinstance(outcome, Answered) else explain_missing(outcome).why
        yield from _restart(unit, step)
    return _Result(
        state=StepState.UNCERTAIN,
        detail=f"version {step.software_after} was not reported after {MOST_TRIES} tries. {why}",
        looks=MOST_TRIES,
    )


def _restart(unit: ControlUnit, step: Step) -> Generator[Any, Any, str]:
    """Reset a unit and wait until it speaks; return why not, or nothing."""
    outcome: Outcome = yield _change(
        step, encode_reset_request(), f"reset {unit.id}", Access(session=3)
    )
    if isinstance(outcome, Refused):
        return explain_missing(outcome).why
    yield Pause(seconds=unit.reset_seconds, why=f"{unit.title} starts again")
    why = ""
    for _ in range(MOST_LOOKS_AFTER_RESET):
        serial = yield from read_text(unit, SERIAL_IDENTIFIER, "see whether it is back")
        if not isinstance(serial, Missing) or serial.answered:
            return ""
        why = serial.why
        yield Pause(seconds=1.0, why=f"{unit.title} is not back yet")
    return why


def _reset(unit: ControlUnit, step: Step) -> Generator[Any, Any, _Result]:
    why = yield from _restart(unit, step)
    if why:
        return _Result(state=StepState.REFUSED, detail=f"not back after the reset: {why}")
    return _Result(state=StepState.DONE, detail="answers again")


def _clear(unit: ControlUnit, step: Step) -> Generator[Any, Any, _Result]:
    """Clear fault codes; doing it twice does no harm, so an unknown outcome is tried again."""
    result = _Result(state=StepState.UNCERTAIN)
    for tries in range(MOST_TRIES):
        outcome: Outcome = yield _change(step, encode_clear_request(), step.what, Access())
        if isinstance(outcome, Answered):
            return _Result(state=StepState.DONE, looks=tries)
        why = explain_missing(outcome).why
        if isinstance(outcome, Refused):
            return _Result(state=StepState.REFUSED, detail=f"{unit.title}: {why}", looks=tries)
        result = replace(result, detail=f"no answer: {why}", looks=tries + 1)
    return result
