"""The TCP side of a DoIP link: bytes in and out, acknowledgements, alive checks, the end."""

import asyncio
from collections import deque
from collections.abc import Callable
from typing import Any

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
from donorfit.edge.links.sinks import Sinks
from donorfit.job.ports import (
    Clock,
    LinkLostError,
    SendRefusedError,
    SendUnconfirmedError,
)
from donorfit.vehicle.identity import Address

_CLOSE_S = 0.5


class DoipConnection(asyncio.Protocol):
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
        self._transport: asyncio.Transport | None = None
        self._activation: asyncio.Future[RoutingActivationResponse] | None = None
        self._asked: RoutingActivationRequest | None = None
        self._unconfirmed: dict[Address, deque[asyncio.Future[None]]] = {}
        # Acknowledgements that are still to come although the answer is here already.
        self._owed: dict[Address, int] = {}
        self._last_heard_s = self.last_sent_s
        self._deliver: Callable[[Pdu], None] | None = None
        self._on_lost: Callable[[str], None] | None = None
        self._lost: str | None = None
        self._closed = asyncio.get_running_loop().create_future()
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

    def data_received(self, data: bytes) -> None:
        """Cut into frames and give each to whom it belongs."""
        self._last_heard_s = self._clock.now()
        for found in self._reader.feed(data):
            if isinstance(found, HeaderFault):
                self._take_fault(found, data)
            else:
                if self._sinks.traced:
                    self._trace(Direction.RECEIVED, encode_frame(found))
                self._take_frame(found)

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
        self._activation = asyncio.get_running_loop().create_future()
        self._asked = request
        self.write(encode_message(request, self.version))
        return await self._activation

    async def send(self, target: Address, pdu: bytes, deadline: float) -> None:
        """Send a diagnostic message and wait until it is acknowledged or answered."""
        if self._lost is not None:
            raise LinkLostError(peer=self._peer, reason=self._lost)
        loop = asyncio.get_running_loop()
        confirmation: asyncio.Future[None] = loop.create_future()
        waiting = self._unconfirmed.setdefault(target, deque())
        waiting.append(confirmation)
        began_s = self._clock.now()
        timer = loop.call_later(deadline - began_s, self._give_up, target, confirmation, began_s)
        try:
            self.write(encode_diagnostic_message(self.version, self._tester, target, pdu))
            if not self._writable.is_set():
                await self._wait_writable(confirmation)
            await confirmation
        finally:
            timer.cancel()
            if confirmation in waiting:
                waiting.remove(confirmation)

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

    def _give_up(
        self, target: Address, confirmation: asyncio.Future[None], began_s: float
    ) -> None:
        if confirmation.done():
            return
        if self._last_heard_s < began_s:
            # Not even the gateway itself says anything: the connection is half open.
            reason = "the gateway has fallen silent; it does not acknowledge any more"
            self._lose(reason)
            self.abort()
            return
        reason = "the gateway did not acknowledge the request"
        confirmation.set_exception(
            SendUnconfirmedError(peer=self._peer, target=target, reason=reason)
        )

    # --- frames ------------------------------------------------------------------------------

    def _take_frame(self, frame: Frame) -> None:
        match frame.payload_type:
            case PayloadType.DIAGNOSTIC_MESSAGE:
                self._take_message(frame.payload)
            case PayloadType.DIAGNOSTIC_POSITIVE_ACKNOWLEDGE:
                self._take_acknowledge(frame.payload)
            case PayloadType.DIAGNOSTIC_NEGATIVE_ACKNOWLEDGE:
                self._take_refusal(frame.payload)
            case PayloadType.ALIVE_CHECK_REQUEST:
                self.write(encode_message(AliveCheckResponse(source=self._tester), self.version))
            case PayloadType.ROUTING_ACTIVATION_RESPONSE:
                self._take_activation(frame)
            case PayloadType.HEADER_NEGATIVE_ACKNOWLEDGE:
                self._take_header_nack(frame)
            case _:
                self.unused_frames += 1

    def _take_message(self, payload: bytes) -> None:
        source, target = _read_pair(payload)
        if target != self._tester or self._deliver is None:
            self.unused_frames += 1
            return
        if self._confirm(source):
            # The answer is here before the acknowledgement: the request arrived, so it counts.
            self._owed[source] = self._owed.get(source, 0) + 1
        self._deliver(Pdu(source=source, target=target, data=payload[4:]))

    def _take_acknowledge(self, payload: bytes) -> None:
        source, target = _read_pair(payload)
        if target == self._tester and self._owed.get(source, 0):
            self._owed[source] -= 1
        elif target != self._tester or not self._confirm(source):
            self.unused_frames += 1

    def _take_refusal(self, payload: bytes) -> None:
        source, target = _read_pair(payload)
        waiting = self._unconfirmed.get(source)
        if target != self._tester or not waiting:
            self.unused_frames += 1
            return
        error = SendRefusedError(
            peer=self._peer, target=source, reason=describe_diagnostic_nack(payload[4])
        )
        confirmation = waiting.popleft()
        if not confirmation.done():
            confirmation.set_exception(error)

    def _confirm(self, source: Address) -> bool:
        waiting = self._unconfirmed.get(source)
        while waiting:
            confirmation = waiting.popleft()
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
        if len(waiting) == 1 and not waiting[0][1].done():
            target, confirmation = waiting[0]
            error = SendRefusedError(peer=self._peer, target=target, reason=reason)
            confirmation.set_exception(error)
        else:
            self.unused_frames += 1

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
        for waiting in self._unconfirmed.values():
            for confirmation in waiting:
                if not confirmation.done():
                    error = LinkLostError(peer=self._peer, reason=reason)
                    confirmation.set_exception(error)
        if self._on_lost is not None:
            self._on_lost(reason)

    def _trace(self, direction: Direction, data: bytes) -> None:
        self._sinks.deliver_frame(
            TracedFrame(
                at_s=self._clock.now(), direction=direction, layer=Layer.DOIP_TCP, data=data
            )
        )


def _read_pair(payload: bytes) -> tuple[Address, Address]:
    return (
        Address((payload[0] << 8) | payload[1]),
        Address((payload[2] << 8) | payload[3]),
    )
