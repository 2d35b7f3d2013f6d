"""Vehicle discovery by a DoIP entity on UDP (ISO 13400-2): who it is, how busy, how awake."""

import asyncio
from collections.abc import Callable
from typing import cast

from donorfit.diagnostics.doip import Frame, FrameReader, HeaderFault
from donorfit.diagnostics.doip_codes import HeaderNack, NodeType, PowerMode
from donorfit.diagnostics.doip_messages import (
    EntityStatusRequest,
    EntityStatusResponse,
    HeaderNegativeAcknowledge,
    Message,
    PowerModeRequest,
    PowerModeResponse,
    VehicleAnnouncement,
    VehicleIdentificationRequest,
    decode_message,
    encode_message,
)
from donorfit.diagnostics.malformed import MalformedError
from donorfit.edge.links.doip_entity_identity import EntityIdentity

MAX_PDU_BYTES = 0x1_0000
OWN_VERSION = 2
SEEN_VERSIONS = range(1, 5)


class EntityDatagrams(asyncio.DatagramProtocol):
    """Vehicle identification, entity status and power mode on UDP."""

    def __init__(self, identity: EntityIdentity, count_connections: Callable[[], int]) -> None:
        self._identity = identity
        self._count_connections = count_connections
        self._transport: asyncio.DatagramTransport | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Keep the transport."""
        # asyncio's own class for it does not derive from DatagramTransport in every version
        self._transport = cast("asyncio.DatagramTransport", transport)

    def datagram_received(self, data: bytes, addr: tuple[str, int]) -> None:
        """Answer each frame of a datagram to where it came from."""
        for frame in FrameReader().feed(data):
            answer = self._answer(frame)
            if answer is not None and self._transport is not None:
                version = frame.version if isinstance(frame, Frame) else OWN_VERSION
                version = version if version in SEEN_VERSIONS else OWN_VERSION
                self._transport.sendto(encode_message(answer, version), addr)

    def _answer(self, frame: Frame | HeaderFault) -> Message | None:  # noqa: PLR0911 - one a message
        if isinstance(frame, HeaderFault):
            return HeaderNegativeAcknowledge(code=frame.reason)
        try:
            message = decode_message(frame)
        except MalformedError:
            return HeaderNegativeAcknowledge(code=HeaderNack.INVALID_PAYLOAD_LENGTH)
        identity = self._identity
        match message:
            case VehicleIdentificationRequest(eid=eid, vin=vin):
                wanted = eid in {b"", identity.eid} and vin in {b"", identity.vin}
                return identity.announce() if wanted else None
            case EntityStatusRequest():
                return EntityStatusResponse(
                    node_type=NodeType.GATEWAY,
                    max_sockets=identity.max_connections,
                    open_sockets=self._count_connections(),
                    max_payload_bytes=MAX_PDU_BYTES,
                )
            case PowerModeRequest():
                return PowerModeResponse(mode=PowerMode.READY)
            case VehicleAnnouncement() | HeaderNegativeAcknowledge():
                return None  # other entities speak on this port too; nacks are never answered
            case _:
                return HeaderNegativeAcknowledge(code=HeaderNack.UNKNOWN_PAYLOAD_TYPE)
