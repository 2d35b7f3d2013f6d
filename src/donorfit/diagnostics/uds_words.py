"""UDS bytes in words, for people who read a trace.

Names of services, sub-functions and of the identifiers 0xF180 to 0xF19F are those of
ISO 14229-1:2020 in plain words. Reading never fails: what is too short or unknown is shown as it
is.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from donorfit.diagnostics.fault_codes import decode_fault_report
from donorfit.diagnostics.malformed import MalformedError
from donorfit.diagnostics.negative_response import NEGATIVE_RESPONSE, describe_negative_response
from donorfit.diagnostics.uds import (
    POSITIVE_OFFSET,
    SUPPRESS_POSITIVE_RESPONSE,
    Service,
    decode_session_answer,
)
from donorfit.records.counted import count
from donorfit.vehicle.fault_code import write_fault_code

_PENDING = 0x78
_SHOWN_BYTES = 24
_MOST_CODES = 4

SERVICE_NAMES: Mapping[int, str] = MappingProxyType(
    {
        0x10: "session control",
        0x11: "reset",
        0x14: "clear fault codes",
        0x19: "read fault codes",
        0x22: "read data",
        0x23: "read memory",
        0x24: "read scaling data",
        0x27: "security access",
        0x28: "communication control",
        0x29: "authentication",
        0x2A: "read data periodically",
        0x2C: "define a data identifier",
        0x2E: "write data",
        0x2F: "control an input or output",
        0x31: "routine",
        0x34: "request download",
        0x35: "request upload",
        0x36: "transfer data",
        0x37: "end of transfer",
        0x38: "file transfer",
        0x3D: "write memory",
        0x3E: "tester present",
        0x83: "access timing parameter",
        0x84: "secured data transmission",
        0x85: "fault code setting",
        0x86: "response on event",
        0x87: "link control",
    }
)
"""Services by their request identifier."""

IDENTIFIER_NAMES: Mapping[int, str] = MappingProxyType(
    {
        0xF180: "boot software identification",
        0xF181: "application software identification",
        0xF182: "application data identification",
        0xF183: "boot software fingerprint",
        0xF184: "application software fingerprint",
        0xF185: "application data fingerprint",
        0xF186: "active session",
        0xF187: "spare part number",
        0xF188: "software number",
        0xF189: "software version",
        0xF18A: "system supplier",
        0xF18B: "date of manufacture",
        0xF18C: "serial number",
        0xF18D: "supported functional units",
        0xF18E: "kit assembly part number",
        0xF190: "VIN",
        0xF191: "hardware number",
        0xF192: "supplier's hardware number",
        0xF193: "supplier's hardware version",
        0xF194: "supplier's software number",
        0xF195: "supplier's software version",
        0xF197: "system name",
        0xF198: "repair shop or tester serial number",
        0xF199: "programming date",
        0xF19D: "installation date",
        0xF19E: "ODX file",
    }
)
"""Data identifiers that the standard names."""

_SESSIONS = {1: "default", 2: "programming", 3: "extended", 4: "safety system"}
_RESETS = {1: "hard", 2: "key off and on", 3: "soft"}
_REPORTS = {0x01: "number by status", 0x02: "by status", 0x04: "snapshot", 0x06: "extended data",
            0x0A: "supported"}  # fmt: skip
_ROUTINES = {1: "start", 2: "stop", 3: "results of"}
_COMMUNICATION = {0: "receive and send", 1: "receive only", 2: "send only", 3: "silent"}
_SETTING = {1: "on", 2: "off"}
_SUB_FUNCTIONS: Mapping[int, Mapping[int, str]] = {
    0x10: _SESSIONS,
    0x11: _RESETS,
    0x19: _REPORTS,
    0x28: _COMMUNICATION,
    0x85: _SETTING,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Names:
    """Names that a pack adds for one unit: data identifiers and routines."""

    identifiers: MappingProxyType[int, str] = field(default_factory=lambda: MappingProxyType({}))
    routines: MappingProxyType[int, str] = field(default_factory=lambda: MappingProxyType({}))


NO_NAMES = Names()


def find_service(pdu: bytes) -> int | None:
    """The service that a request, an answer or a refusal is about; None for no bytes."""
    if not pdu:
        return None
    if pdu[0] == NEGATIVE_RESPONSE:
        return pdu[1] if len(pdu) > 1 else None
    return pdu[0] & ~POSITIVE_OFFSET


def is_answer(pdu: bytes) -> bool:
    """Whether bytes are what a control unit says, not what a tester asks."""
    return bool(pdu) and (pdu[0] == NEGATIVE_RESPONSE or bool(pdu[0] & POSITIVE_OFFSET))


def describe_pdu(pdu: bytes, names: Names = NO_NAMES) -> str:
    """What the bytes say, in one phrase."""
    service = find_service(pdu)
    if service is None:
        return "no UDS bytes"
    title = SERVICE_NAMES.get(service, f"service {service:02X}, not in ISO 14229-1")
    if pdu[0] == NEGATIVE_RESPONSE:
        return _describe_refusal(pdu, title)
    detail = _describe_detail(service, pdu, names)
    words = f"{title}: {detail}" if detail else title
    return f"done, {words}" if is_answer(pdu) else words


def _describe_refusal(pdu: bytes, title: str) -> str:
    if len(pdu) < 3:  # noqa: PLR2004 - 7F, service, code
        return f"refused, {title}: no code"
    if pdu[2] == _PENDING:
        return f"still at work, {title}: {describe_negative_response(pdu[2])}"
    return f"refused, {title}: {describe_negative_response(pdu[2])}"


def _describe_detail(service: int, pdu: bytes, names: Names) -> str:
    rest = pdu[1:]
    describe = _DETAILS.get(service)
    if describe is not None and rest:
        return describe(pdu, names)
    if service in _SUB_FUNCTIONS and rest:
        return _name_sub_function(service, rest[0])
    return _show(rest) if rest else ""


def _name_sub_function(service: int, value: int) -> str:
    number = value & ~SUPPRESS_POSITIVE_RESPONSE
    name = _SUB_FUNCTIONS[service].get(number, f"{number:02X}")
    return f"{name}, no answer wanted" if value & SUPPRESS_POSITIVE_RESPONSE else name


def name_identifier(identifier: int, names: Names = NO_NAMES) -> str:
    """Number and name of a data identifier, the pack's name first."""
    name = names.identifiers.get(identifier) or IDENTIFIER_NAMES.get(identifier)
    return f"{identifier:04X} {name}" if name else f"{identifier:04X}"


