"""UDS (ISO 14229-1:2020) requests and answers: encoders and decoders for both sides.

A tester encodes requests and decodes answers; a control unit decodes requests and encodes answers.
Only the services that donorfit uses are here. Negative responses are in ``negative_response``,
fault codes and the answers of service 0x19 in ``fault_codes``. Every decoder raises
:class:`~donorfit.diagnostics.malformed.MalformedError` on bytes that are no such message; a
control unit answers those with NRC 0x13.
"""

from dataclasses import dataclass
from enum import IntEnum

from donorfit.diagnostics.fault_codes import ALL_FAULTS
from donorfit.diagnostics.malformed import MalformedError
from donorfit.vehicle.identity import DataIdentifier, FaultCode

POSITIVE_OFFSET = 0x40
SUPPRESS_POSITIVE_RESPONSE = 0x80
ACTIVE_SESSION_IDENTIFIER = DataIdentifier(0xF186)

_IDENTIFIER_BYTES = 2
_TIMING_BYTES = 6


class Service(IntEnum):
    """Service identifiers."""

    DIAGNOSTIC_SESSION_CONTROL = 0x10
    ECU_RESET = 0x11
    CLEAR_DIAGNOSTIC_INFORMATION = 0x14
    READ_DTC_INFORMATION = 0x19
    READ_DATA_BY_IDENTIFIER = 0x22
    READ_MEMORY_BY_ADDRESS = 0x23
    SECURITY_ACCESS = 0x27
    COMMUNICATION_CONTROL = 0x28
    AUTHENTICATION = 0x29
    WRITE_DATA_BY_IDENTIFIER = 0x2E
    INPUT_OUTPUT_CONTROL_BY_IDENTIFIER = 0x2F
    ROUTINE_CONTROL = 0x31
    REQUEST_DOWNLOAD = 0x34
    REQUEST_UPLOAD = 0x35
    TRANSFER_DATA = 0x36
    REQUEST_TRANSFER_EXIT = 0x37
    REQUEST_FILE_TRANSFER = 0x38
    WRITE_MEMORY_BY_ADDRESS = 0x3D
    TESTER_PRESENT = 0x3E
    CONTROL_DTC_SETTING = 0x85

    @property
    def has_sub_function(self) -> bool:
        """Whether the second byte is a sub-function with the suppress bit."""
        return self in _WITH_SUB_FUNCTION


_WITH_SUB_FUNCTION = frozenset(
    (
        Service.DIAGNOSTIC_SESSION_CONTROL,
        Service.ECU_RESET,
        Service.READ_DTC_INFORMATION,
        Service.SECURITY_ACCESS,
        Service.COMMUNICATION_CONTROL,
        Service.AUTHENTICATION,
        Service.ROUTINE_CONTROL,
        Service.TESTER_PRESENT,
        Service.CONTROL_DTC_SETTING,
    )
)


class Session(IntEnum):
    """Diagnostic sessions that every car knows."""

    DEFAULT = 0x01
    PROGRAMMING = 0x02
    EXTENDED = 0x03


class ResetType(IntEnum):
    """Sub-functions of service 0x11."""

    HARD_RESET = 0x01
    KEY_OFF_ON_RESET = 0x02
    SOFT_RESET = 0x03


class ReportType(IntEnum):
    """Sub-functions of service 0x19 that are used here."""

    REPORT_DTC_BY_STATUS_MASK = 0x02
    REPORT_SUPPORTED_DTC = 0x0A


class RoutineAction(IntEnum):
    """Sub-functions of service 0x31."""

    START = 0x01
    STOP = 0x02
    REQUEST_RESULTS = 0x03


def _require(*, ok: bool, what: str, pdu: bytes) -> None:
    if not ok:
        raise MalformedError(what=what, data=pdu)


def _is(pdu: bytes, first: int, shortest: int, longest: int | None = None) -> bool:
    return len(pdu) >= shortest and pdu[0] == first and (longest is None or len(pdu) <= longest)


