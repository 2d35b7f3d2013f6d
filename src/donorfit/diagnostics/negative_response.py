"""Negative response codes (NRC) of ISO 14229-1:2020, table A.1, with their names.

The names follow the 2020 edition: 0x38 to 0x3A are those of secured data transmission, not the
older link security ones, and 0x34, 0x50 to 0x5D and 0x94 exist only there.
"""

from dataclasses import dataclass
from enum import IntEnum

NEGATIVE_RESPONSE = 0x7F
NEGATIVE_RESPONSE_BYTES = 3


class Nrc(IntEnum):
    """Negative response codes by the standard's names."""

    GENERAL_REJECT = 0x10
    SERVICE_NOT_SUPPORTED = 0x11
    SUB_FUNCTION_NOT_SUPPORTED = 0x12
    INCORRECT_MESSAGE_LENGTH_OR_INVALID_FORMAT = 0x13
    RESPONSE_TOO_LONG = 0x14
    BUSY_REPEAT_REQUEST = 0x21
    CONDITIONS_NOT_CORRECT = 0x22
    REQUEST_SEQUENCE_ERROR = 0x24
    NO_RESPONSE_FROM_SUBNET_COMPONENT = 0x25
    FAILURE_PREVENTS_EXECUTION_OF_REQUESTED_ACTION = 0x26
    REQUEST_OUT_OF_RANGE = 0x31
    SECURITY_ACCESS_DENIED = 0x33
    AUTHENTICATION_REQUIRED = 0x34
    INVALID_KEY = 0x35
    EXCEED_NUMBER_OF_ATTEMPTS = 0x36
    REQUIRED_TIME_DELAY_NOT_EXPIRED = 0x37
    SECURE_DATA_TRANSMISSION_REQUIRED = 0x38
    SECURE_DATA_TRANSMISSION_NOT_ALLOWED = 0x39
    SECURE_DATA_VERIFICATION_FAILED = 0x3A
    CERTIFICATE_VERIFICATION_FAILED_INVALID_TIME_PERIOD = 0x50
    CERTIFICATE_VERIFICATION_FAILED_INVALID_SIGNATURE = 0x51
    CERTIFICATE_VERIFICATION_FAILED_INVALID_CHAIN_OF_TRUST = 0x52
    CERTIFICATE_VERIFICATION_FAILED_INVALID_TYPE = 0x53
    CERTIFICATE_VERIFICATION_FAILED_INVALID_FORMAT = 0x54
    CERTIFICATE_VERIFICATION_FAILED_INVALID_CONTENT = 0x55
    CERTIFICATE_VERIFICATION_FAILED_INVALID_SCOPE = 0x56
    CERTIFICATE_VERIFICATION_FAILED_INVALID_CERTIFICATE = 0x57
    OWNERSHIP_VERIFICATION_FAILED = 0x58
    CHALLENGE_CALCULATION_FAILED = 0x59
    SETTING_ACCESS_RIGHTS_FAILED = 0x5A
    SESSION_KEY_CREATION_OR_DERIVATION_FAILED = 0x5B
    CONFIGURATION_DATA_USAGE_FAILED = 0x5C
    DE_AUTHENTICATION_FAILED = 0x5D
    UPLOAD_DOWNLOAD_NOT_ACCEPTED = 0x70
    TRANSFER_DATA_SUSPENDED = 0x71
    GENERAL_PROGRAMMING_FAILURE = 0x72
    WRONG_BLOCK_SEQUENCE_COUNTER = 0x73
    REQUEST_CORRECTLY_RECEIVED_RESPONSE_PENDING = 0x78
    SUB_FUNCTION_NOT_SUPPORTED_IN_ACTIVE_SESSION = 0x7E
    SERVICE_NOT_SUPPORTED_IN_ACTIVE_SESSION = 0x7F
    RPM_TOO_HIGH = 0x81
    RPM_TOO_LOW = 0x82
    ENGINE_IS_RUNNING = 0x83
    ENGINE_IS_NOT_RUNNING = 0x84
    ENGINE_RUN_TIME_TOO_LOW = 0x85
    TEMPERATURE_TOO_HIGH = 0x86
    TEMPERATURE_TOO_LOW = 0x87
    VEHICLE_SPEED_TOO_HIGH = 0x88
    VEHICLE_SPEED_TOO_LOW = 0x89
    THROTTLE_OR_PEDAL_TOO_HIGH = 0x8A
    THROTTLE_OR_PEDAL_TOO_LOW = 0x8B
    TRANSMISSION_RANGE_NOT_IN_NEUTRAL = 0x8C
    TRANSMISSION_RANGE_NOT_IN_GEAR = 0x8D
    BRAKE_SWITCH_OR_SWITCHES_NOT_CLOSED = 0x8F
    SHIFTER_LEVER_NOT_IN_PARK = 0x90
    TORQUE_CONVERTER_CLUTCH_LOCKED = 0x91
    VOLTAGE_TOO_HIGH = 0x92
    VOLTAGE_TOO_LOW = 0x93
    RESOURCE_TEMPORARILY_NOT_AVAILABLE = 0x94


_MAKER_SPECIFIC = range(0xF0, 0xFF)


@dataclass(frozen=True, slots=True, kw_only=True)
class NegativeResponse:
    """``7F service code``: the service that was asked and why it is not done."""

    service: int
    code: int


def encode_negative_response(service: int, code: int) -> bytes:
    """The three bytes of a negative response."""
    return bytes((NEGATIVE_RESPONSE, service, code))


def decode_negative_response(pdu: bytes) -> NegativeResponse | None:
    """The negative response in these bytes, or None where they are none.

    Bytes after the third are let pass: units are seen that fill up to a frame's length.
    """
    if len(pdu) < NEGATIVE_RESPONSE_BYTES or pdu[0] != NEGATIVE_RESPONSE:
        return None
    return NegativeResponse(service=pdu[1], code=pdu[2])


def name_negative_response(code: int) -> str:
    """The standard's name in its own spelling, such as ``busyRepeatRequest``."""
    try:
        words = Nrc(code).name.lower().split("_")
    except ValueError:
        if code in _MAKER_SPECIFIC:
            return "vehicleManufacturerSpecificConditionsNotCorrect"
        return "no name in ISO 14229-1:2020"
    return words[0] + "".join(word.capitalize() for word in words[1:])


AUTHENTICATION_WANTED = frozenset(
    (
        Nrc.AUTHENTICATION_REQUIRED,
        Nrc.SECURE_DATA_TRANSMISSION_REQUIRED,
        *range(
            Nrc.CERTIFICATE_VERIFICATION_FAILED_INVALID_TIME_PERIOD,
            Nrc.DE_AUTHENTICATION_FAILED + 1,
        ),
    )
)
"""Codes by which a unit asks for service 0x29 or 0x84, which need keys of the maker's."""

AUTHENTICATION_WORDS = (
    "the unit asks for authentication by certificate (service 0x29 or 0x84 of ISO 14229-1:2020); "
    "this program has none and defeats none, so only the maker's own way is left"
)


def explain_negative_response(code: int) -> str:
    """Number and name, and what it means for the work where the name alone does not say."""
    words = describe_negative_response(code)
    return f"{words}: {AUTHENTICATION_WORDS}" if code in AUTHENTICATION_WANTED else words


def describe_negative_response(code: int) -> str:
    """Number and name, such as ``NRC 0x21 busyRepeatRequest``."""
    return f"NRC 0x{code:02X} {name_negative_response(code)}"
