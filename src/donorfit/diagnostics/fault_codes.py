"""Fault codes (DTC) as services 0x19 and 0x14 carry them: bytes, status bits and text.

Text follows SAE J2012-DA: two bits choose the letter P, C, B or U, two bits the first digit, and
three hexadecimal digits follow; after a hyphen stands the failure type byte. Status bits are those
of ISO 14229-1, D.2.
"""

import re
from dataclasses import dataclass
from enum import IntFlag

from donorfit.diagnostics.malformed import MalformedError
from donorfit.vehicle.identity import FaultCode

ALL_FAULTS = FaultCode(0xFFFFFF)
"""Group of all fault codes in service 0x14."""

_LETTERS = "PCBU"
_RECORD_BYTES = 4
_HEADER_BYTES = 3
_MAX_CODE = 0xFFFFFF
_TEXT = re.compile(r"([PCBU])([0-3])([0-9A-F]{3})(?:-([0-9A-F]{2}))?")


class FaultStatus(IntFlag):
    """Status bits of one fault code."""

    TEST_FAILED = 0x01
    TEST_FAILED_THIS_OPERATION_CYCLE = 0x02
    PENDING = 0x04
    CONFIRMED = 0x08
    TEST_NOT_COMPLETED_SINCE_LAST_CLEAR = 0x10
    TEST_FAILED_SINCE_LAST_CLEAR = 0x20
    TEST_NOT_COMPLETED_THIS_OPERATION_CYCLE = 0x40
    WARNING_INDICATOR_REQUESTED = 0x80


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultRecord:
    """One fault code with its status byte; bits that the unit does not support are 0."""

    code: FaultCode
    status: FaultStatus


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultReport:
    """Answer of service 0x19, sub-functions 0x02 and 0x0A.

    Attributes:
        availability: status bits that the unit supports.
        faults: fault codes in the unit's order.
    """

    availability: FaultStatus
    faults: tuple[FaultRecord, ...]


def write_fault_code(code: FaultCode) -> str:
    """The fault code as text: 0x012300 is ``P0123-00``.

    Raises:
        ValueError: the code is not of three bytes.
    """
    if not 0 <= code <= _MAX_CODE:
        message = f"{code:#x} is not a fault code of three bytes"
        raise ValueError(message)
    return f"{_LETTERS[code >> 22]}{code >> 20 & 0b11}{code >> 8 & 0xFFF:03X}-{code & 0xFF:02X}"


def parse_fault_code(text: str) -> FaultCode:
    """The fault code behind text such as ``P0123-00``; without a failure type, type 00.

    Raises:
        ValueError: the text is no fault code.
    """
    match = _TEXT.fullmatch(text.strip().upper())
    if match is None:
        message = f"{text!r} is not a fault code written like P0123-00"
        raise ValueError(message)
    letter, digit, number, failure_type = match.groups()
    high = _LETTERS.index(letter) << 22 | int(digit) << 20 | int(number, 16) << 8
    return FaultCode(high | int(failure_type or "0", 16))


def encode_fault_report(sub_function: int, report: FaultReport) -> bytes:
    """The positive answer of 0x19 with sub-function 0x02 or 0x0A."""
    records = b"".join(
        fault.code.to_bytes(3, "big") + bytes((fault.status,)) for fault in report.faults
    )
    return bytes((0x59, sub_function, report.availability)) + records


def decode_fault_report(pdu: bytes) -> FaultReport:
    """The fault codes of a positive answer to 0x19 0x02 or 0x0A.

    A status byte is masked with the availability mask of the same answer, since the other bits
    mean nothing.

    Raises:
        MalformedError: not such an answer, or not whole records.
    """
    size = len(pdu) - _HEADER_BYTES
    if size < 0 or pdu[0] != 0x59 or pdu[1] not in {0x02, 0x0A} or size % _RECORD_BYTES:  # noqa: PLR2004
        raise MalformedError(what="list of fault codes", data=pdu)
    availability = pdu[2]
    faults = tuple(
        FaultRecord(
            code=FaultCode(int.from_bytes(pdu[at : at + 3], "big")),
            status=FaultStatus(pdu[at + 3] & availability),
        )
        for at in range(_HEADER_BYTES, len(pdu), _RECORD_BYTES)
    )
    return FaultReport(availability=FaultStatus(availability), faults=faults)
