"""Fault codes (DTC) as services 0x19 and 0x14 carry them: bytes and status bits.

Status bits are those of ISO 14229-1, D.2; how a code is written is in ``vehicle.fault_text``.
"""

from dataclasses import dataclass

from donorfit.diagnostics.malformed import MalformedError
from donorfit.vehicle.fault_code import FaultStatus
from donorfit.vehicle.identity import FaultCode

ALL_FAULTS = FaultCode(0xFFFFFF)
"""Group of all fault codes in service 0x14."""

_RECORD_BYTES = 4
_HEADER_BYTES = 3


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
