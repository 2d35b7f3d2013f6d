"""A DoIP entity (ISO 13400-2) on TCP and UDP that serves a simulated car.

One connection carries any number of units; every unit answers in its own time. Nothing here knows
UDS: the car says what is answered, and how long after the request.
"""

import asyncio
import contextlib
import socket
import struct
import time
from collections.abc import Callable
from typing import Protocol, cast

from donorfit.diagnostics.doip import Frame, FrameReader, HeaderFault
from donorfit.diagnostics.doip_codes import (
    ALIVE_CHECK_S,
    GENERAL_INACTIVITY_S,
    INITIAL_INACTIVITY_S,
    ActivationCode,
    ActivationType,
    DiagnosticNack,
    HeaderNack,
)
from donorfit.diagnostics.doip_messages import (
    AliveCheckRequest,
    AliveCheckResponse,
    DiagnosticAcknowledge,
    DiagnosticMessage,
    DiagnosticNegativeAcknowledge,
    HeaderNegativeAcknowledge,
    Message,
    RoutingActivationRequest,
    RoutingActivationResponse,
    decode_message,
    encode_message,
)
from donorfit.diagnostics.malformed import MalformedError
from donorfit.diagnostics.pdu import Reply
from donorfit.edge.links.doip_entity_identity import EntityIdentity
from donorfit.edge.links.doip_entity_udp import (
    MAX_PDU_BYTES,
    OWN_VERSION,
    SEEN_VERSIONS,
    EntityDatagrams,
)
from donorfit.errors import LinkError
from donorfit.simulator.car import ConnectionDrop, Reach
from donorfit.vehicle.identity import Address

ANNOUNCEMENTS = 3
ANNOUNCEMENT_GAP_S = 0.5
_RESET_ON_CLOSE = struct.pack("ii", 1, 0)


class ServedCar(Protocol):
    """What the entity needs of a car."""

    def handle(self, target: Address, pdu: bytes, now_s: float) -> tuple[Reply, ...]:
        """Answers to a request."""

    def reach(self, target: Address) -> Reach:
        """Whether a request to an address gets anywhere."""


