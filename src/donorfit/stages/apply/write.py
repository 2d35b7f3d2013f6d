"""The deeds that a backup or a repetition takes back: write a record, reset, clear fault codes."""

from collections.abc import Callable, Generator
from dataclasses import replace
from typing import Any

from donorfit.diagnostics.conversation import Access, Answered, NotSent, Outcome, Refused
from donorfit.diagnostics.readings import Missing, explain_missing, read_identifier
from donorfit.diagnostics.uds import encode_clear_request, encode_write_request
from donorfit.records.change_record import StepState
from donorfit.records.plan import Step
from donorfit.stages.apply.deeds import (
    MOST_TRIES,
    StepOutcome,
    make_access,
    make_change,
    restart,
)
from donorfit.vehicle.control_unit import ControlUnit


def write(
    unit: ControlUnit, step: Step, wait_for_supply: Callable[[], Generator[Any, Any, str]]
) -> Generator[Any, Any, StepOutcome]:
    """Look, write, read back; look again after every unknown outcome.

    Args:
        unit: the unit.
        step: the step; its supply was looked at.
        wait_for_supply: looks at it again before another try, since a supply that broke down may
            be why the first one stayed without an answer; says why it is not good enough.
    """
    why = ""
    sent = False
    for tries in range(MOST_TRIES + 1):
        short = (yield from wait_for_supply()) if why else ""
        held = yield from read_identifier(unit, step.identifier, f"look at {step.what}")
        ended = _judge_held(step, held, tries, why)
        if ended is not None:
            return ended
        if tries == MOST_TRIES:
            break
        if short:
            return StepOutcome(
                state=StepState.NOT_BEGUN,
                detail=f"{why}; it still holds the old bytes, and {short}",
                looks=tries,
            )
        outcome: Outcome = yield make_change(
            step, encode_write_request(step.identifier, step.after), step.what, make_access(step)
        )
        if isinstance(outcome, Refused):
            return (yield from _look_after_refusal(unit, step, outcome, tries))
        why = "" if isinstance(outcome, Answered) else explain_missing(outcome).why
        sent = sent or not isinstance(outcome, NotSent)
    said = "no answer in" if sent else "it could not be sent in"
    return StepOutcome(
        state=StepState.REFUSED if sent else StepState.NOT_BEGUN,
        detail=f"{said} {MOST_TRIES} tries ({why}); it holds the old bytes",
        looks=MOST_TRIES,
    )


def _judge_held(step: Step, held: bytes | Missing, tries: int, why: str) -> StepOutcome | None:
    """What was seen before a try ends the step; None where the old bytes may be written over."""
    if isinstance(held, Missing):
        state = StepState.REFUSED if held.answered else StepState.NOT_BEGUN
        return StepOutcome(
            state=StepState.UNCERTAIN if tries else state,
            detail=f"it cannot be read: {held.why}",
            looks=tries,
        )
    if held == step.after:
        state = StepState.DONE if tries else StepState.ALREADY
        detail = (
            f"{why}, so it was looked at: it holds the new bytes" if why else "read back equal"
        )
        return StepOutcome(state=state, detail=detail, looks=max(tries - 1, 0))
    if held != step.before:
        return _describe_other(step, held, tries)
    if tries and not why:
        return StepOutcome(
            state=StepState.DIFFERS,
            detail="the unit accepted the write but still holds the old bytes",
            looks=tries,
            held=held,
        )
    return None


def _look_after_refusal(
    unit: ControlUnit, step: Step, refused: Refused, tries: int
) -> Generator[Any, Any, StepOutcome]:
    """What a unit holds that refused the write: it may have begun before it said no."""
    why = explain_missing(refused).why
    held = yield from read_identifier(unit, step.identifier, f"look at {step.what}")
    if isinstance(held, Missing):
        return StepOutcome(
            state=StepState.UNCERTAIN,
            detail=f"{why}; what it holds now cannot be read: {held.why}",
            looks=tries + 1,
        )
    if held == step.before:
        return StepOutcome(
            state=StepState.REFUSED, detail=f"{why}; it still holds the old bytes", looks=tries
        )
    if held == step.after:
        return StepOutcome(
            state=StepState.UNCERTAIN,
            detail=f"{why}, and yet it holds the new bytes",
            looks=tries + 1,
        )
    return _describe_other(step, held, tries + 1, f"{why}, and yet it ")


def _describe_other(step: Step, held: bytes, looks: int, said: str = "") -> StepOutcome:
    return StepOutcome(
        state=StepState.DIFFERS,
        detail=f"{said}holds {held.hex().upper()}; old {step.before.hex().upper()}, "
        f"new {step.after.hex().upper()}. Restore from the backup.",
        looks=looks,
        held=held,
    )


def reset(unit: ControlUnit, step: Step) -> Generator[Any, Any, StepOutcome]:
    """Reset a unit; it is done when it answers again."""
    why = yield from restart(unit, step)
    if why:
        return StepOutcome(state=StepState.REFUSED, detail=f"not back after the reset: {why}")
    return StepOutcome(state=StepState.DONE, detail="answers again")


def clear_faults(unit: ControlUnit, step: Step) -> Generator[Any, Any, StepOutcome]:
    """Clear fault codes; doing it twice does no harm, so an unknown outcome is tried again."""
    result = StepOutcome(state=StepState.UNCERTAIN)
    for tries in range(MOST_TRIES):
        outcome: Outcome = yield make_change(step, encode_clear_request(), step.what, Access())
        if isinstance(outcome, Answered):
            return StepOutcome(state=StepState.DONE, looks=tries)
        why = explain_missing(outcome).why
        if isinstance(outcome, Refused):
            return StepOutcome(state=StepState.REFUSED, detail=f"{unit.title}: {why}", looks=tries)
        result = replace(result, detail=f"no answer: {why}", looks=tries + 1)
    return result
