"""DoIP over one TCP connection (ISO 13400-2): every unit behind the gateway on the same socket.

Frames are sorted by source address. An alive check is answered as it arrives, also while nobody
waits for anything. The connection is never opened again by itself: sessions, security and
downloads are gone with it, and only the caller can know what that means.
"""

import asyncio
from collections.abc import Coroutine, Iterator
from dataclasses import replace
from typing import Any

from donorfit.diagnostics.doip_codes import (
    CONTROL_S,
    TCP_DATA_PORT,
    ActivationCode,
    ActivationType,
    ProtocolVersion,
)
from donorfit.diagnostics.doip_messages import (
    AliveCheckResponse,
    RoutingActivationRequest,
    encode_message,
)
from donorfit.diagnostics.pdu import TESTER_ADDRESS, LinkInfo, LinkKind
from donorfit.diagnostics.talk import Foreseen
from donorfit.edge.links.doip_connection import DoipConnection
from donorfit.edge.links.doip_errors import (
    ActivationDeniedError,
    GatewaySilentError,
    GatewayUnreachableError,
)
from donorfit.edge.links.doip_streak import Course
from donorfit.edge.links.sinks import Sinks
from donorfit.job.alarm import Alarm
from donorfit.job.ports import Clock, Detach, LinkLostError, PduSink, Streak, TraceSink
from donorfit.vehicle.identity import Address

DEFAULT_TRANSIT_S = 0.1
"""A gateway puts requests onto CAN and answers back; common practice, no source."""

_WORTH_ANOTHER_TRY = frozenset(
    (ActivationCode.ALL_SOCKETS_ACTIVE, ActivationCode.SOURCE_ADDRESS_ACTIVE_ELSEWHERE)
)
_TRY_AGAIN_S = 0.6
_IDLE_S = 2.0


class DoipLink:
    """One TCP connection to a DoIP entity with routing activated.

    Args:
        host: name or address of the gateway.
        clock: monotonic time.
        port: TCP port.
        tester: our own logical address.
        version: protocol version to begin with; a gateway that answers with another one is
            followed.
        activation_type: routing activation type.
        transit_s: what gateway and network may add to a unit's own answering time.
    """

    def __init__(
        self,
        host: str,
        clock: Clock,
        *,
        port: int = TCP_DATA_PORT,
        tester: Address = TESTER_ADDRESS,
        version: int = ProtocolVersion.ISO_13400_2_2012,
        activation_type: int = ActivationType.DEFAULT,
        transit_s: float = DEFAULT_TRANSIT_S,
    ) -> None:
        self._host, self._port = host, port
        self._clock = clock
        self._version = version
        self._activation_type = activation_type
        self._info = LinkInfo(
            kind=LinkKind.DOIP, peer=f"{host}:{port}", tester=tester, transit_s=transit_s
        )
        self._sinks = Sinks()
        self._connection: DoipConnection | None = None
        self._idle = Alarm(clock, self._keep_open)

    @property
    def info(self) -> LinkInfo:
        """What to know of the link; the gateway's address once it is open."""
        return self._info

    @property
    def unused_frames(self) -> int:
        """Frames that were of no use: for other testers, unknown types, late acknowledgements."""
        return self._connection.unused_frames if self._connection is not None else 0

    async def open(self, deadline: float) -> None:
        """Connect and activate routing.

        A gateway whose connections are all in use, or that still holds our address on a dead
        connection, is tried again until the deadline.

        Raises:
            LinkError: nobody there, nobody answers, or the gateway says no; each with its reason.
            PeerError: what answers is no DoIP entity.
        """
        while True:
            connection = await self._connect(deadline)
            try:
                await self._activate(connection, deadline)
            except ActivationDeniedError as error:
                connection.abort()
                later = self._clock.now() + _TRY_AGAIN_S
                if error.code not in _WORTH_ANOTHER_TRY or later >= deadline:
                    raise
                await self._clock.sleep(_TRY_AGAIN_S)
            except BaseException:
                connection.abort()
                raise
            else:
                break
        self._connection = connection
        connection.hear(self._sinks.deliver, self._sinks.lose)
        self._idle.set(self._clock.now() + _IDLE_S)

    async def _connect(self, deadline: float) -> DoipConnection:
        loop = asyncio.get_running_loop()
        try:
            async with asyncio.timeout(max(0.0, deadline - self._clock.now())):
                _, connection = await loop.create_connection(
                    lambda: DoipConnection(
                        self._info.peer, self._info.tester, self._version, self._clock, self._sinks
                    ),
                    self._host,
                    self._port,
                )
        except TimeoutError:
            reason = "nobody accepts the connection"
            raise GatewayUnreachableError(peer=self._info.peer, reason=reason) from None
        except OSError as error:
            reason = error.strerror or str(error)
            raise GatewayUnreachableError(peer=self._info.peer, reason=reason) from error
        return connection

    async def _activate(self, connection: DoipConnection, deadline: float) -> None:
        request = RoutingActivationRequest(
            source=self._info.tester, activation_type=self._activation_type
        )
        wait_s = min(CONTROL_S, max(0.0, deadline - self._clock.now()))
        try:
            async with asyncio.timeout(wait_s):
                answer = await connection.activate(request)
        except TimeoutError:
            raise GatewaySilentError(peer=self._info.peer, wait_s=wait_s) from None
        if answer.code != ActivationCode.ACTIVATED:
            raise ActivationDeniedError(peer=self._info.peer, code=answer.code)
        self._version = connection.version
        self._info = replace(self._info, gateway=answer.entity)

    def send(self, target: Address, pdu: bytes, deadline: float) -> Coroutine[Any, Any, None]:
        """Send a diagnostic message; returns with its acknowledgement. See PduLink."""
        connection = self._connection
        if connection is None:
            raise LinkLostError(peer=self._info.peer, reason="it is not open")
        return connection.send(target, pdu, deadline)

    def stream(
        self,
        target: Address,
        exchanges: Iterator[Foreseen],
        wait_s: float,
        until_s: float,
    ) -> Coroutine[Any, Any, Streak]:
        """Send requests as their answers arrive; see StreamingLink."""
        connection = self._connection
        if connection is None:
            raise LinkLostError(peer=self._info.peer, reason="it is not open")
        course = Course(
            target=target,
            exchanges=exchanges,
            wait_s=wait_s,
            accept_s=self._info.accept_s,
            until_s=until_s,
        )
        return connection.stream(course)

    def attach(self, source: Address | None, sink: PduSink) -> Detach:
        """Give messages from this source, or from any, to the sink."""
        return self._sinks.attach(source, sink)

    def trace(self, sink: TraceSink) -> Detach:
        """Give every frame of both ways to the sink."""
        return self._sinks.trace(sink)

    async def close(self) -> None:
        """Close the connection; twice is harmless."""
        self._idle.close()
        self._sinks.lose("the program closed the connection")
        if self._connection is not None:
            await self._connection.close()

    def _keep_open(self) -> None:
        # An entity closes a connection on which nothing arrives. An alive check response is what
        # ISO 13400-2 gives an idle tester to keep it (clause 9.6 of the 2025 edition, as quoted
        # in public; not seen by us).
        connection = self._connection
        if connection is None or self._sinks.lost is not None:
            return
        due_s = connection.last_sent_s + _IDLE_S
        now_s = self._clock.now()
        if now_s >= due_s:
            response = AliveCheckResponse(source=self._info.tester)
            connection.write(encode_message(response, self._version))
            due_s = now_s + _IDLE_S
        self._idle.set(due_s)