class DoipEntity:
    """Serves one car until it is closed.

    Attributes:
        port: TCP and UDP port, known once it is open.
    """

    def __init__(
        self,
        car: ServedCar,
        identity: EntityIdentity,
        *,
        host: str = "127.0.0.1",
        port: int = 0,
        now: Callable[[], float] = time.monotonic,
        announce_to: tuple[str, int] | None = None,
        alive_check_s: float = ALIVE_CHECK_S,
        initial_inactivity_s: float = INITIAL_INACTIVITY_S,
        general_inactivity_s: float = GENERAL_INACTIVITY_S,
    ) -> None:
        self.port = port
        self.identity = identity
        self.alive_check_s = alive_check_s
        self.initial_inactivity_s = initial_inactivity_s
        self.general_inactivity_s = general_inactivity_s
        self._car = car
        self._host = host
        self._now = now
        self._announce_to = announce_to
        self._connections: set[_Connection] = set()
        self._refuse_until_s = 0.0
        self._server: asyncio.Server | None = None
        self._udp: asyncio.DatagramTransport | None = None
        self._announcing: asyncio.Task[None] | None = None

    async def open(self) -> None:
        """Listen, and announce the vehicle where somebody is to be told.

        Raises:
            LinkError: the address or port cannot be used.
        """
        loop = asyncio.get_running_loop()
        try:
            self._server = await loop.create_server(
                lambda: _Connection(self), self._host, self.port, family=socket.AF_INET
            )
            self.port = self._server.sockets[0].getsockname()[1]
            self._udp, _ = await loop.create_datagram_endpoint(
                lambda: EntityDatagrams(self.identity, self.count_connections),
                local_addr=(self._host, self.port),
            )
        except OSError as error:
            await self.close()
            raise LinkError(
                what=f"{self._host}:{self.port} cannot be listened on",
                why=error.strerror or str(error),
                next_step="choose another port, or 0 for any free one",
            ) from error
        if self._announce_to is not None:
            self._announcing = loop.create_task(self._announce(self._announce_to))

    async def close(self) -> None:
        """Stop listening and end every connection; closing twice does nothing."""
        if self._announcing is not None:
            self._announcing.cancel()
        if self._server is not None:
            self._server.close()
            self._server = None
        for connection in tuple(self._connections):
            connection.drop(reset=False)
        if self._udp is not None:
            self._udp.close()
            self._udp = None
        await asyncio.sleep(0)

    def count_connections(self) -> int:
        """Connections with active routing."""
        return sum(each.tester is not None for each in self._connections)

    async def _announce(self, target: tuple[str, int]) -> None:
        for _ in range(ANNOUNCEMENTS):
            if self._udp is not None:
                self._udp.sendto(encode_message(self.identity.announce(), OWN_VERSION), target)
            await asyncio.sleep(ANNOUNCEMENT_GAP_S)

    def admit(self, connection: "_Connection") -> bool:
        """Take a new connection, or reset it while the entity refuses."""
        if self._now() < self._refuse_until_s:
            return False
        self._connections.add(connection)
        return True

    def forget(self, connection: "_Connection") -> None:
        """A connection is gone."""
        self._connections.discard(connection)

    def list_active(self, but: "_Connection") -> tuple["_Connection", ...]:
        """The other connections with active routing."""
        return tuple(each for each in self._connections if each.tester and each is not but)

    def ask(self, connection: "_Connection", message: DiagnosticMessage) -> None:
        """Pass a request on to the car and its answers back in their time."""
        nack = self._judge(connection, message)
        if nack is not None:
            connection.send(
                DiagnosticNegativeAcknowledge(
                    source=message.target, target=message.source, code=nack
                )
            )
            if nack is DiagnosticNack.INVALID_SOURCE_ADDRESS:
                connection.drop(reset=False)
            return
        connection.send(DiagnosticAcknowledge(source=message.target, target=message.source))
        for reply in self._car.handle(message.target, message.pdu, self._now()):
            connection.answer_later(reply)

    def _judge(
        self, connection: "_Connection", message: DiagnosticMessage
    ) -> DiagnosticNack | None:
        if connection.tester is None or message.source != connection.tester:
            return DiagnosticNack.INVALID_SOURCE_ADDRESS
        if len(message.pdu) > MAX_PDU_BYTES:
            return DiagnosticNack.DIAGNOSTIC_MESSAGE_TOO_LARGE
        match self._car.reach(message.target):
            case Reach.UNKNOWN:
                return DiagnosticNack.UNKNOWN_TARGET_ADDRESS
            case Reach.UNREACHABLE:
                return DiagnosticNack.TARGET_UNREACHABLE
            case Reach.REACHABLE:
                return None

    def refuse_for(self, seconds: float) -> None:
        """Reset every new connection for a while."""
        self._refuse_until_s = self._now() + seconds


