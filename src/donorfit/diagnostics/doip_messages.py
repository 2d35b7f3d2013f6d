"""DoIP (ISO 13400-2:2019) messages as values: what the payload of a frame says.

``encode_message`` and ``decode_message`` serve the client and the simulated entity alike; names
are the standard's words.
"""

from collections.abc import Callable
from dataclasses import dataclass

from donorfit.diagnostics.doip import Frame, encode_frame, is_possible_size
from donorfit.diagnostics.doip_codes import ActivationType, PayloadType, ProtocolVersion
from donorfit.diagnostics.malformed import MalformedError
from donorfit.vehicle.identity import Address


@dataclass(frozen=True, slots=True, kw_only=True)
class HeaderNegativeAcknowledge:
    """Generic header negative acknowledgement (0x0000)."""

    code: int


@dataclass(frozen=True, slots=True, kw_only=True)
class VehicleIdentificationRequest:
    """Who is there (0x0001), or the one with this EID (0x0002) or VIN (0x0003).

    Attributes:
        eid: six bytes, or empty.
        vin: seventeen bytes, or empty; not together with an EID.
    """

    eid: bytes = b""
    vin: bytes = b""


@dataclass(frozen=True, slots=True, kw_only=True)
class VehicleAnnouncement:
    """Announcement and answer to an identification request (0x0004).

    Attributes:
        vin: seventeen bytes; all 0x00 or 0xFF where the entity does not know it yet.
        logical_address: address of the entity.
        eid: six bytes, usually the network interface's address.
        gid: six bytes that entities of one vehicle share.
        further_action: 0x00 none, 0x10 routing activation for central security.
        sync_status: 0x00 VIN and GID synchronised, 0x10 not yet; None where left out.
    """

    vin: bytes
    logical_address: Address
    eid: bytes
    gid: bytes
    further_action: int = 0
    sync_status: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class RoutingActivationRequest:
    """Asks to pass diagnostic messages on from here (0x0005); four maker's bytes or none."""

    source: Address
    activation_type: int = ActivationType.DEFAULT
    maker_specific: bytes = b""


@dataclass(frozen=True, slots=True, kw_only=True)
class RoutingActivationResponse:
    """Answer to it (0x0006): addresses of tester and entity, and the code."""

    tester: Address
    entity: Address
    code: int
    maker_specific: bytes = b""