def _show(data: bytes) -> str:
    """Bytes as text where they are one, else in hex; long ones cut."""
    text = data.rstrip(b"\x00\xff ")
    if len(text) > 3 and all(0x20 <= byte < 0x7F for byte in text):  # noqa: PLR2004 - ASCII
        return f"'{text[: _SHOWN_BYTES * 2].decode('ascii')}'"
    shown = data[:_SHOWN_BYTES].hex(" ").upper()
    return shown if len(data) <= _SHOWN_BYTES else f"{shown} ... ({len(data)} bytes)"


def _describe_read(pdu: bytes, names: Names) -> str:
    if is_answer(pdu):
        return _describe_value(pdu, names)
    pairs = [pdu[at : at + 2] for at in range(1, len(pdu), 2)]
    known = [name_identifier(int.from_bytes(each, "big"), names) for each in pairs[:_MOST_CODES]]
    return ", ".join(known) + (
        f" and {len(pairs) - len(known)} more" if pairs[_MOST_CODES:] else ""
    )


def _describe_value(pdu: bytes, names: Names) -> str:
    if len(pdu) < 3:  # noqa: PLR2004 - service and identifier
        return _show(pdu[1:])
    name = name_identifier(int.from_bytes(pdu[1:3], "big"), names)
    return f"{name} = {_show(pdu[3:])}" if len(pdu) > 3 else name  # noqa: PLR2004


def _describe_session(pdu: bytes, names: Names) -> str:
    del names
    words = _name_sub_function(0x10, pdu[1])
    if not is_answer(pdu) or len(pdu) < 6:  # noqa: PLR2004 - with both times
        return words
    timing = decode_session_answer(pdu)
    return f"{words}, P2 {timing.p2_s * 1000:.0f} ms, P2* {timing.p2_star_s * 1000:.0f} ms"


