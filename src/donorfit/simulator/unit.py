"""One control unit: which service answers a request, and what is refused before it."""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from donorfit.diagnostics.malformed import MalformedError
from donorfit.diagnostics.negative_response import Nrc, encode_negative_response
from donorfit.diagnostics.uds import SUPPRESS_POSITIVE_RESPONSE, Service, Session
from donorfit.simulator.data_services import serve_read, serve_write
from donorfit.simulator.download_services import (
    serve_request_download,
    serve_request_file,
    serve_transfer_data,
    serve_transfer_exit,
)
from donorfit.simulator.fault_services import serve_clear, serve_report
from donorfit.simulator.routine_services import serve_routine
from donorfit.simulator.session_services import (
    count_wrong_key,
    serve_reset,
    serve_security,
    serve_session,
    serve_tester_present,
)
from donorfit.simulator.state import UnitState
from donorfit.simulator.unit_request import Request, Serve

_EVERY = frozenset(Session)
_APPLICATION = frozenset((Session.DEFAULT, Session.EXTENDED))
_OPENED = frozenset((Session.PROGRAMMING, Session.EXTENDED))

SERVICES: Mapping[int, Serve] = MappingProxyType(
    {
        Service.DIAGNOSTIC_SESSION_CONTROL: serve_session,
        Service.ECU_RESET: serve_reset,
        Service.CLEAR_DIAGNOSTIC_INFORMATION: serve_clear,
        Service.READ_DTC_INFORMATION: serve_report,
        Service.READ_DATA_BY_IDENTIFIER: serve_read,
        Service.SECURITY_ACCESS: serve_security,
        Service.WRITE_DATA_BY_IDENTIFIER: serve_write,
        Service.ROUTINE_CONTROL: serve_routine,
        Service.REQUEST_DOWNLOAD: serve_request_download,
        Service.REQUEST_FILE_TRANSFER: serve_request_file,
        Service.TRANSFER_DATA: serve_transfer_data,
        Service.REQUEST_TRANSFER_EXIT: serve_transfer_exit,
        Service.TESTER_PRESENT: serve_tester_present,
    }
)
_SESSIONS: Mapping[int, frozenset[Session]] = MappingProxyType(
    {
        Service.CLEAR_DIAGNOSTIC_INFORMATION: _APPLICATION,
        Service.READ_DTC_INFORMATION: _APPLICATION,
        Service.SECURITY_ACCESS: _OPENED,
        Service.ROUTINE_CONTROL: _OPENED,
        Service.REQUEST_DOWNLOAD: _OPENED,
        Service.REQUEST_FILE_TRANSFER: _OPENED,
        Service.TRANSFER_DATA: _OPENED,
        Service.REQUEST_TRANSFER_EXIT: _OPENED,
    }
)
_NEEDS_APPLICATION = frozenset(
    (
        Service.CLEAR_DIAGNOSTIC_INFORMATION,
        Service.READ_DTC_INFORMATION,
        Service.WRITE_DATA_BY_IDENTIFIER,
    )
)


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitAnswer:
    """The unit after a request, what it says (positive or negative), and how long it works.

    Attributes:
        unit: the unit; work in it takes effect later.
        pdu: the answer.
        refusal: negative response code; None where the answer is positive.
        work_s: time until the answer beyond the ordinary.
        suppressed: a positive answer that the tester does not want.
    """

    unit: UnitState
    pdu: bytes
    refusal: Nrc | None = None
    work_s: float = 0.0
    suppressed: bool = False


def respond(request: Request) -> UnitAnswer:
    """Answer one request; the same request in the same state always gives the same answer."""
    service = request.pdu[0]
    refused = _refuse_service(request, service)
    if refused is not None:
        return _refuse(request.unit, service, refused)
    try:
        answer = SERVICES[service](request)
    except MalformedError:
        answer = Nrc.INCORRECT_MESSAGE_LENGTH_OR_INVALID_FORMAT
    if answer is Nrc.INVALID_KEY:
        unit, answer = count_wrong_key(request)
        return _refuse(unit, service, answer)
    if isinstance(answer, Nrc):
        return _refuse(request.unit, service, answer)
    asks_silence = (
        Service(service).has_sub_function
        and len(request.pdu) > 1
        and bool(request.pdu[1] & SUPPRESS_POSITIVE_RESPONSE)
    )
    return UnitAnswer(
        unit=answer.unit, pdu=answer.answer, work_s=answer.work_s, suppressed=asks_silence
    )


def _refuse_service(request: Request, service: int) -> Nrc | None:
    if service not in SERVICES:
        return Nrc.SERVICE_NOT_SUPPORTED
    if not _is_offered(request, service):
        return Nrc.SERVICE_NOT_SUPPORTED
    if service == Service.WRITE_DATA_BY_IDENTIFIER and not _is_writing_offered(request):
        return Nrc.SERVICE_NOT_SUPPORTED_IN_ACTIVE_SESSION
    in_session = request.unit.session in _SESSIONS.get(service, _EVERY)
    if not in_session or (service in _NEEDS_APPLICATION and not request.unit.application):
        return Nrc.SERVICE_NOT_SUPPORTED_IN_ACTIVE_SESSION
    return None


def _is_offered(request: Request, service: int) -> bool:
    """Whether this unit has anything behind a service."""
    match service:
        case Service.ROUTINE_CONTROL | Service.REQUEST_DOWNLOAD:
            return bool(request.truth.blocks)
        case Service.REQUEST_FILE_TRANSFER:
            return any(each.file_path for each in request.truth.blocks)
        case Service.SECURITY_ACCESS:
            return bool(request.list_levels())
        case _:
            return True


def _is_writing_offered(request: Request) -> bool:
    return request.unit.session != Session.DEFAULT or any(
        each.session == Session.DEFAULT for each in request.truth.records if each.writable
    )


def _refuse(unit: UnitState, service: int, code: Nrc) -> UnitAnswer:
    return UnitAnswer(unit=unit, pdu=encode_negative_response(service, code), refusal=code)
