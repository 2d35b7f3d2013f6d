"""Services 0x19 and 0x14: read and clear fault codes."""

from dataclasses import replace

from donorfit.diagnostics.fault_codes import (
    ALL_FAULTS,
    FaultRecord,
    FaultReport,
    encode_fault_report,
)
from donorfit.diagnostics.negative_response import Nrc
from donorfit.diagnostics.uds import (
    SUPPRESS_POSITIVE_RESPONSE,
    ReportType,
    decode_clear_request,
)
from donorfit.simulator.monitors import clear
from donorfit.simulator.unit_request import Request, ServiceAnswer, Step
from donorfit.vehicle.fault_code import FaultStatus

NUMBER_BY_STATUS_MASK = 0x01
ISO_14229_FORMAT = 0x01
_SHORT_REQUEST_BYTES = 2
_MASK_REQUEST_BYTES = 3


def serve_report(request: Request) -> ServiceAnswer:
    """0x19 with sub-functions 0x01, 0x02 and 0x0A; bits the unit does not support read 0."""
    if len(request.pdu) < _SHORT_REQUEST_BYTES:
        return Nrc.INCORRECT_MESSAGE_LENGTH_OR_INVALID_FORMAT
    kind = request.pdu[1] & ~SUPPRESS_POSITIVE_RESPONSE
    lengths = {
        NUMBER_BY_STATUS_MASK: _MASK_REQUEST_BYTES,
        int(ReportType.REPORT_DTC_BY_STATUS_MASK): _MASK_REQUEST_BYTES,
        int(ReportType.REPORT_SUPPORTED_DTC): _SHORT_REQUEST_BYTES,
    }
    if kind not in lengths:
        return Nrc.SUB_FUNCTION_NOT_SUPPORTED
    if len(request.pdu) != lengths[kind]:
        return Nrc.INCORRECT_MESSAGE_LENGTH_OR_INVALID_FORMAT
    available = request.truth.availability_mask
    faults = tuple(
        FaultRecord(code=truth.code, status=FaultStatus(fault.status & available))
        for truth, fault in zip(request.truth.faults, request.unit.faults, strict=True)
    )
    if kind != ReportType.REPORT_SUPPORTED_DTC:
        faults = tuple(each for each in faults if each.status & request.pdu[2])
    if kind == NUMBER_BY_STATUS_MASK:
        head = bytes((0x59, kind, available, ISO_14229_FORMAT))
        return Step(unit=request.unit, answer=head + len(faults).to_bytes(2, "big"))
    report = FaultReport(availability=FaultStatus(available), faults=faults)
    return Step(unit=request.unit, answer=encode_fault_report(kind, report))


def serve_clear(request: Request) -> ServiceAnswer:
    """0x14 for all codes or for one; every test starts anew."""
    group = decode_clear_request(request.pdu)
    codes = {truth.code for truth in request.truth.faults}
    if group != ALL_FAULTS and group not in codes:
        return Nrc.REQUEST_OUT_OF_RANGE
    faults = tuple(
        clear(truth, fault, now_s=request.now_s, pace=request.pace)
        if group in {ALL_FAULTS, truth.code}
        else fault
        for truth, fault in zip(request.truth.faults, request.unit.faults, strict=True)
    )
    return Step(unit=replace(request.unit, faults=faults), answer=b"\x54")
