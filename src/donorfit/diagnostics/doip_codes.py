"""Payload types and codes of DoIP (ISO 13400-2:2019), in the standard's words.

The numbers agree with three independent implementations: scapy, doipclient and Wireshark's
dissector; ``tests/reference/link`` compares them. Where doipclient differs from the other two
(activation type 0xE0, central security) the other two are followed.
"""

from enum import IntEnum

UDP_DISCOVERY_PORT = 13400
TCP_DATA_PORT = 13400

INITIAL_INACTIVITY_S = 2.0
"""T_TCP_Initial_Inactivity: a connection without routing activation is closed after it."""
GENERAL_INACTIVITY_S = 300.0
"""T_TCP_General_Inactivity: an idle activated connection is closed after it."""
ALIVE_CHECK_S = 0.5
"""T_TCP_Alive_Check: time to answer an alive check request."""
CONTROL_S = 2.0
"""A_DoIP_Ctrl: wait for the answer to an identification or activation request."""


class ProtocolVersion(IntEnum):
    """First byte of the generic header."""

    ISO_13400_2010 = 0x01
    ISO_13400_2_2012 = 0x02
    ISO_13400_2_2019 = 0x03
    ISO_13400_2_2019_AMD1 = 0x04
    DEFAULT_FOR_IDENTIFICATION = 0xFF


class PayloadType(IntEnum):
    """Payload types of the generic header."""

    HEADER_NEGATIVE_ACKNOWLEDGE = 0x0000
    VEHICLE_IDENTIFICATION_REQUEST = 0x0001
    VEHICLE_IDENTIFICATION_REQUEST_WITH_EID = 0x0002
    VEHICLE_IDENTIFICATION_REQUEST_WITH_VIN = 0x0003
    VEHICLE_ANNOUNCEMENT = 0x0004
    """Also the answer to a vehicle identification request."""
    ROUTING_ACTIVATION_REQUEST = 0x0005
    ROUTING_ACTIVATION_RESPONSE = 0x0006
    ALIVE_CHECK_REQUEST = 0x0007
    ALIVE_CHECK_RESPONSE = 0x0008
    ENTITY_STATUS_REQUEST = 0x4001
    ENTITY_STATUS_RESPONSE = 0x4002
    POWER_MODE_REQUEST = 0x4003
    POWER_MODE_RESPONSE = 0x4004
    DIAGNOSTIC_MESSAGE = 0x8001
    DIAGNOSTIC_POSITIVE_ACKNOWLEDGE = 0x8002
    DIAGNOSTIC_NEGATIVE_ACKNOWLEDGE = 0x8003


class HeaderNack(IntEnum):
    """Why a generic header is not accepted."""

    INCORRECT_PATTERN_FORMAT = 0x00
    UNKNOWN_PAYLOAD_TYPE = 0x01
    MESSAGE_TOO_LARGE = 0x02
    OUT_OF_MEMORY = 0x03
    INVALID_PAYLOAD_LENGTH = 0x04

    @property
    def closes_connection(self) -> bool:
        """Whether the receiver closes the connection after sending it; otherwise it discards."""
        return self in {HeaderNack.INCORRECT_PATTERN_FORMAT, HeaderNack.INVALID_PAYLOAD_LENGTH}


class ActivationType(IntEnum):
    """What kind of routing is asked for."""

    DEFAULT = 0x00
    REGULATORY = 0x01
    """Diagnostics required by regulation (WWH-OBD)."""
    CENTRAL_SECURITY = 0xE0


class ActivationCode(IntEnum):
    """The answer to a routing activation request."""

    UNKNOWN_SOURCE_ADDRESS = 0x00
    ALL_SOCKETS_ACTIVE = 0x01
    SOURCE_ADDRESS_DIFFERS = 0x02
    SOURCE_ADDRESS_ACTIVE_ELSEWHERE = 0x03
    MISSING_AUTHENTICATION = 0x04
    REJECTED_CONFIRMATION = 0x05
    UNSUPPORTED_ACTIVATION_TYPE = 0x06
    TLS_REQUIRED = 0x07
    ACTIVATED = 0x10
    CONFIRMATION_REQUIRED = 0x11

    @property
    def meaning(self) -> str:
        """One sentence for people."""
        return _ACTIVATION_MEANINGS[self]


_ACTIVATION_MEANINGS = {
    ActivationCode.UNKNOWN_SOURCE_ADDRESS: "the gateway does not know this tester address",
    ActivationCode.ALL_SOCKETS_ACTIVE: "all connections that the gateway supports are in use",
    ActivationCode.SOURCE_ADDRESS_DIFFERS: "another tester address is active on this connection",
    ActivationCode.SOURCE_ADDRESS_ACTIVE_ELSEWHERE: (
        "this tester address is already active on another connection"
    ),
    ActivationCode.MISSING_AUTHENTICATION: "the gateway asks for authentication first",
    ActivationCode.REJECTED_CONFIRMATION: "the vehicle rejected the confirmation",
    ActivationCode.UNSUPPORTED_ACTIVATION_TYPE: "the gateway does not support this activation",
    ActivationCode.TLS_REQUIRED: "this activation needs a TLS connection",
    ActivationCode.ACTIVATED: "routing is active",
    ActivationCode.CONFIRMATION_REQUIRED: "routing becomes active after confirmation in the car",
}


class DiagnosticNack(IntEnum):
    """Why a diagnostic message is not passed on."""

    INVALID_SOURCE_ADDRESS = 0x02
    UNKNOWN_TARGET_ADDRESS = 0x03
    DIAGNOSTIC_MESSAGE_TOO_LARGE = 0x04
    OUT_OF_MEMORY = 0x05
    TARGET_UNREACHABLE = 0x06
    UNKNOWN_NETWORK = 0x07
    TRANSPORT_PROTOCOL_ERROR = 0x08


class NodeType(IntEnum):
    """Kind of DoIP entity in the entity status answer."""

    GATEWAY = 0x00
    NODE = 0x01


class PowerMode(IntEnum):
    """Diagnostic power mode."""

    NOT_READY = 0x00
    READY = 0x01
    NOT_SUPPORTED = 0x02


def describe_activation(code: int) -> str:
    """The code with its meaning; reserved codes keep their number."""
    try:
        meaning = ActivationCode(code).meaning
    except ValueError:
        meaning = "reserved by ISO 13400-2 or particular to the maker"
    return f"routing activation answer 0x{code:02X}: {meaning}"


def describe_diagnostic_nack(code: int) -> str:
    """The code of a diagnostic message negative acknowledgement in words."""
    try:
        name = DiagnosticNack(code).name.replace("_", " ").lower()
    except ValueError:
        name = "reserved by ISO 13400-2"
    return f"diagnostic message negative acknowledgement 0x{code:02X}: {name}"
