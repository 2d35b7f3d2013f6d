"""What the loop needs of the world, as protocols; ``edge/`` has what fulfils them."""

from collections.abc import Callable, Iterator
from typing import NamedTuple, Protocol, runtime_checkable

from donorfit.diagnostics.pdu import (
    Arriving,
    LinkInfo,
    LinkLost,
    Pdu,
    Reply,
    TracedFrame,
)
from donorfit.diagnostics.talk import Foreseen, Taken
from donorfit.errors import LinkError
from donorfit.vehicle.identity import Address, UnitId

LATE_BUT_HERE_S = 0.1
"""A message that was received this long after the time ran out still counts, since the program
itself may have been late."""

Detach = Callable[[], None]
"""Ends what attach or trace began; calling it twice does nothing."""

PduSink = Callable[[Pdu | Arriving | LinkLost], None]
TraceSink = Callable[[TracedFrame], None]


class LinkLostError(LinkError):
    """The link went away; nothing more can be sent or received on it."""

    def __init__(self, *, peer: str, reason: str) -> None:
        super().__init__(
            what=f"the link to {peer} is lost: {reason}",
            where=peer,
            why=reason,
            state="what was under way may or may not have reached the car",
            next_step="check cable, ignition and supply, then go on with `donorfit resume`",
        )
        self.reason = reason


class SendRefusedError(LinkError):
    """The gateway or the transport refused the request: it did not reach the unit."""

    def __init__(self, *, peer: str, target: Address, reason: str) -> None:
        super().__init__(
            what=f"a request to address 0x{target:04X} was not passed on: {reason}",
            where=f"{peer}, address 0x{target:04X}",
            why=reason,
            next_step="check that the unit is fitted, awake and has this address",
        )
        self.reason = reason


class SendUnconfirmedError(LinkError):
    """The link did not say in time that it took the request: it may have reached the unit."""

    def __init__(self, *, peer: str, target: Address, reason: str) -> None:
        super().__init__(
            what=f"a request to address 0x{target:04X} was not confirmed: {reason}",
            where=f"{peer}, address 0x{target:04X}",
            why=reason,
            state="the request may have reached the unit",
            next_step="look at the unit's state before anything is written again",
        )
        self.reason = reason


class Clock(Protocol):
    """Monotonic time; deadlines are times of this clock."""

    def now(self) -> float:
        """Seconds from an arbitrary start; never goes back."""

    async def sleep(self, seconds: float) -> None:
        """Wait; not at all where the time is 0 or less."""


class PduLink(Protocol):
    """Carries UDS bytes to and from addresses; knows nothing of services."""

    @property
    def info(self) -> LinkInfo:
        """What to know of the link; complete once it is open."""

    async def open(self, deadline: float) -> None:
        """Connect; raise LinkError or PeerError where that is not possible by the deadline."""

    async def send(self, target: Address, pdu: bytes, deadline: float) -> None:
        """Return once the link has taken the request.

        An answer of the target may reach the sinks before this returns.

        Raises:
            SendRefusedError: it did not reach the unit.
            SendUnconfirmedError: nothing said by the deadline; it may have reached the unit.
            LinkLostError: the link is gone; it may have reached the unit.
        """

    def attach(self, source: Address | None, sink: PduSink) -> Detach:
        """Give every message from this source (None: from any) to the sink, and the loss."""

    def trace(self, sink: TraceSink) -> Detach:
        """Give every frame of both ways to the sink."""

    async def close(self) -> None:
        """Let go of everything; closing twice does nothing."""


class Streak(NamedTuple):
    """How far a run of foreseen exchanges went.

    Attributes:
        answered: requests that were answered as foreseen.
        last: when the link took the request after them, or why it did not; None where none was
            sent.
        sent_at_s: when the last request was sent.
    """

    answered: int
    last: Taken | LinkError | None
    sent_at_s: float


@runtime_checkable
class StreamingLink(Protocol):
    """A link that sends the next request from within the arrival of the answer before it."""

    async def stream(
        self,
        target: Address,
        exchanges: Iterator[Foreseen],
        wait_s: float,
        until_s: float,
    ) -> Streak:
        """Send requests one by one, each once the one before is answered as foreseen.

        Answers as foreseen reach no sink. The first request for which another message comes, or
        none within the time, ends it, and so does its end being awaited no more: then no further
        request is sent. The message that was not foreseen is given to the sinks after that.

        Args:
            target: the unit.
            exchanges: requests and what their answers begin with, taken as they are sent.
            wait_s: longest wait for an answer once its request is taken.
            until_s: no request but the first is begun at or after this time.
        """


class KeySource(Protocol):
    """The user's own licensed source of security access keys."""

    def compute_key(self, unit: UnitId, level: int, seed: bytes) -> bytes | None:
        """The key for this seed of the odd level, or None where the source has none."""


class LockOuts(Protocol):
    """Remembers how long units have to be left alone after wrong keys, also across restarts."""

    def get_seconds_left(self, unit: UnitId, level: int) -> float:
        """Seconds yet; 0 where the unit may be asked."""

    def set_seconds(self, unit: UnitId, level: int, seconds: float) -> None:
        """Leave the unit alone for this time from now on."""


class CarModel(Protocol):
    """A car that answers, driven by a link in memory."""

    def handle(self, target: Address, pdu: bytes, now_s: float) -> tuple[Reply, ...]:
        """What the car answers to this request, and how long after it."""
