"""The TCP side of a DoIP link: bytes in and out, acknowledgements, alive checks, the end."""

import asyncio
import struct
from collections.abc import Callable
from typing import Any

from donorfit.diagnostics.doip import (
    Frame,
    FrameReader,
    HeaderFault,
    encode_diagnostic_message,
)
from donorfit.diagnostics.doip_codes import HeaderNack, PayloadType, describe_diagnostic_nack
from donorfit.diagnostics.doip_messages import (
    AliveCheckResponse,
    RoutingActivationRequest,
    RoutingActivationResponse,
    decode_message,
    encode_message,
)
from donorfit.diagnostics.pdu import Direction, Layer, Pdu, TracedFrame
from donorfit.edge.links.doip_errors import GatewayHungUpError, NoDoipError
from donorfit.edge.links.doip_streak import Course, RunningStreak, Streaks
from donorfit.edge.links.doip_unconfirmed import Sending, Unconfirmed
from donorfit.edge.links.sinks import Sinks
from donorfit.job.ports import (
    Clock,
    LinkLostError,
    SendRefusedError,
    Streak,
)
from donorfit.vehicle.identity import Address

_CLOSE_S = 0.5
_ROOM_BYTES = 1 << 16
_ADDRESSES = struct.Struct("!HH")


class DoipConnection(asyncio.BufferedProtocol):
    """One TCP connection; made by the loop, used by :class:`DoipLink`.

    Attributes:
        version: protocol version that is spoken.
        last_sent_s: when something was sent last.
        unused_frames: frames that were of no use to anybody.
    """

    def __init__(
        self, peer: str, tester: Address, version: int, clock: Clock, sinks: Sinks
    ) -> None:
        self.version = version
        self.last_sent_s = clock.now()
        self.unused_frames = 0
        self._peer = peer
        self._tester = tester
        self._clock = clock
        self._sinks = sinks
        self._reader = FrameReader()
        self._room = memoryview(bytearray(_ROOM_BYTES))
        self._transport: asyncio.Transport | None = None
        self._activation: asyncio.Future[RoutingActivationResponse] | None = None
        self._asked: RoutingActivationRequest | None = None
        self._unconfirmed = Unconfirmed(peer, clock, self._is_silent)
        # Acknowledgements that are still to come although the answer is here already.
        self._owed: dict[Address, int] = {}
        self._last_heard_s = self.last_sent_s
        self._deliver: Callable[[Pdu], None] | None = None
        self._on_lost: Callable[[str], None] | None = None
        self._lost: str | None = None
        # Kept, since asking for it costs a system call.
        self._loop = asyncio.get_running_loop()
        self._closed = self._loop.create_future()
        self._streaks = Streaks(peer, clock, self._is_silent)
        self._running = self._streaks.running
        self._answered: list[RunningStreak] = []
        self._takers: dict[int, Callable[[Frame], None]] = {
            PayloadType.DIAGNOSTIC_MESSAGE: self._take_message,
            PayloadType.DIAGNOSTIC_POSITIVE_ACKNOWLEDGE: self._take_acknowledge,
            PayloadType.DIAGNOSTIC_NEGATIVE_ACKNOWLEDGE: self._take_refusal,
            PayloadType.ALIVE_CHECK_REQUEST: self._answer_alive_check,
            PayloadType.ROUTING_ACTIVATION_RESPONSE: self._take_activation,
            PayloadType.HEADER_NEGATIVE_ACKNOWLEDGE: self._take_header_nack,
        }
        self._full = False
        self._writable = asyncio.Event()

    def hear(self, deliver: Callable[[Pdu], None], on_lost: Callable[[str], None]) -> None:
        """Give messages and the loss to these from now on."""
        self._deliver = deliver
        self._on_lost = on_lost
        if self._lost is not None:
            on_lost(self._lost)

    # --- asyncio's side ----------------------------------------------------------------------

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Keep the transport."""
        assert isinstance(transport, asyncio.Transport)  # noqa: S101 - TCP gives this kind
        self._transport = transport

    def get_buffer(self, sizehint: int) -> memoryview:
        """The same room every time: a fresh one per message costs more than the message."""
        del sizehint
        return self._room

    def buffer_updated(self, nbytes: int) -> None:
        """Cut into frames and give each to whom it belongs."""
        self._last_heard_s = now_s = self._clock.now()
        data = self._room[:nbytes]
        streak = self._streaks.sole
        if (
            streak is not None
            and nbytes == len(streak.expected)
            and data == streak.expected
            and self._reader.between_frames
            and streak.is_in_time(now_s)
            and not self._sinks.traced
        ):
            # Just what a block that is taken leads to, with nothing before or after it.
            streak.count_answer()
            streak.go_on(now_s)
            return
        if self._sinks.traced:
            # As it came: what is no frame that is taken belongs into a record, too.
            self._trace(Direction.RECEIVED, bytes(data))
        takers = self._takers
        for found in self._reader.feed(data):
            if isinstance(found, HeaderFault):
                self._take_fault(found, bytes(data))
                continue
            taker = takers.get(found.payload_type)
            if taker is None:
                self.unused_frames += 1
            else:
                taker(found)
        # Nothing is sent before all that has arrived was looked at.
        while self._answered:
            self._answered.pop().go_on(now_s)

    def connection_lost(self, exc: Exception | None) -> None:
        """The connection is gone: reset with an error, or closed by the other side."""
        if isinstance(exc, ConnectionResetError):
            reason = "the gateway reset the connection"
        elif exc is not None:
            reason = str(exc) or type(exc).__name__
        else:
            reason = "the gateway closed the connection"
        self._lose(reason)
        if not self._closed.done():
            self._closed.set_result(None)

    def pause_writing(self) -> None:
        """The other side does not read."""
        self._full = True
        self._writable.clear()

    def resume_writing(self) -> None:
        """It reads again."""
        self._full = False
        self._writable.set()

    # --- the link's side ---------------------------------------------------------------------

    async def activate(self, request: RoutingActivationRequest) -> RoutingActivationResponse:
        """Ask for routing activation and wait for the answer."""
        self._activation = self._loop.create_future()
        self._asked = request
        self.write(encode_message(request, self.version))
        return await self._activation

    async def send(self, target: Address, pdu: bytes, deadline: float) -> None:
        """Send a diagnostic message and wait until it is acknowledged or answered."""
        if self._lost is not None:
            raise LinkLostError(peer=self._peer, reason=self._lost)
        confirmation: asyncio.Future[None] = self._loop.create_future()
        self.write(encode_diagnostic_message(self.version, self._tester, target, pdu))
        sending = Sending(self.last_sent_s, deadline, confirmation)
        self._unconfirmed.add(target, sending)
        try:
            if self._full:
                await self._wait_writable(confirmation)
            await confirmation
        except BaseException:
            self._unconfirmed.remove(target, sending)
            raise

    async def stream(self, course: Course) -> Streak:
        """Send requests, each from within the arrival of the answer to the one before."""
        if self._lost is not None:
            raise LinkLostError(peer=self._peer, reason=self._lost)
        return await self._streaks.run(course, self._tester, self.version, self.write)

    def write(self, data: bytes) -> None:
        """Send bytes as they are."""
        if self._transport is None or self._transport.is_closing():
            return
        self.last_sent_s = self._clock.now()
        if self._sinks.traced:
            self._trace(Direction.SENT, data)
        self._transport.write(data)

    def abort(self) -> None:
        """Let go at once."""
        if self._transport is not None:
            self._transport.abort()

    async def close(self) -> None:
        """Close in order, or abort where the other side does not take it."""
        self._lose("the program closed the connection")
        if self._transport is None:
            return
        self._transport.close()
        try:
            async with asyncio.timeout(_CLOSE_S):
                await asyncio.shield(self._closed)
        except TimeoutError:
            self._transport.abort()

    async def _wait_writable(self, confirmation: asyncio.Future[None]) -> None:
        waiter = asyncio.ensure_future(self._writable.wait())
        try:
            both: set[asyncio.Future[Any]] = {waiter, confirmation}
            await asyncio.wait(both, return_when=asyncio.FIRST_COMPLETED)
        finally:
            waiter.cancel()

    def _is_silent(self, since_s: float) -> bool:
        """Whether not even the gateway itself says anything: the connection is half open."""
        if self._last_heard_s >= since_s:
            return False
        self._lose("the gateway has fallen silent; it does not acknowledge any more")
        self.abort()
        return True

    # --- frames ------------------------------------------------------------------------------

    def _answer_alive_check(self, _frame: Frame) -> None:
        self.write(encode_message(AliveCheckResponse(source=self._tester), self.version))

    def _take_message(self, frame: Frame) -> None:
        source, target = _ADDRESSES.unpack_from(frame.payload)
        if target != self._tester or self._deliver is None:
            self.unused_frames += 1
            return
        pdu = frame.payload[_ADDRESSES.size :]
        streak = self._running.get(source)
        if self._unconfirmed.confirm(source) or (streak and streak.unacknowledged):
            # The answer is here before the acknowledgement: the request arrived, so it counts.
            self._owed[source] = self._owed.get(source, 0) + 1
        if streak is not None:
            if streak.take_answer(pdu, self._last_heard_s):
                self._answered.append(streak)
                return
            streak.hand_over(self._last_heard_s)
        self._deliver(Pdu(source, target, pdu))

    def _take_acknowledge(self, frame: Frame) -> None:
        source, target = _ADDRESSES.unpack_from(frame.payload)
        streak = self._running.get(source)
        if target == self._tester and self._owed.get(source):
            self._owed[source] -= 1
        elif target == self._tester and streak and streak.acknowledge(self._last_heard_s):
            return
        elif target != self._tester or not self._unconfirmed.confirm(source):
            self.unused_frames += 1

    def _take_refusal(self, frame: Frame) -> None:
        payload = frame.payload
        source, target = _ADDRESSES.unpack_from(payload)
        error = SendRefusedError(
            peer=self._peer, target=source, reason=describe_diagnostic_nack(payload[4])
        )
        if target != self._tester or not self._refuse(source, error):
            self.unused_frames += 1

    def _refuse(self, source: Address, error: SendRefusedError) -> bool:
        return self._streaks.refuse(source, error) or self._unconfirmed.refuse(source, error)

    def _take_activation(self, frame: Frame) -> None:
        answer = decode_message(frame)
        waits = self._activation is not None and not self._activation.done()
        if waits and isinstance(answer, RoutingActivationResponse):
            assert self._activation is not None  # noqa: S101 - checked above
            self.version = frame.version
            self._activation.set_result(answer)
        else:
            self.unused_frames += 1

    def _take_header_nack(self, frame: Frame) -> None:
        code = frame.payload[0]
        name = HeaderNack(code).name if code in set(HeaderNack) else "reserved"
        reason = f"generic header negative acknowledgement 0x{code:02X}: {name}"
        reason = reason.replace("_", " ").lower()
        if self._activation is not None and not self._activation.done():
            if frame.version != self.version and self._asked is not None:
                # It speaks another edition of the standard: follow it, once.
                self.version = frame.version
                self.write(encode_message(self._asked, self.version))
                return
            self._activation.set_exception(NoDoipError(peer=self._peer, why=reason))
            return
        targets = self._unconfirmed.list_targets() + self._streaks.list_unacknowledged()
        if len(targets) != 1:
            self.unused_frames += 1
            return
        self._refuse(
            targets[0], SendRefusedError(peer=self._peer, target=targets[0], reason=reason)
        )

    def _take_fault(self, fault: HeaderFault, data: bytes) -> None:
        if not fault.reason.closes_connection:
            self.unused_frames += 1
            return
        reason = fault.reason.name.replace("_", " ").lower()
        why = f"the bytes are no DoIP header ({reason})"
        if self._activation is not None and not self._activation.done():
            shown = data if data.startswith(fault.header) else fault.header
            self._activation.set_exception(NoDoipError(peer=self._peer, why=why, data=shown))
        self._lose(f"the gateway broke the protocol: {why}")
        self.abort()

    def _lose(self, reason: str) -> None:
        if self._lost is not None:
            return
        self._lost = reason
        self._writable.set()
        if self._activation is not None and not self._activation.done():
            self._activation.set_exception(GatewayHungUpError(peer=self._peer, reason=reason))
        self._unconfirmed.lose(reason)
        self._streaks.lose(reason)
        if self._on_lost is not None:
            self._on_lost(reason)

    def _trace(self, direction: Direction, data: bytes) -> None:
        self._sinks.deliver_frame(
            TracedFrame(
                at_s=self._clock.now(), direction=direction, layer=Layer.DOIP_TCP, data=data
            )
        )