# --- 0x10 diagnostic session control ---------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionTiming:
    """Longest times until an answer, as the unit reports them on entering a session.

    Attributes:
        p2_s: until the first answer.
        p2_star_s: until the next answer after a response pending.
    """

    p2_s: float = 0.05
    p2_star_s: float = 5.0


def encode_session_request(session: int, *, suppress: bool = False) -> bytes:
    """``10 session``."""
    bit = SUPPRESS_POSITIVE_RESPONSE if suppress else 0
    return bytes((Service.DIAGNOSTIC_SESSION_CONTROL, session | bit))


def encode_session_answer(session: int, timing: SessionTiming) -> bytes:
    """``50 session`` with P2 in 1 ms and P2* in 10 ms units."""
    p2 = round(timing.p2_s * 1000).to_bytes(2, "big")
    p2_star = round(timing.p2_star_s * 100).to_bytes(2, "big")
    return bytes((0x50, session)) + p2 + p2_star


def decode_session_answer(pdu: bytes) -> SessionTiming:
    """P2 and P2* out of ``50 session ...``; the defaults where a unit leaves them out."""
    _require(ok=_is(pdu, 0x50, 1), what="session answer", pdu=pdu)
    if len(pdu) < _TIMING_BYTES:
        return SessionTiming()
    p2_ms = int.from_bytes(pdu[2:4], "big")
    p2_star_10ms = int.from_bytes(pdu[4:6], "big")
    return SessionTiming(p2_s=p2_ms / 1000, p2_star_s=p2_star_10ms / 100)


# --- 0x22 read and 0x2E write data by identifier ---------------------------------------------


def encode_read_request(*identifiers: DataIdentifier) -> bytes:
    """``22`` with one or more identifiers."""
    return bytes((Service.READ_DATA_BY_IDENTIFIER,)) + b"".join(
        identifier.to_bytes(2, "big") for identifier in identifiers
    )


def decode_read_request(pdu: bytes) -> tuple[DataIdentifier, ...]:
    """The identifiers asked for, at least one."""
    whole = len(pdu) % _IDENTIFIER_BYTES == 1
    _require(ok=_is(pdu, 0x22, 3) and whole, what="read request", pdu=pdu)
    return tuple(
        DataIdentifier(int.from_bytes(pdu[at : at + 2], "big"))
        for at in range(1, len(pdu), _IDENTIFIER_BYTES)
    )


def encode_read_answer(*values: tuple[DataIdentifier, bytes]) -> bytes:
    """``62`` with each identifier followed by its bytes."""
    return b"\x62" + b"".join(identifier.to_bytes(2, "big") + data for identifier, data in values)


def decode_read_answer(pdu: bytes, identifier: DataIdentifier) -> bytes:
    """The bytes of the one identifier that was asked for."""
    echo = pdu[1:3] == identifier.to_bytes(2, "big")
    _require(ok=_is(pdu, 0x62, 3) and echo, what=f"answer to 22 {identifier:04X}", pdu=pdu)
    return pdu[3:]


def encode_write_request(identifier: DataIdentifier, data: bytes) -> bytes:
    """``2E`` with identifier and bytes."""
    return b"\x2e" + identifier.to_bytes(2, "big") + data


def decode_write_request(pdu: bytes) -> tuple[DataIdentifier, bytes]:
    """Identifier and at least one byte to write."""
    _require(ok=_is(pdu, 0x2E, 4), what="write request", pdu=pdu)
    return DataIdentifier(int.from_bytes(pdu[1:3], "big")), pdu[3:]


def encode_write_answer(identifier: DataIdentifier) -> bytes:
    """``6E`` with the identifier."""
    return b"\x6e" + identifier.to_bytes(2, "big")


# --- 0x27 security access --------------------------------------------------------------------


