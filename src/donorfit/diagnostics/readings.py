"""Small strands that several stages share: read one value, one unit's fault codes.

Each returns what was read, or a :class:`Missing` that says why not.
"""

from collections.abc import Generator
from dataclasses import dataclass
from typing import Any

from donorfit.diagnostics.conversation import (
    Access,
    Answered,
    Effect,
    Exchange,
    NotSent,
    Outcome,
    Refused,
    Unknown,
)
from donorfit.diagnostics.fault_codes import FaultReport, decode_fault_report
from donorfit.diagnostics.malformed import MalformedError
from donorfit.diagnostics.negative_response import (
    AUTHENTICATION_WANTED,
    explain_negative_response,
)
from donorfit.diagnostics.uds import (
    decode_read_answer,
    encode_authentication_question,
    encode_fault_request,
    encode_read_request,
)
from donorfit.records.counted import count
from donorfit.vehicle.control_unit import ControlUnit
from donorfit.vehicle.identity import DataIdentifier


@dataclass(frozen=True, slots=True, kw_only=True)
class Missing:
    """A value that was not read.

    Attributes:
        why: the reason in words.
        answered: whether the unit said anything at all.
        code: negative response code; 0 where there was none.
    """

    why: str
    answered: bool
    code: int = 0


def explain_missing(outcome: Outcome) -> Missing:
    """Why an outcome carries no answer."""
    match outcome:
        case Refused():
            return Missing(
                why=explain_negative_response(outcome.code), answered=True, code=outcome.code
            )
        case NotSent() | Unknown():
            return Missing(why=outcome.why, answered=False)
        case _:
            return Missing(why="no answer of the kind expected", answered=False)


def read_identifier(
    unit: ControlUnit, identifier: DataIdentifier, what: str, access: Access | None = None
) -> Generator[Exchange, Any, bytes | Missing]:
    """Read one data identifier (ISO 14229-1, service 0x22)."""
    outcome = yield Exchange(
        unit=unit.id,
        address=unit.address,
        pdu=encode_read_request(identifier),
        effect=Effect.READING,
        what=what,
        access=access or Access(),
    )
    if not isinstance(outcome, Answered):
        return explain_missing(outcome)
    try:
        return decode_read_answer(outcome.pdu, identifier)
    except MalformedError as error:
        return Missing(why=f"the answer is malformed: {error.what}", answered=True)


def read_faults(unit: ControlUnit) -> Generator[Exchange, Any, FaultReport | Missing]:
    """Read all fault codes with their status (ISO 14229-1, service 0x19 02, mask FF)."""
    outcome = yield Exchange(
        unit=unit.id,
        address=unit.address,
        pdu=encode_fault_request(),
        effect=Effect.READING,
        what="read fault codes",
    )
    if not isinstance(outcome, Answered):
        return explain_missing(outcome)
    try:
        return decode_fault_report(outcome.pdu)
    except MalformedError as error:
        return Missing(why=f"the answer is malformed: {error.what}", answered=True)


def ask_authentication(unit: ControlUnit) -> Generator[Exchange, Any, bool]:
    """Whether a unit knows service 0x29, so that it may ask for a certificate before a write.

    Asks for its configuration (sub-function 0x08 of ISO 14229-1:2020), which changes nothing.
    """
    outcome = yield Exchange(
        unit=unit.id,
        address=unit.address,
        pdu=encode_authentication_question(),
        effect=Effect.READING,
        what="ask whether it knows authentication",
    )
    if isinstance(outcome, Refused):
        return outcome.code in AUTHENTICATION_WANTED
    return isinstance(outcome, Answered)


def read_text(
    unit: ControlUnit, identifier: DataIdentifier, what: str
) -> Generator[Exchange, Any, str | Missing]:
    """Read an identifier that holds text; fill bytes 00 and FF at the end are left out."""
    value = yield from read_identifier(unit, identifier, what)
    if isinstance(value, Missing):
        return value
    text = value.rstrip(b"\x00\xff \t").decode("latin-1")
    return "".join(character if character.isprintable() else "?" for character in text)


def read_supply(
    unit: ControlUnit, identifier: DataIdentifier, volts_per_bit: float
) -> Generator[Exchange, Any, float | Missing]:
    """Read the supply in volts: two bytes, big endian, times the scale."""
    value = yield from read_identifier(unit, identifier, "read supply")
    if isinstance(value, Missing):
        return value
    if len(value) != 2:  # noqa: PLR2004 - the pack's form of this value
        return Missing(why=f"{count(len(value), 'byte')} instead of 2", answered=True)
    return int.from_bytes(value) * volts_per_bit