class _Connection(asyncio.Protocol):
    """One TCP connection of a tester."""

    def __init__(self, entity: DoipEntity) -> None:
        self.tester: Address | None = None
        self._entity = entity
        self._reader = FrameReader()
        self._version = OWN_VERSION
        self._transport: asyncio.Transport | None = None
        self._timer: asyncio.TimerHandle | None = None
        self._alive = asyncio.Event()
        self._activating: asyncio.Task[None] | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._transport = cast("asyncio.Transport", transport)
        raw = transport.get_extra_info("socket")
        raw.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        if self._entity.admit(self):
            self._wait(self._entity.initial_inactivity_s)
        else:
            self.drop(reset=True)

    def connection_lost(self, exc: Exception | None) -> None:  # noqa: ARG002 - the base's name
        self._transport = None
        if self._timer is not None:
            self._timer.cancel()
        if self._activating is not None:
            self._activating.cancel()
        self._entity.forget(self)

    def data_received(self, data: bytes) -> None:
        if self.tester is not None:
            self._wait(self._entity.general_inactivity_s)
        for frame in self._reader.feed(data):
            if self._transport is None or self._transport.is_closing():
                return
            self._receive(frame)

    def _wait(self, seconds: float) -> None:
        if self._timer is not None:
            self._timer.cancel()
        loop = asyncio.get_running_loop()
        self._timer = loop.call_later(seconds, lambda: self.drop(reset=False))

    def _receive(self, frame: Frame | HeaderFault) -> None:
        if isinstance(frame, HeaderFault):
            self._nack(frame.reason)
            return
        if frame.version in SEEN_VERSIONS:
            self._version = frame.version
        try:
            message = decode_message(frame)
        except MalformedError:
            self._nack(HeaderNack.INVALID_PAYLOAD_LENGTH)
            return
        match message:
            case DiagnosticMessage():
                self._entity.ask(self, message)
            case RoutingActivationRequest():
                if self._activating is None or self._activating.done():
                    loop = asyncio.get_running_loop()
                    self._activating = loop.create_task(self._activate(message))
            case AliveCheckResponse():
                self._alive.set()
            case _:
                self._nack(HeaderNack.UNKNOWN_PAYLOAD_TYPE)

    def _nack(self, reason: HeaderNack) -> None:
        self.send(HeaderNegativeAcknowledge(code=reason))
        if reason.closes_connection:
            self.drop(reset=False)

    async def _activate(self, request: RoutingActivationRequest) -> None:
        """Routing activation in the standard's order: address, type, then the sockets."""
        code = self._judge_activation(request)
        if code is None:
            code = await self._judge_sockets(request.source)
        if code is ActivationCode.ACTIVATED:
            self.tester = request.source
            self._wait(self._entity.general_inactivity_s)
        self.send(
            RoutingActivationResponse(
                tester=request.source,
                entity=self._entity.identity.logical_address,
                code=code,
            )
        )
        if code is not ActivationCode.ACTIVATED:
            self.drop(reset=False)

    def _judge_activation(self, request: RoutingActivationRequest) -> ActivationCode | None:
        if not self._entity.identity.knows(request.source):
            return ActivationCode.UNKNOWN_SOURCE_ADDRESS
        if request.activation_type == ActivationType.CENTRAL_SECURITY:
            return ActivationCode.MISSING_AUTHENTICATION
        if request.activation_type not in {ActivationType.DEFAULT, ActivationType.REGULATORY}:
            return ActivationCode.UNSUPPORTED_ACTIVATION_TYPE
        if self.tester is not None and self.tester != request.source:
            return ActivationCode.SOURCE_ADDRESS_DIFFERS
        return ActivationCode.ACTIVATED if self.tester is not None else None

    async def _judge_sockets(self, source: Address) -> ActivationCode:
        """An address or a socket in use is free again where its tester no longer answers."""
        others = self._entity.list_active(self)
        same = [each for each in others if each.tester == source]
        full = len(others) >= self._entity.identity.max_connections
        asked = same or (list(others) if full else [])
        alive = await asyncio.gather(*(each.check_alive() for each in asked))
        if all(alive) and asked:
            return (
                ActivationCode.SOURCE_ADDRESS_ACTIVE_ELSEWHERE
                if same
                else ActivationCode.ALL_SOCKETS_ACTIVE
            )
        if len(self._entity.list_active(self)) >= self._entity.identity.max_connections:
            return ActivationCode.ALL_SOCKETS_ACTIVE
        return ActivationCode.ACTIVATED

    async def check_alive(self) -> bool:
        """Ask the tester of this connection; close it where no answer comes in time."""
        self._alive.clear()
        self.send(AliveCheckRequest())
        try:
            await asyncio.wait_for(self._alive.wait(), self._entity.alive_check_s)
        except TimeoutError:
            self.tester = None
            self.drop(reset=True)
            return False
        return True

    def send(self, message: Message) -> None:
        """Write one message, in the protocol version that the tester uses."""
        if self._transport is not None and not self._transport.is_closing():
            self._transport.write(encode_message(message, self._version))

    def answer_later(self, reply: Reply) -> None:
        """Send an answer of the car after its time, or drop the connection."""
        if reply.after_s <= 0:
            self._answer(reply)
        else:
            asyncio.get_running_loop().call_later(reply.after_s, self._answer, reply)

    def _answer(self, reply: Reply) -> None:
        if isinstance(reply, ConnectionDrop):
            self._entity.refuse_for(reply.refuse_s)
            self.drop(reset=True)
        elif self.tester is not None:
            self.send(DiagnosticMessage(source=reply.source, target=self.tester, pdu=reply.pdu))

    def drop(self, *, reset: bool) -> None:
        """End the connection: with what is still to be sent, or with a TCP reset."""
        if self._transport is None:
            return
        if reset:
            raw = self._transport.get_extra_info("socket")
            with contextlib.suppress(OSError):
                raw.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, _RESET_ON_CLOSE)
            self._transport.abort()
        else:
            self._transport.close()