def encode_seed_request(level: int) -> bytes:
    """``27 level`` for an odd level."""
    return bytes((Service.SECURITY_ACCESS, level))


def encode_seed_answer(level: int, seed: bytes) -> bytes:
    """``67 level seed``; a seed of zeros says that the level is open already."""
    return bytes((0x67, level)) + seed


def decode_seed_answer(pdu: bytes) -> bytes:
    """The seed."""
    _require(ok=_is(pdu, 0x67, 2) and pdu[1] % 2 == 1, what="seed", pdu=pdu)
    return pdu[2:]


def encode_key_request(level: int, key: bytes) -> bytes:
    """``27 level+1 key`` for the odd level whose seed the key answers."""
    return bytes((Service.SECURITY_ACCESS, level + 1)) + key


def encode_key_answer(level: int) -> bytes:
    """``67 level+1``: the level is open."""
    return bytes((0x67, level + 1))


# --- 0x29 authentication ---------------------------------------------------------------------


def encode_authentication_question() -> bytes:
    """``29 08``: which kind of authentication the unit is set up for; changes nothing."""
    return bytes((Service.AUTHENTICATION, 0x08))


# --- 0x19 read and 0x14 clear fault codes ----------------------------------------------------


def encode_fault_request(status_mask: int = 0xFF) -> bytes:
    """``19 02 mask``: fault codes that have one of the status bits."""
    return bytes((Service.READ_DTC_INFORMATION, ReportType.REPORT_DTC_BY_STATUS_MASK, status_mask))


def encode_clear_request(group: FaultCode = ALL_FAULTS) -> bytes:
    """``14`` with the group of fault codes."""
    return b"\x14" + group.to_bytes(3, "big")


def decode_clear_request(pdu: bytes) -> FaultCode:
    """The group to clear."""
    _require(ok=_is(pdu, 0x14, 4, 5), what="clear request", pdu=pdu)
    return FaultCode(int.from_bytes(pdu[1:4], "big"))


# --- 0x31 routine control --------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Routine:
    """A routine request or answer: action, identifier, and option or status record."""

    action: int
    identifier: int
    record: bytes = b""


def encode_routine_request(routine: Routine) -> bytes:
    """``31 action identifier record``."""
    return bytes((0x31, routine.action)) + routine.identifier.to_bytes(2, "big") + routine.record


def decode_routine_request(pdu: bytes) -> Routine:
    """Action (without the suppress bit), identifier and option record."""
    _require(ok=_is(pdu, 0x31, 4), what="routine request", pdu=pdu)
    return _decode_routine(pdu)


def encode_routine_answer(routine: Routine) -> bytes:
    """``71 action identifier record``."""
    return bytes((0x71, routine.action)) + routine.identifier.to_bytes(2, "big") + routine.record


def decode_routine_answer(pdu: bytes) -> Routine:
    """Action, identifier and status record."""
    _require(ok=_is(pdu, 0x71, 4), what="routine answer", pdu=pdu)
    return _decode_routine(pdu)


def _decode_routine(pdu: bytes) -> Routine:
    return Routine(
        action=pdu[1] & ~SUPPRESS_POSITIVE_RESPONSE,
        identifier=int.from_bytes(pdu[2:4], "big"),
        record=pdu[4:],
    )


# --- 0x11 reset and 0x3E tester present ------------------------------------------------------


def encode_reset_request(kind: int = ResetType.HARD_RESET) -> bytes:
    """``11 kind``."""
    return bytes((Service.ECU_RESET, kind))


def encode_reset_answer(kind: int) -> bytes:
    """``51 kind``."""
    return bytes((0x51, kind))


def encode_tester_present(*, suppress: bool) -> bytes:
    """``3E 80`` where no answer is wanted, else ``3E 00``."""
    return b"\x3e\x80" if suppress else b"\x3e\x00"


def encode_tester_present_answer() -> bytes:
    """``7E 00``."""
    return b"\x7e\x00"