@dataclass(frozen=True, slots=True, kw_only=True)
class AliveCheckRequest:
    """Is the tester still there (0x0007)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AliveCheckResponse:
    """Yes, with this address (0x0008)."""

    source: Address


@dataclass(frozen=True, slots=True, kw_only=True)
class EntityStatusRequest:
    """How many connections are there (0x4001)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class EntityStatusResponse:
    """Kind of entity, connections and largest payload (0x4002); None where left out."""

    node_type: int
    max_sockets: int
    open_sockets: int
    max_payload_bytes: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PowerModeRequest:
    """Is the vehicle ready for diagnostics (0x4003)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PowerModeResponse:
    """Diagnostic power mode (0x4004)."""

    mode: int


@dataclass(frozen=True, slots=True, kw_only=True)
class DiagnosticMessage:
    """UDS bytes from one address to another (0x8001); may be empty on the wire."""

    source: Address
    target: Address
    pdu: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class DiagnosticAcknowledge:
    """The message was passed on (0x8002), with as much of it as the entity repeats."""

    source: Address
    target: Address
    code: int = 0
    previous: bytes = b""


@dataclass(frozen=True, slots=True, kw_only=True)
class DiagnosticNegativeAcknowledge:
    """The message was not passed on (0x8003), with as much of it as the entity repeats."""

    source: Address
    target: Address
    code: int
    previous: bytes = b""


Message = (
    HeaderNegativeAcknowledge
    | VehicleIdentificationRequest
    | VehicleAnnouncement
    | RoutingActivationRequest
    | RoutingActivationResponse
    | AliveCheckRequest
    | AliveCheckResponse
    | EntityStatusRequest
    | EntityStatusResponse
    | PowerModeRequest
    | PowerModeResponse
    | DiagnosticMessage
    | DiagnosticAcknowledge
    | DiagnosticNegativeAcknowledge
)

_WITHOUT_SYNC_STATUS = 32
_RESERVED_BYTES = bytes(4)


def encode_message(message: Message, version: int = ProtocolVersion.ISO_13400_2_2012) -> bytes:
    """The message as a whole frame."""
    payload_type, payload = _encode_payload(message)
    return encode_frame(Frame(version=version, payload_type=payload_type, payload=payload))


def _encode_payload(message: Message) -> tuple[PayloadType, bytes]:  # noqa: C901, PLR0911, PLR0912 - one case a type
    match message:
        case DiagnosticMessage(source=source, target=target, pdu=pdu):
            return PayloadType.DIAGNOSTIC_MESSAGE, _pair(source, target) + pdu
        case DiagnosticAcknowledge(source=source, target=target, code=code, previous=previous):
            payload = _pair(source, target) + bytes((code,)) + previous
            return PayloadType.DIAGNOSTIC_POSITIVE_ACKNOWLEDGE, payload
        case DiagnosticNegativeAcknowledge(
            source=source, target=target, code=code, previous=previous
        ):
            payload = _pair(source, target) + bytes((code,)) + previous
            return PayloadType.DIAGNOSTIC_NEGATIVE_ACKNOWLEDGE, payload
        case RoutingActivationRequest():
            payload = message.source.to_bytes(2, "big") + bytes((message.activation_type,))
            payload += _RESERVED_BYTES + message.maker_specific
            return PayloadType.ROUTING_ACTIVATION_REQUEST, payload
        case RoutingActivationResponse():
            payload = _pair(message.tester, message.entity) + bytes((message.code,))
            payload += _RESERVED_BYTES + message.maker_specific
            return PayloadType.ROUTING_ACTIVATION_RESPONSE, payload
        case VehicleAnnouncement():
            return PayloadType.VEHICLE_ANNOUNCEMENT, _encode_announcement(message)
        case VehicleIdentificationRequest(eid=eid, vin=vin):
            if eid:
                return PayloadType.VEHICLE_IDENTIFICATION_REQUEST_WITH_EID, eid
            if vin:
                return PayloadType.VEHICLE_IDENTIFICATION_REQUEST_WITH_VIN, vin
            return PayloadType.VEHICLE_IDENTIFICATION_REQUEST, b""
        case AliveCheckRequest():
            return PayloadType.ALIVE_CHECK_REQUEST, b""
        case AliveCheckResponse(source=source):
            return PayloadType.ALIVE_CHECK_RESPONSE, source.to_bytes(2, "big")
        case EntityStatusRequest():
            return PayloadType.ENTITY_STATUS_REQUEST, b""
        case EntityStatusResponse():
            payload = bytes((message.node_type, message.max_sockets, message.open_sockets))
            if message.max_payload_bytes is not None:
                payload += message.max_payload_bytes.to_bytes(4, "big")
            return PayloadType.ENTITY_STATUS_RESPONSE, payload
        case PowerModeRequest():
            return PayloadType.POWER_MODE_REQUEST, b""
        case PowerModeResponse(mode=mode):
            return PayloadType.POWER_MODE_RESPONSE, bytes((mode,))
        case HeaderNegativeAcknowledge(code=code):
            return PayloadType.HEADER_NEGATIVE_ACKNOWLEDGE, bytes((code,))


def _encode_announcement(message: VehicleAnnouncement) -> bytes:
    sync = b"" if message.sync_status is None else bytes((message.sync_status,))
    return (
        message.vin
        + message.logical_address.to_bytes(2, "big")
        + message.eid
        + message.gid
        + bytes((message.further_action,))
        + sync
    )


def _pair(source: Address, target: Address) -> bytes:
    return source.to_bytes(2, "big") + target.to_bytes(2, "big")


def decode_message(frame: Frame) -> Message:
    """What the frame's payload says.

    Raises:
        MalformedError: a payload type that is not known, or a size that the type cannot have
            (never for frames out of a FrameReader).
    """
    if not is_possible_size(frame.payload_type, len(frame.payload)):
        raise MalformedError(
            what=f"DoIP payload of type 0x{frame.payload_type:04X}", data=frame.payload
        )
    return _DECODERS[frame.payload_type](frame.payload)


def _read_address(payload: bytes, start: int) -> Address:
    return Address((payload[start] << 8) | payload[start + 1])


def _decode_announcement(payload: bytes) -> VehicleAnnouncement:
    return VehicleAnnouncement(
        vin=payload[:17],
        logical_address=_read_address(payload, 17),
        eid=payload[19:25],
        gid=payload[25:31],
        further_action=payload[31],
        sync_status=payload[32] if len(payload) > _WITHOUT_SYNC_STATUS else None,
    )


def _decode_activation_request(payload: bytes) -> RoutingActivationRequest:
    return RoutingActivationRequest(
        source=_read_address(payload, 0), activation_type=payload[2], maker_specific=payload[7:]
    )


def _decode_activation_response(payload: bytes) -> RoutingActivationResponse:
    return RoutingActivationResponse(
        tester=_read_address(payload, 0),
        entity=_read_address(payload, 2),
        code=payload[4],
        maker_specific=payload[9:],
    )


def _decode_entity_status(payload: bytes) -> EntityStatusResponse:
    return EntityStatusResponse(
        node_type=payload[0],
        max_sockets=payload[1],
        open_sockets=payload[2],
        max_payload_bytes=int.from_bytes(payload[3:], "big") if payload[3:] else None,
    )


def _decode_diagnostic_message(payload: bytes) -> DiagnosticMessage:
    return DiagnosticMessage(
        source=_read_address(payload, 0), target=_read_address(payload, 2), pdu=payload[4:]
    )


def _decode_acknowledge(payload: bytes) -> DiagnosticAcknowledge:
    return DiagnosticAcknowledge(
        source=_read_address(payload, 0),
        target=_read_address(payload, 2),
        code=payload[4],
        previous=payload[5:],
    )


def _decode_negative_acknowledge(payload: bytes) -> DiagnosticNegativeAcknowledge:
    return DiagnosticNegativeAcknowledge(
        source=_read_address(payload, 0),
        target=_read_address(payload, 2),
        code=payload[4],
        previous=payload[5:],
    )


_DECODERS: dict[int, Callable[[bytes], Message]] = {
    PayloadType.HEADER_NEGATIVE_ACKNOWLEDGE: lambda p: HeaderNegativeAcknowledge(code=p[0]),
    PayloadType.VEHICLE_IDENTIFICATION_REQUEST: lambda _: VehicleIdentificationRequest(),
    PayloadType.VEHICLE_IDENTIFICATION_REQUEST_WITH_EID: (
        lambda p: VehicleIdentificationRequest(eid=p)
    ),
    PayloadType.VEHICLE_IDENTIFICATION_REQUEST_WITH_VIN: (
        lambda p: VehicleIdentificationRequest(vin=p)
    ),
    PayloadType.VEHICLE_ANNOUNCEMENT: _decode_announcement,
    PayloadType.ROUTING_ACTIVATION_REQUEST: _decode_activation_request,
    PayloadType.ROUTING_ACTIVATION_RESPONSE: _decode_activation_response,
    PayloadType.ALIVE_CHECK_REQUEST: lambda _: AliveCheckRequest(),
    PayloadType.ALIVE_CHECK_RESPONSE: lambda p: AliveCheckResponse(source=_read_address(p, 0)),
    PayloadType.ENTITY_STATUS_REQUEST: lambda _: EntityStatusRequest(),
    PayloadType.ENTITY_STATUS_RESPONSE: _decode_entity_status,
    PayloadType.POWER_MODE_REQUEST: lambda _: PowerModeRequest(),
    PayloadType.POWER_MODE_RESPONSE: lambda p: PowerModeResponse(mode=p[0]),
    PayloadType.DIAGNOSTIC_MESSAGE: _decode_diagnostic_message,
    PayloadType.DIAGNOSTIC_POSITIVE_ACKNOWLEDGE: _decode_acknowledge,
    PayloadType.DIAGNOSTIC_NEGATIVE_ACKNOWLEDGE: _decode_negative_acknowledge,
}
