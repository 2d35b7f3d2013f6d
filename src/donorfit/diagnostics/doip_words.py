"""DoIP messages (ISO 13400-2) in words, for people who read a trace."""

from donorfit.diagnostics.doip_codes import (
    ActivationType,
    HeaderNack,
    NodeType,
    PowerMode,
    describe_activation,
    describe_diagnostic_nack,
)
from donorfit.diagnostics.doip_messages import (
    AliveCheckRequest,
    AliveCheckResponse,
    DiagnosticAcknowledge,
    DiagnosticMessage,
    DiagnosticNegativeAcknowledge,
    EntityStatusRequest,
    EntityStatusResponse,
    HeaderNegativeAcknowledge,
    Message,
    PowerModeRequest,
    PowerModeResponse,
    RoutingActivationRequest,
    RoutingActivationResponse,
    VehicleAnnouncement,
    VehicleIdentificationRequest,
)


def describe_header_fault(code: int) -> str:
    """Why a generic header is not accepted."""
    return f"header not accepted, 0x{code:02X}: {_name(HeaderNack, code)}"


def describe_doip(message: Message) -> str:  # noqa: C901, PLR0911, PLR0912 - one case a type
    """What a message says, in one phrase; UDS bytes are described elsewhere."""
    match message:
        case HeaderNegativeAcknowledge(code=code):
            return describe_header_fault(code)
        case VehicleIdentificationRequest(eid=eid, vin=vin):
            whom = f" with VIN {_text(vin)}" if vin else f" with EID {eid.hex(':')}" if eid else ""
            return f"who is there{whom}?"
        case VehicleAnnouncement():
            return _describe_announcement(message)
        case RoutingActivationRequest(source=source, activation_type=kind):
            return f"activate routing for {source:04X}, type {_name(ActivationType, kind)}"
        case RoutingActivationResponse(code=code):
            return describe_activation(code)
        case AliveCheckRequest():
            return "are you still there?"
        case AliveCheckResponse():
            return "still here"
        case EntityStatusRequest():
            return "how busy are you?"
        case EntityStatusResponse():
            node = _name(NodeType, message.node_type)
            used = f"{message.open_sockets} of {message.max_sockets} connections in use"
            return f"{node}, {used}"
        case PowerModeRequest():
            return "is the car ready for diagnostics?"
        case PowerModeResponse(mode=mode):
            return f"diagnostic power mode: {_name(PowerMode, mode)}"
        case DiagnosticMessage():
            return "diagnostic message"
        case DiagnosticAcknowledge(code=code):
            return "passed on" if code == 0 else f"passed on, code 0x{code:02X}"
        case DiagnosticNegativeAcknowledge(code=code):
            return describe_diagnostic_nack(code)


def find_addresses(message: Message) -> tuple[int | None, int | None]:
    """Source and target address of a message, as far as it names them."""
    match message:
        case (
            DiagnosticMessage(source=source, target=target)
            | DiagnosticAcknowledge(source=source, target=target)
            | DiagnosticNegativeAcknowledge(source=source, target=target)
        ):
            return source, target
        case RoutingActivationRequest(source=source) | AliveCheckResponse(source=source):
            return source, None
        case RoutingActivationResponse(tester=tester, entity=entity):
            return entity, tester
        case VehicleAnnouncement(logical_address=address):
            return address, None
        case _:
            return None, None


def _describe_announcement(message: VehicleAnnouncement) -> str:
    known = not set(message.vin) <= {0x00, 0xFF}
    vin = _text(message.vin) if known else "not known yet"
    action = (
        "" if message.further_action == 0 else f", further action {message.further_action:02X}"
    )
    return f"here is VIN {vin}, EID {message.eid.hex(':')}{action}"


def _text(data: bytes) -> str:
    return "".join(chr(byte) if 0x20 <= byte < 0x7F else "?" for byte in data)  # noqa: PLR2004


def _name(kind: type[ActivationType | HeaderNack | NodeType | PowerMode], value: int) -> str:
    try:
        return kind(value).name.lower().replace("_", " ")
    except ValueError:
        return f"0x{value:02X}, reserved by ISO 13400-2"