def _describe_security(pdu: bytes, names: Names) -> str:
    del names
    level = pdu[1] & ~SUPPRESS_POSITIVE_RESPONSE
    if level % 2:
        return f"seed of level {level}" if is_answer(pdu) else f"ask for the seed of level {level}"
    # Keys are the user's own: a trace that is passed on must not carry them in words.
    return f"level {level - 1} is open" if is_answer(pdu) else f"key of level {level - 1}"


def _describe_faults(pdu: bytes, names: Names) -> str:
    del names
    words = _name_sub_function(0x19, pdu[1])
    if not is_answer(pdu):
        return f"{words}, mask {pdu[2]:02X}" if len(pdu) > 2 else words  # noqa: PLR2004
    try:
        report = decode_fault_report(pdu)
    except MalformedError:
        return f"{words}: {_show(pdu[2:])}" if len(pdu) > 2 else words  # noqa: PLR2004
    codes = [f"{write_fault_code(each.code)} ({each.status:02X})" for each in report.faults]
    more = f" and {len(codes) - _MOST_CODES} more" if len(codes) > _MOST_CODES else ""
    return f"{words}: {', '.join(codes[:_MOST_CODES]) or 'none'}{more}"


def _describe_clearing(pdu: bytes, names: Names) -> str:
    del names
    group = int.from_bytes(pdu[1:4], "big")
    return "all" if group == 0xFFFFFF else f"group {group:06X}"  # noqa: PLR2004 - the standard's


def _describe_routine(pdu: bytes, names: Names) -> str:
    number = pdu[1] & ~SUPPRESS_POSITIVE_RESPONSE
    deed = _ROUTINES.get(number, f"{number:02X}")
    routine = int.from_bytes(pdu[2:4], "big")
    name = names.routines.get(routine, "")
    words = f"{deed} {routine:04X} {name}".rstrip()
    return f"{words}, {_show(pdu[4:])}" if len(pdu) > 4 else words  # noqa: PLR2004 - record


def _describe_download(pdu: bytes, names: Names) -> str:
    del names
    if is_answer(pdu):
        size = int.from_bytes(pdu[2 : 2 + (pdu[1] >> 4)], "big")
        return f"blocks of {count(size, 'byte')}"
    if len(pdu) < 3:  # noqa: PLR2004 - format and lengths
        return _show(pdu[1:])
    address_bytes, size_bytes = pdu[2] & 0x0F, pdu[2] >> 4
    address = int.from_bytes(pdu[3 : 3 + address_bytes], "big")
    size = int.from_bytes(pdu[3 + address_bytes : 3 + address_bytes + size_bytes], "big")
    return f"{count(size, 'byte')} at 0x{address:X}, format {pdu[1]:02X}"


def _describe_block(pdu: bytes, names: Names) -> str:
    del names
    size = len(pdu) - 2
    return (
        f"block {pdu[1]:02X}, {count(size, 'byte')}"
        if size and not is_answer(pdu)
        else f"block {pdu[1]:02X}"
    )


def _describe_presence(pdu: bytes, names: Names) -> str:
    del names
    return "no answer wanted" if pdu[1] & SUPPRESS_POSITIVE_RESPONSE else ""


_DETAILS: Mapping[int, Callable[[bytes, Names], str]] = {
    Service.DIAGNOSTIC_SESSION_CONTROL: _describe_session,
    Service.CLEAR_DIAGNOSTIC_INFORMATION: _describe_clearing,
    Service.READ_DTC_INFORMATION: _describe_faults,
    Service.READ_DATA_BY_IDENTIFIER: _describe_read,
    Service.SECURITY_ACCESS: _describe_security,
    Service.WRITE_DATA_BY_IDENTIFIER: _describe_value,
    Service.INPUT_OUTPUT_CONTROL_BY_IDENTIFIER: _describe_value,
    Service.ROUTINE_CONTROL: _describe_routine,
    Service.REQUEST_DOWNLOAD: _describe_download,
    Service.REQUEST_UPLOAD: _describe_download,
    Service.TRANSFER_DATA: _describe_block,
    Service.TESTER_PRESENT: _describe_presence,
}
