"""Networks, messages, the optical ring, connectors."""

from dataclasses import dataclass
from enum import Enum

from donorfit.vehicle.identity import UnitId
from donorfit.vehicle.lin import LinCluster


class NetworkKind(Enum):
    """Kinds of network that a pack can describe."""

    CAN = "can"
    ETHERNET = "ethernet"
    OPTICAL_RING = "optical ring"
    LIN = "lin"


@dataclass(frozen=True, slots=True, kw_only=True)
class Signal:
    """One value in a message, as DBC describes it (start bit as in DBC).

    A multiplexed value is only there while the value ``multiplexer`` holds one of
    ``multiplexer_values``; ``floating`` values are IEEE 754 numbers of 16, 32 or 64 bits.
    """

    name: str
    first_bit: int
    bit_length: int
    big_endian: bool
    signed: bool
    factor: float
    offset: float
    unit: str = ""
    minimum: float | None = None
    maximum: float | None = None
    choices: tuple[tuple[int, str], ...] = ()
    multiplexed: bool = False
    floating: bool = False
    multiplexer: str = ""
    multiplexer_values: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Message:
    """One message on a network; ``cycle_ms`` is None where it is sent on events.

    ``can_fd`` marks a frame of ISO 11898-1's flexible data rate format; ``bit_rate_switch`` says
    whether such a frame goes over to the data bit rate, None where the description does not say.
    ``end_to_end`` names the protection that the description states (counter and check), and
    ``secured`` says that an authenticator made with a key belongs to it.
    """

    name: str
    frame_id: int
    extended: bool
    length_bytes: int
    cycle_ms: int | None
    senders: tuple[str, ...]
    receivers: tuple[str, ...]
    signals: tuple[Signal, ...] = ()
    can_fd: bool = False
    bit_rate_switch: bool | None = None
    end_to_end: str = ""
    secured: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Network:
    """One network and what is sent on it; bit rates in bit/s, 0 where unknown or none applies.

    Attributes:
        name: its name.
        kind: what it is.
        bit_rate: of CAN and LIN; the nominal one where there are two.
        messages: what is sent on it.
        data_bit_rate: second bit rate of CAN FD frames.
        lin: nodes and schedules of a LIN bus; None where they are not described.
        terminated_by: units that hold a terminating resistor; empty where nothing is said.
    """

    name: str
    kind: NetworkKind
    bit_rate: int
    messages: tuple[Message, ...] = ()
    data_bit_rate: int = 0
    lin: LinCluster | None = None
    terminated_by: tuple[UnitId, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class RingHop:
    """The fibre from one ring node to the next.

    Attributes:
        source: node that sends light into it.
        target: node that receives it.
        length_m: fibre length in metres.
        inline_connectors: connectors between the two nodes' own.
        sharp_bends: bends tighter than the fibre's long-term radius.
        extra_db: further loss that was measured, such as that of a kink.
    """

    source: UnitId
    target: UnitId
    length_m: float
    inline_connectors: int = 0
    sharp_bends: int = 0
    extra_db: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class OpticalRing:
    """The optical ring: its master and its hops in the direction of the light."""

    name: str
    master: UnitId
    hops: tuple[RingHop, ...]


class PinFunction(Enum):
    """What a cavity carries, as far as a wrong partner matters."""

    SUPPLY = "supply"
    SWITCHED_SUPPLY = "switched supply"
    GROUND = "ground"
    CAN_HIGH = "can high"
    CAN_LOW = "can low"
    ETHERNET_PLUS = "ethernet plus"
    ETHERNET_MINUS = "ethernet minus"
    OPTICAL_IN = "optical in"
    OPTICAL_OUT = "optical out"
    OUTPUT = "output"
    INPUT = "input"
    UNUSED = "unused"


@dataclass(frozen=True, slots=True, kw_only=True)
class Cavity:
    """One cavity of a connector.

    Attributes:
        number: number on the housing.
        function: what it carries.
        detail: network or signal name that tells equal functions apart.
        current_a: continuous current.
    """

    number: int
    function: PinFunction
    detail: str = ""
    current_a: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Connector:
    """A connector: ``shape`` says which plugs fit each other mechanically."""

    id: str
    title: str
    shape: str
    cavities: tuple[Cavity, ...]
