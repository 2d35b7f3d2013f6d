"""What every deed on a unit needs: its result, its request, and a restart."""

from collections.abc import Generator
from dataclasses import dataclass
from typing import Any

from donorfit.diagnostics.conversation import (
    Access,
    Answered,
    Effect,
    Exchange,
    Outcome,
    Pause,
    Refused,
)
from donorfit.diagnostics.readings import Missing, explain_missing, read_text
from donorfit.diagnostics.uds import encode_reset_request
from donorfit.records.change_record import StepState
from donorfit.records.plan import Step
from donorfit.vehicle.control_unit import SERIAL_IDENTIFIER, ControlUnit

MOST_TRIES = 5
"""Tries of one step whose outcome stays unknown; a refusal ends the step at once."""
MOST_LOOKS_AFTER_RESET = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class StepOutcome:
    """What became of one step.

    Attributes:
        state: how it ended.
        detail: in words.
        looks: how often the unit was looked at again.
        held: bytes that it holds, where they are neither old nor new.
    """

    state: StepState
    detail: str = ""
    looks: int = 0
    held: bytes = b""


def make_change(step: Step, pdu: bytes, what: str, access: Access) -> Exchange:
    """A request that changes something, in the access that it needs."""
    return Exchange(
        unit=step.unit,
        address=step.address,
        pdu=pdu,
        effect=Effect.CHANGING,
        what=what,
        access=access,
    )


def make_access(step: Step) -> Access:
    """The access that a step needs."""
    return Access(session=step.session, security_level=step.security_level)


def restart(unit: ControlUnit, step: Step) -> Generator[Any, Any, str]:
    """Reset a unit and wait until it speaks; return why not, or nothing.

    That a unit speaks does not prove that it has started anew. A reset done twice does no harm,
    so one without an answer is done again.
    """
    why = ""
    for _ in range(MOST_TRIES):
        outcome: Outcome = yield make_change(
            step, encode_reset_request(), f"reset {unit.id}", Access(session=3)
        )
        if isinstance(outcome, Refused):
            return explain_missing(outcome).why
        yield Pause(seconds=unit.reset_seconds, why=f"{unit.title} starts again")
        why = yield from _wait_until_back(unit)
        if why or isinstance(outcome, Answered):
            return why
        why = f"it speaks, but the reset was never answered: {explain_missing(outcome).why}"
    return why


def _wait_until_back(unit: ControlUnit) -> Generator[Any, Any, str]:
    why = ""
    for _ in range(MOST_LOOKS_AFTER_RESET):
        serial = yield from read_text(unit, SERIAL_IDENTIFIER, "see whether it is back")
        if not isinstance(serial, Missing) or serial.answered:
            return ""
        why = serial.why
        yield Pause(seconds=1.0, why=f"{unit.title} is not back yet")
    return why
