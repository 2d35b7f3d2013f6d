"""Why a DoIP connection cannot be had."""

from donorfit.diagnostics.doip_codes import ActivationCode, describe_activation
from donorfit.errors import LinkError, PeerError

_SHOWN_BYTES = 24


class GatewayUnreachableError(LinkError):
    """Nobody accepts a connection there."""

    def __init__(self, *, peer: str, reason: str) -> None:
        super().__init__(
            what=f"no connection to the gateway at {peer}",
            where=peer,
            why=reason,
            next_step="check cable, ignition, network address and port",
        )


class GatewaySilentError(LinkError):
    """Something accepts the connection and says nothing to the routing activation request."""

    def __init__(self, *, peer: str, wait_s: float) -> None:
        super().__init__(
            what=f"what listens at {peer} does not answer the routing activation request",
            where=peer,
            why=f"nothing came within {wait_s:.1f} s (A_DoIP_Ctrl is 2 s)",
            next_step="check that this is the diagnostic port of the gateway",
        )


class GatewayHungUpError(LinkError):
    """The connection was closed before routing was active."""

    def __init__(self, *, peer: str, reason: str) -> None:
        super().__init__(
            what=f"{peer} ended the connection before routing was active",
            where=peer,
            why=reason,
            next_step="check that no other tester is connected and that the ignition is on",
        )


class ActivationDeniedError(LinkError):
    """The gateway does not activate routing.

    Attributes:
        code: routing activation answer.
    """

    def __init__(self, *, peer: str, code: int) -> None:
        super().__init__(
            what=f"the gateway at {peer} does not activate routing",
            where=peer,
            why=describe_activation(code),
            next_step=_NEXT_STEPS.get(code, "look up the code in the maker's documentation"),
        )
        self.code = code


_NEXT_STEPS: dict[int, str] = {
    ActivationCode.UNKNOWN_SOURCE_ADDRESS: "use a tester address that the gateway knows",
    ActivationCode.ALL_SOCKETS_ACTIVE: "disconnect other testers, or wait and try again",
    ActivationCode.SOURCE_ADDRESS_DIFFERS: "open a new connection for another tester address",
    ActivationCode.SOURCE_ADDRESS_ACTIVE_ELSEWHERE: (
        "another tester is at work on this car, perhaps on another computer: finish it first, two "
        "at once would disturb each other; if it died, the gateway lets go of it by itself: wait "
        "a few seconds and try again"
    ),
    ActivationCode.MISSING_AUTHENTICATION: "this gateway is out of reach for this program",
    ActivationCode.REJECTED_CONFIRMATION: "allow diagnostics in the vehicle and try again",
    ActivationCode.UNSUPPORTED_ACTIVATION_TYPE: "use activation type 0x00",
    ActivationCode.TLS_REQUIRED: "this gateway wants TLS, which this program does not speak",
    ActivationCode.CONFIRMATION_REQUIRED: "confirm in the vehicle and connect again",
}


class NoDoipError(PeerError):
    """What answers does not speak DoIP, or breaks it."""

    def __init__(self, *, peer: str, why: str, data: bytes = b"") -> None:
        shown = data[:_SHOWN_BYTES]
        text = "".join(chr(byte) if 32 <= byte < 127 else "." for byte in shown)  # noqa: PLR2004 - ASCII
        said = f"; it said {shown.hex(' ').upper()} ({text})" if shown else ""
        super().__init__(
            what=f"what answers at {peer} does not speak DoIP",
            where=peer,
            why=why + said,
            next_step="check address and port; the diagnostic port of a gateway is usually 13400",
        )
