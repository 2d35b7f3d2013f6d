"""How long to wait, what to repeat and what never: all of it data.

Waiting times come from the unit itself where it reports them (answer to 0x10); what stands here
is for units that do not, and limits against units that report or do something absurd.
"""

from dataclasses import dataclass, field
from enum import Enum
from types import MappingProxyType

from donorfit.diagnostics.negative_response import Nrc
from donorfit.diagnostics.uds import Service, SessionTiming


class Reaction(Enum):
    """What a negative response leads to."""

    STOP = "tell the code and stop"
    WAIT = "the answer is still to come: wait again, with P2*"
    BACK_OFF = "not done, the unit is busy: ask again after a pause"
    UNLOCK_ONCE = "not done, security is closed: open it once more and ask again"
    ENTER_ONCE = "not done, the session is gone: enter it once more and ask again"


@dataclass(frozen=True, slots=True, kw_only=True)
class EchoRule:
    """Which bytes of a request its positive answer repeats after the service identifier.

    Attributes:
        length_bytes: how many bytes are repeated.
        sub_function: whether the first of them is a sub-function, of which the suppress bit is
            not repeated.
        strict: whether an answer that ends before them is somebody else's. Units are seen that
            answer 0x10 without the sub-function.
    """

    length_bytes: int = 0
    sub_function: bool = False
    strict: bool = True


_REACTIONS: MappingProxyType[int, Reaction] = MappingProxyType(
    {
        Nrc.BUSY_REPEAT_REQUEST: Reaction.BACK_OFF,
        Nrc.SECURITY_ACCESS_DENIED: Reaction.UNLOCK_ONCE,
        Nrc.REQUEST_CORRECTLY_RECEIVED_RESPONSE_PENDING: Reaction.WAIT,
        Nrc.SUB_FUNCTION_NOT_SUPPORTED_IN_ACTIVE_SESSION: Reaction.ENTER_ONCE,
        Nrc.SERVICE_NOT_SUPPORTED_IN_ACTIVE_SESSION: Reaction.ENTER_ONCE,
    }
)

_ECHO: MappingProxyType[int, EchoRule] = MappingProxyType(
    {
        Service.DIAGNOSTIC_SESSION_CONTROL: EchoRule(
            length_bytes=1, sub_function=True, strict=False
        ),
        Service.ECU_RESET: EchoRule(length_bytes=1, sub_function=True, strict=False),
        Service.READ_DTC_INFORMATION: EchoRule(length_bytes=1, sub_function=True),
        Service.READ_DATA_BY_IDENTIFIER: EchoRule(length_bytes=2),
        Service.SECURITY_ACCESS: EchoRule(length_bytes=1, sub_function=True),
        Service.COMMUNICATION_CONTROL: EchoRule(length_bytes=1, sub_function=True),
        Service.WRITE_DATA_BY_IDENTIFIER: EchoRule(length_bytes=2),
        Service.INPUT_OUTPUT_CONTROL_BY_IDENTIFIER: EchoRule(length_bytes=2),
        Service.ROUTINE_CONTROL: EchoRule(length_bytes=3, sub_function=True),
        Service.TRANSFER_DATA: EchoRule(length_bytes=1),
        Service.REQUEST_FILE_TRANSFER: EchoRule(length_bytes=1),
        Service.TESTER_PRESENT: EchoRule(length_bytes=1, sub_function=True, strict=False),
        Service.CONTROL_DTC_SETTING: EchoRule(length_bytes=1, sub_function=True),
    }
)

# Longest time under 0x78 per service, from common practice, no source: erasing, checking and
# writing take minutes at most, everything else seconds.
_PENDING_CAP_S: MappingProxyType[int, float] = MappingProxyType(
    {
        Service.ROUTINE_CONTROL: 600.0,
        Service.REQUEST_DOWNLOAD: 300.0,
        Service.REQUEST_FILE_TRANSFER: 300.0,
        Service.TRANSFER_DATA: 120.0,
        Service.REQUEST_TRANSFER_EXIT: 300.0,
        Service.WRITE_DATA_BY_IDENTIFIER: 120.0,
        Service.CLEAR_DIAGNOSTIC_INFORMATION: 120.0,
    }
)

_TIMING = SessionTiming()


@dataclass(frozen=True, slots=True, kw_only=True)
class Policy:
    """How a unit is talked to.

    Attributes:
        timing: P2 and P2* until a unit reports its own (ISO 14229-2: 50 ms and 5 s).
        longest_p2_s: a longer reported P2 is cut to this.
        longest_p2_star_s: a longer reported P2* is cut to this.
        echo: what answers repeat, per service; services not named repeat nothing.
        reactions: what negative responses lead to; codes not named stop.
        pending_cap_s: longest time under 0x78, per service.
        pending_cap_other_s: the same for services not named.
        busy_first_s: first pause after 0x21; each further one is twice as long.
        busy_longest_s: longest pause after 0x21.
        busy_tries: how often a busy unit is asked again.
        fence_tries: how often ``3E 00`` is sent to find out that a silent unit is back.
        reading_repeats: how often a reading without an answer is asked again, after a fence.
        keep_alive_s: time without a request after which ``3E 80`` is sent in a session other than
            the default one (ISO 14229-2: S3 of the client, 2 s).
        key_delay_s: how long a unit that answers 0x37 to a seed request is left alone, once.
        lock_out_s: how long a unit that answers 0x36 is left alone (no figure in ISO 14229-1;
            common practice, no source).
        block_repeats: how often a block of a download is sent again after a lost answer.
        largest_block_bytes: longest 0x36 request, however much the unit would take.
        download_restarts: how often a piece is begun again from its erasing on, after the unit
            broke its transfer off (0x70 to 0x73).
        stream_s: how long blocks follow each other before a download looks at its supply and
            tells how far it is.
        supply_every_s: how often the supply is read during a download.
        supply_pause_s: how long to wait between two looks while it is outside its window; shorter
            than S3 of the unit, which is told each time that its tester is there.
        supply_patience_s: how long to wait for it in all, until the download stops.
        parallel_units: how many units may have a request out at once.
    """

    timing: SessionTiming = _TIMING
    longest_p2_s: float = 10.0
    longest_p2_star_s: float = 60.0
    echo: MappingProxyType[int, EchoRule] = field(default_factory=lambda: _ECHO)
    reactions: MappingProxyType[int, Reaction] = field(default_factory=lambda: _REACTIONS)
    pending_cap_s: MappingProxyType[int, float] = field(default_factory=lambda: _PENDING_CAP_S)
    pending_cap_other_s: float = 60.0
    busy_first_s: float = 0.05
    busy_longest_s: float = 0.5
    busy_tries: int = 10
    fence_tries: int = 3
    reading_repeats: int = 1
    keep_alive_s: float = 2.0
    key_delay_s: float = 10.0
    lock_out_s: float = 600.0
    block_repeats: int = 1
    largest_block_bytes: int = 0xFFFF
    download_restarts: int = 2
    stream_s: float = 0.25
    supply_every_s: float = 10.0
    supply_pause_s: float = 2.0
    supply_patience_s: float = 300.0
    parallel_units: int = 64


DEFAULT = Policy()
