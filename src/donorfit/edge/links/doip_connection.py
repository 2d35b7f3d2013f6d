"""The TCP side of a DoIP link: bytes in and out, acknowledgements, alive checks, the end."""

import asyncio
import struct
from collections import deque
from collections.abc import Callable
from typing import Any, NamedTuple

from donorfit.diagnostics.doip import (
    Frame,
    FrameReader,
    HeaderFault,
    encode_diagnostic_message,
    encode_frame,
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
from donorfit.edge.links.doip_streak import (
    NOT_ACKNOWLEDGED,
    Course,
    RunningStreak,
    Streaks,
)
from donorfit.edge.links.sinks import Sinks
from donorfit.job.alarm import Alarm
from donorfit.job.ports import (
    Clock,
    LinkLostError,
    SendRefusedError,
    SendUnconfirmedError,
    Streak,
)
from donorfit.vehicle.identity import Address

_CLOSE_S = 0.5
_NEVER_S = float("inf")
_ROOM_BYTES = 1 << 16
_ADDRESSES = struct.Struct("!HH")


class _Sending(NamedTuple):
    """A request that is not acknowledged yet."""

    began_s: float
    deadline_s: float
    confirmation: asyncio.Future[None]


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
        self._unconfirmed: dict[Address, deque[_Sending]] = {}
        # Acknowledgements that are still to come although the answer is here already.
        self._owed: dict[Address, int] = {}
        self._last_heard_s = self.last_sent_s
        self._deliver: Callable[[Pdu], None] | None = None
        self._on_lost: Callable[[str], None] | None = None
        self._lost: str | None = None
        # Kept, since asking for it costs a system call.
        self._loop = asyncio.get_running_loop()
        self._closed = self._loop.create_future()
        self._alarm = Alarm(clock, self._give_up)
        self._watched_s = _NEVER_S
        self._streaks = Streaks(peer, clock, self._is_silent)
        self._takers: dict[int, Callable[[Frame], None]] = {
            PayloadType.DIAGNOSTIC_MESSAGE: self._take_message,
            PayloadType.DIAGNOSTIC_POSITIVE_ACKNOWLEDGE: self._take_acknowledge,
            PayloadType.DIAGNOSTIC_NEGATIVE_ACKNOWLEDGE: self._take_refusal,
            PayloadType.ALIVE_CHECK_REQUEST: self._answer_alive_check,
            PayloadType.ROUTING_ACTIVATION_RESPONSE: self._take_activation,
            PayloadType.HEADER_NEGATIVE_ACKNOWLEDGE: self._take_header_nack,
        }
        self._writable = asyncio.Event()
        self._writable.set()

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
            streak.go_on(now_s)
            return
        takers, traced = self._takers, self._sinks.traced
        for found in self._reader.feed(data):
            if isinstance(found, HeaderFault):
                self._take_fault(found, bytes(data))
                continue
            if traced:
                self._trace(Direction.RECEIVED, encode_frame(found))
            taker = takers.get(found.payload_type)
            if taker is None:
                self.unused_frames += 1
            else:
                taker(found)

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
        self._writable.clear()

    def resume_writing(self) -> None:
        """It reads again."""
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
        sending = _Sending(self.last_sent_s, deadline, confirmation)
        waiting = self._unconfirmed.get(target)
        if waiting is None:
            waiting = self._unconfirmed[target] = deque()
        waiting.append(sending)
        if deadline < self._watched_s:
            self._watched_s = deadline
            self._alarm.set(deadline)
        try:
            if not self._writable.is_set():
                await self._wait_writable(confirmation)
            await confirmation
        except BaseException:
            if sending in waiting:
                waiting.remove(sending)
            raise

    async def stream(self, course: Course) -> Streak:
        """Send requests, each from within the arrival of the answer to the one before."""
        if self._lost is not None:
            raise LinkLostError(peer=self._peer, reason=self._lost)
        streak = RunningStreak(course, self._tester, self.version, self.write)
        return await self._streaks.run(streak)

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

    def _give_up(self) -> None:
        now_s = self._clock.now()
        for target, waiting in self._unconfirmed.items():
            for sending in tuple(waiting):
                if sending.deadline_s > now_s or sending.confirmation.done():
                    continue
                if self._is_silent(sending.began_s):
                    return
                sending.confirmation.set_exception(
                    SendUnconfirmedError(peer=self._peer, target=target, reason=NOT_ACKNOWLEDGED)
                )
                waiting.remove(sending)
        left = [each.deadline_s for waiting in self._unconfirmed.values() for each in waiting]
        self._watched_s = min(left, default=_NEVER_S)
        if left:
            self._alarm.set(self._watched_s)

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
        streak = self._streaks.find(source)
        if self._confirm(source) or (streak and not streak.acknowledged):
            # The answer is here before the acknowledgement: the request arrived, so it counts.
            self._owed[source] = self._owed.get(source, 0) + 1
        if streak is not None:
            if streak.is_answered_by(pdu, self._last_heard_s):
                streak.go_on(self._last_heard_s)
                return
            self._streaks.leave(streak)
            streak.hand_over(self._last_heard_s)
        self._deliver(Pdu(source, target, pdu))

    def _take_acknowledge(self, frame: Frame) -> None:
        source, target = _ADDRESSES.unpack_from(frame.payload)
        streak = self._streaks.find(source)
        if target == self._tester and self._owed.get(source):
            self._owed[source] -= 1
        elif target == self._tester and streak and streak.acknowledge(self._last_heard_s):
            return
        elif target != self._tester or not self._confirm(source):
            self.unused_frames += 1

    def _take_refusal(self, frame: Frame) -> None:
        payload = frame.payload
        source, target = _ADDRESSES.unpack_from(payload)
        waiting = self._unconfirmed.get(source)
        streak = self._streaks.find_unacknowledged(source)
        if target != self._tester or not (waiting or streak):
            self.unused_frames += 1
            return
        error = SendRefusedError(
            peer=self._peer, target=source, reason=describe_diagnostic_nack(payload[4])
        )
        if streak is not None:
            self._streaks.refuse(streak, error)
        elif waiting:
            confirmation = waiting.popleft().confirmation
            if not confirmation.done():
                confirmation.set_exception(error)

    def _confirm(self, source: Address) -> bool:
        waiting = self._unconfirmed.get(source)
        while waiting:
            confirmation = waiting.popleft().confirmation
            if not confirmation.done():
                confirmation.set_result(None)
                return True
        return False

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
        waiting = [(target, each) for target, them in self._unconfirmed.items() for each in them]
        streaks = self._streaks.list_unacknowledged()
        if len(waiting) + len(streaks) != 1:
            self.unused_frames += 1
        elif streaks:
            target = streaks[0].course.target
            error = SendRefusedError(peer=self._peer, target=target, reason=reason)
            self._streaks.refuse(streaks[0], error)
        elif not waiting[0][1].confirmation.done():
            target, sending = waiting[0]
            error = SendRefusedError(peer=self._peer, target=target, reason=reason)
            sending.confirmation.set_exception(error)

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
        self._alarm.close()
        if self._activation is not None and not self._activation.done():
            self._activation.set_exception(GatewayHungUpError(peer=self._peer, reason=reason))
        for waiting in self._unconfirmed.values():
            for sending in waiting:
                if not sending.confirmation.done():
                    error = LinkLostError(peer=self._peer, reason=reason)
                    sending.confirmation.set_exception(error)
        self._streaks.lose(reason)
        if self._on_lost is not None:
            self._on_lost(reason)

    def _trace(self, direction: Direction, data: bytes) -> None:
        self._sinks.deliver_frame(
            TracedFrame(
                at_s=self._clock.now(), direction=direction, layer=Layer.DOIP_TCP, data=data
            )
        )
