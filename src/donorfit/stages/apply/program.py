"""Program one unit: download, reset, and look at the version that it reports."""

from collections.abc import Generator
from typing import Any

from donorfit.diagnostics.conversation import Answered, Download, Outcome, Refused
from donorfit.diagnostics.readings import Missing, explain_missing, read_text
from donorfit.records.change_record import StepState
from donorfit.records.plan import Step
from donorfit.stages.apply.deeds import MOST_TRIES, StepOutcome, make_access, restart
from donorfit.vehicle.control_unit import SOFTWARE_IDENTIFIER, ControlUnit


def program(
    unit: ControlUnit, step: Step, data: bytes, *, begun: bool
) -> Generator[Any, Any, StepOutcome]:
    """Download one block, reset, and look at the version; a broken download is begun again."""
    started = begun
    why = ""
    for tries in range(MOST_TRIES):
        version = yield from read_text(unit, SOFTWARE_IDENTIFIER, "read software version")
        if version == step.software_after:
            state = StepState.DONE if started else StepState.ALREADY
            return StepOutcome(state=state, detail=f"reports {version}", looks=max(tries - 1, 0))
        if not started and version != step.software_before:
            said = version.why if isinstance(version, Missing) else version
            return StepOutcome(
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
            access=make_access(step),
        )
        if isinstance(outcome, Refused):
            why = explain_missing(outcome).why
            return StepOutcome(
                state=StepState.UNCERTAIN,
                detail=f"{why}; the unit may be in its boot loader: resume to begin again",
                looks=tries,
            )
        why = "" if isinstance(outcome, Answered) else explain_missing(outcome).why
        yield from restart(unit, step)
    return StepOutcome(
        state=StepState.UNCERTAIN,
        detail=f"version {step.software_after} was not reported after {MOST_TRIES} tries. {why}",
        looks=MOST_TRIES,
    )
