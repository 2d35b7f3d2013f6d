"""DoIP (ISO 13400-2:2019) frames: bytes in, values out, no I/O.

A *frame* is the generic header with its payload; what the payload says is a *message*, see
``doip_messages``. The same code serves the client and the simulated entity. :class:`FrameReader`
takes bytes as they come from a connection, in any pieces, and holds at most one frame of bounded
size.
"""

import struct
from dataclasses import dataclass
from typing import NamedTuple

from donorfit.diagnostics.doip_codes import (
    HeaderNack,
    PayloadType,
    ProtocolVersion,
)
from donorfit.vehicle.identity import Address

HEADER_BYTES = 8
DEFAULT_MAX_PAYLOAD_BYTES = 1 << 20
"""Largest payload taken by default; well above the 64 KiB that service 0x36 can ask for."""

_HEADER = struct.Struct("!HHI")
_MESSAGE_HEAD = struct.Struct("!BBHIHH")
_ADDRESSES_BYTES = 4
_MESSAGE = int(PayloadType.DIAGNOSTIC_MESSAGE)
_ANY_SIZE = 1 << 32
_NO_SIZE = range(0)

# Sizes that a payload of each type can have (ISO 13400-2:2019, message tables). A diagnostic
# message without any UDS byte is seen in recorded traffic, so the frame is let through.
_PAYLOAD_BYTES: dict[int, range] = {
    PayloadType.HEADER_NEGATIVE_ACKNOWLEDGE: range(1, 2),
    PayloadType.VEHICLE_IDENTIFICATION_REQUEST: range(1),
    PayloadType.VEHICLE_IDENTIFICATION_REQUEST_WITH_EID: range(6, 7),
    PayloadType.VEHICLE_IDENTIFICATION_REQUEST_WITH_VIN: range(17, 18),
    PayloadType.VEHICLE_ANNOUNCEMENT: range(32, 34),
    PayloadType.ROUTING_ACTIVATION_REQUEST: range(7, 12, 4),
    PayloadType.ROUTING_ACTIVATION_RESPONSE: range(9, 14, 4),
    PayloadType.ALIVE_CHECK_REQUEST: range(1),
    PayloadType.ALIVE_CHECK_RESPONSE: range(2, 3),
    PayloadType.ENTITY_STATUS_REQUEST: range(1),
    PayloadType.ENTITY_STATUS_RESPONSE: range(3, 8, 4),
    PayloadType.POWER_MODE_REQUEST: range(1),
    PayloadType.POWER_MODE_RESPONSE: range(1, 2),
    PayloadType.DIAGNOSTIC_MESSAGE: range(_ADDRESSES_BYTES, _ANY_SIZE),
    PayloadType.DIAGNOSTIC_POSITIVE_ACKNOWLEDGE: range(5, _ANY_SIZE),
    PayloadType.DIAGNOSTIC_NEGATIVE_ACKNOWLEDGE: range(5, _ANY_SIZE),
}
_PATTERNS = frozenset(version << 8 | version ^ 0xFF for version in ProtocolVersion)


class Frame(NamedTuple):
    """One generic header with its payload; a tuple, since two are made for every block.

    Attributes:
        version: protocol version, first header byte.
        payload_type: see :class:`~donorfit.diagnostics.doip_codes.PayloadType`.
        payload: bytes after the header.
    """

    version: int
    payload_type: int
    payload: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class HeaderFault:
    """A header that is not accepted; the payload, if any, has been thrown away.

    Attributes:
        reason: code for the generic header negative acknowledgement.
        header: the eight bytes as received.
    """

    reason: HeaderNack
    header: bytes


def encode_frame(frame: Frame) -> bytes:
    """Header and payload as bytes."""
    return encode_header(frame.version, frame.payload_type, len(frame.payload)) + frame.payload


def encode_header(version: int, payload_type: int, payload_bytes: int) -> bytes:
    """The eight bytes of the generic header."""
    return (
        bytes((version, version ^ 0xFF))
        + payload_type.to_bytes(2, "big")
        + payload_bytes.to_bytes(4, "big")
    )


