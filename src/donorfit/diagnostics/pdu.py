"""What a diagnostic link carries, as values: shared by the links, the carrier and the car."""

from dataclasses import dataclass
from enum import Enum
from typing import NamedTuple

from donorfit.vehicle.identity import Address

TESTER_ADDRESS = Address(0x0E80)
"""A tester address out of ISO 13400-2's range for external test equipment (0x0E00 to 0x0FFF)."""


class LinkKind(Enum):
    """What the bytes travel over."""

    DOIP = "DoIP"
    ISOTP = "ISO-TP on CAN"
    MEMORY = "in memory"


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkInfo:
    """What whoever uses a link has to know of it.

    Attributes:
        kind: what the bytes travel over.
        peer: host and port, bus and channel, or name; for people.
        tester: our own address.
        gateway: address of the DoIP entity once it is known.
        max_pdu_bytes: longest request that the link takes.
        parallel_units: how many units may have a request out at once.
        transit_s: what link and gateway may add to a unit's own answering time (ISO 14229-2
            calls it the difference between P2 of client and server).
        accept_s: longest wait until the link has taken a request.
    """

    kind: LinkKind
    peer: str
    tester: Address = TESTER_ADDRESS
    gateway: Address | None = None
    max_pdu_bytes: int = 0xFFFF
    parallel_units: int = 64
    transit_s: float = 0.05
    accept_s: float = 2.0


class Pdu(NamedTuple):
    """UDS bytes that arrived: from which address, to which address."""

    source: Address
    target: Address
    data: bytes


class Arriving(NamedTuple):
    """A message of this source has begun to arrive in pieces; give it this long for the next."""

    source: Address
    patience_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkLost:
    """The link is gone; nothing more will come."""

    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Reply:
    """One answer of a simulated car.

    Attributes:
        after_s: seconds after the request.
        source: address of the unit that answers.
        pdu: UDS bytes.
    """

    after_s: float
    source: Address
    pdu: bytes


class Direction(Enum):
    """Which way a traced frame went."""

    SENT = "sent"
    RECEIVED = "received"


class Layer(Enum):
    """What the bytes of a traced frame are."""

    DOIP_TCP = "DoIP frame on TCP"
    DOIP_UDP = "DoIP frame on UDP"
    CAN = "CAN frame"
    UDS = "UDS bytes"


@dataclass(frozen=True, slots=True, kw_only=True)
class TracedFrame:
    """One frame as it passed the link.

    Attributes:
        at_s: monotonic time.
        direction: sent or received.
        layer: what the bytes are.
        data: for DoIP header and payload, on TCP as they came, so that several frames, a part of
            one, or no frame at all may stand in it; for CAN the data bytes; for UDS the message.
        source: address that it came from; for CAN the identifier.
        target: address that it went to; 0 for CAN.
        wide: for CAN, a 29-bit identifier.
        flexible_rate: for CAN, a CAN FD frame.
    """

    at_s: float
    direction: Direction
    layer: Layer
    data: bytes
    source: int = 0
    target: int = 0
    wide: bool = False
    flexible_rate: bool = False