def encode_diagnostic_message(version: int, source: Address, target: Address, pdu: bytes) -> bytes:
    """A whole frame with a diagnostic message, without the values between (for block transfer)."""
    payload_bytes = len(pdu) + _ADDRESSES_BYTES
    return (
        _MESSAGE_HEAD.pack(version, version ^ 0xFF, _MESSAGE, payload_bytes, source, target) + pdu
    )


def is_possible_size(payload_type: int, payload_bytes: int) -> bool:
    """Whether a payload of this type can have this size; False for an unknown type."""
    return payload_bytes in _PAYLOAD_BYTES.get(payload_type, _NO_SIZE)


class FrameReader:
    """Cuts a stream of bytes into frames; a datagram is fed whole to a reader of its own.

    After a fault whose :attr:`HeaderNack.closes_connection` is true nothing more is read, since
    the next header cannot be found.
    """

    def __init__(self, *, max_payload_bytes: int = DEFAULT_MAX_PAYLOAD_BYTES) -> None:
        self._max_payload_bytes = max_payload_bytes
        self._buffer = bytearray()
        self._to_skip = 0
        self._broken = False

    @property
    def broken(self) -> bool:
        """True after a fault that closes the connection."""
        return self._broken

    @property
    def between_frames(self) -> bool:
        """True where what comes next is the beginning of a frame."""
        return not (self._buffer or self._to_skip or self._broken)

    @property
    def pending_bytes(self) -> int:
        """Bytes of an unfinished frame held so far."""
        return len(self._buffer)

    def feed(self, data: bytes | memoryview) -> list[Frame | HeaderFault]:
        """Take bytes as received; return the frames and faults that are complete now.

        Nothing of a view is held after the call.
        """
        found: list[Frame | HeaderFault] = []
        if self._broken:
            return found
        if self._to_skip:
            skipped = min(self._to_skip, len(data))
            self._to_skip -= skipped
            data = data[skipped:]
        # Most of the time whole frames arrive and nothing is left over: then nothing is copied
        # but each payload.
        source: bytes | bytearray | memoryview = data
        if self._buffer:
            self._buffer += data
            source = self._buffer
        held = len(source)
        start = 0
        while not self._broken and held - start >= HEADER_BYTES:
            pattern, payload_type, size = _HEADER.unpack_from(source, start)
            end = start + HEADER_BYTES + size
            if (
                pattern not in _PATTERNS
                or size not in _PAYLOAD_BYTES.get(payload_type, _NO_SIZE)
                or size > self._max_payload_bytes
            ):
                fault = self._name_fault(pattern, payload_type, size)
                header = bytes(source[start : start + HEADER_BYTES])
                found.append(HeaderFault(reason=fault, header=header))
                self._broken = fault.closes_connection
                self._to_skip = max(0, end - held)
                start = min(end, held)
                continue
            if end > held:
                break
            payload = bytes(source[start + HEADER_BYTES : end])
            found.append(Frame(pattern >> 8, payload_type, payload))
            start = end
        self._keep(source, start)
        return found

    def _keep(self, source: bytes | bytearray | memoryview, start: int) -> None:
        """Hold what is not used yet."""
        if self._broken:
            self._buffer.clear()
        elif source is self._buffer:
            del self._buffer[:start]
        elif start < len(source):
            self._buffer += source[start:]

    def _name_fault(self, pattern: int, payload_type: int, size: int) -> HeaderNack:
        # Order of the checks: ISO 13400-2:2019, figure of the generic header handler.
        if pattern not in _PATTERNS:
            return HeaderNack.INCORRECT_PATTERN_FORMAT
        if payload_type not in _PAYLOAD_BYTES:
            return HeaderNack.UNKNOWN_PAYLOAD_TYPE
        if size > self._max_payload_bytes:
            return HeaderNack.MESSAGE_TOO_LARGE
        return HeaderNack.INVALID_PAYLOAD_LENGTH
