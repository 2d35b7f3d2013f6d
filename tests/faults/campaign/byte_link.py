"""The program's own DoIP link to the world of a schedule, in bytes and without sockets.

Between the link and the world stands a gateway that acknowledges and passes on. What strikes the
link strikes behind the gateway: a request that is lost is not acknowledged, one that is refused
is refused by it, a link that is cut is reset.
"""

from __future__ import annotations

import asyncio
import struct
from typing import TYPE_CHECKING

from donorfit.diagnostics.pdu import LinkLost, Pdu
from donorfit.edge.links.doip import DoipLink
from donorfit.edge.links.doip_connection import DoipConnection
from donorfit.job.ports import (
    LinkLostError,
    SendRefusedError,
    SendUnconfirmedError,
)

if TYPE_CHECKING:
    from collections.abc import Iterator

    from donorfit.diagnostics.pdu import Arriving, LinkInfo
    from donorfit.diagnostics.talk import Foreseen
    from donorfit.edge.clock import VirtualClock
    from donorfit.edge.links.faulty import FaultyLink
    from donorfit.job.ports import Detach, PduSink, Streak, TraceSink
    from donorfit.vehicle.identity import Address

HEADER = struct.Struct("!BBHI")
ADDRESSES = struct.Struct("!HH")
TESTER = 0x0E80
MESSAGE, ACKNOWLEDGE, REFUSE = 0x8001, 0x8002, 0x8003
TOGETHER_S = 0.003
"""Every other acknowledgement waits so long for its answer, and comes in one piece with it."""


def frame(kind: int, source: int, target: int, rest: bytes) -> bytes:
    payload = ADDRESSES.pack(source, target) + rest
    return HEADER.pack(2, 0xFD, kind, len(payload)) + payload


class ByteGateway(asyncio.Transport):
    """Takes what the connection writes, and answers it with what happens on the link behind."""

    def __init__(self, behind: FaultyLink, clock: VirtualClock) -> None:
        super().__init__()
        self.died_of: BaseException | None = None
        self.connection: DoipConnection | None = None
        self._behind = behind
        self._clock = clock
        self._closing = False
        self._tasks: set[asyncio.Task[None]] = set()
        self._acknowledgements: dict[int, list[bytes]] = {}
        self._count = 0
        behind.attach(None, self._take)

    # --- from the program ---------------------------------------------------------------------

    def write(self, data) -> None:
        _, _, kind, _ = HEADER.unpack_from(data)
        if kind != MESSAGE or self._closing:
            return
        _, target = ADDRESSES.unpack_from(data, HEADER.size)
        pdu = bytes(data[HEADER.size + ADDRESSES.size :])
        task = asyncio.get_running_loop().create_task(self._pass_on(target, pdu))
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    def is_closing(self) -> bool:
        return self._closing

    def close(self) -> None:
        self.abort()

    def abort(self) -> None:
        self._end(None)

    async def _pass_on(self, target: int, pdu: bytes) -> None:
        try:
            await self._behind.send(target, pdu, self._clock.now() + 30.0)
        except SendRefusedError:
            self._put(frame(REFUSE, target, TESTER, b"\x06"))
        except SendUnconfirmedError:
            return
        except LinkLostError:
            self._end(ConnectionResetError())
        except asyncio.CancelledError:
            raise
        except BaseException as error:  # noqa: BLE001 - the program ends here, told by whoever waits
            self.died_of = error
            self._end(ConnectionResetError())
        else:
            await self._acknowledge(target)

    async def _acknowledge(self, target: int) -> None:
        acknowledgement = frame(ACKNOWLEDGE, target, TESTER, b"\x00")
        self._count += 1
        if self._count % 2:
            self._put(acknowledgement)
            return
        waiting = self._acknowledgements.setdefault(target, [])
        waiting.append(acknowledgement)
        await self._clock.sleep(TOGETHER_S)
        if acknowledgement in waiting:
            waiting.remove(acknowledgement)
            self._put(acknowledgement)

    # --- to the program -----------------------------------------------------------------------

    def _take(self, message: Pdu | Arriving | LinkLost) -> None:
        if isinstance(message, LinkLost):
            self._end(ConnectionResetError())
        elif isinstance(message, Pdu):
            waiting = self._acknowledgements.get(message.source)
            before = waiting.pop(0) if waiting else b""
            self._put(before + frame(MESSAGE, message.source, message.target, message.data))

    def _put(self, data: bytes) -> None:
        if self._closing:
            return
        room = self.connection.get_buffer(-1)
        room[: len(data)] = data
        self.connection.buffer_updated(len(data))

    def _end(self, error: Exception | None) -> None:
        if not self._closing:
            self._closing = True
            asyncio.get_running_loop().call_soon(self.connection.connection_lost, error)

    def stop(self) -> None:
        """Nothing is passed on any more."""
        for task in tuple(self._tasks):
            task.cancel()


class ByteLink:
    """The DoIP link over such a gateway; whoever waits is told what the program dies of."""

    def __init__(self, behind: FaultyLink, clock: VirtualClock) -> None:
        self._doip = DoipLink("gateway", clock)
        self._behind = behind
        self._clock = clock
        self._gateway = ByteGateway(behind, clock)

    @property
    def info(self) -> LinkInfo:
        return self._doip.info

    async def open(self, deadline: float) -> None:
        await self._behind.open(deadline)
        sinks = self._doip._sinks
        connection = DoipConnection("gateway", TESTER, 2, self._clock, sinks)
        self._gateway.connection = connection
        connection.connection_made(self._gateway)
        connection.hear(sinks.deliver, sinks.lose)
        self._doip._connection = connection

    async def send(self, target: Address, pdu: bytes, deadline: float) -> None:
        try:
            await self._doip.send(target, pdu, deadline)
        finally:
            self._die()

    async def stream(
        self, target: Address, exchanges: Iterator[Foreseen], wait_s: float, until_s: float
    ) -> Streak:
        try:
            return await self._doip.stream(target, exchanges, wait_s, until_s)
        finally:
            self._die()

    def _die(self) -> None:
        if self._gateway.died_of is not None:
            raise self._gateway.died_of

    def attach(self, source: Address | None, sink: PduSink) -> Detach:
        return self._doip.attach(source, sink)

    def trace(self, sink: TraceSink) -> Detach:
        return self._doip.trace(sink)

    async def close(self) -> None:
        self._gateway.stop()
        await self._doip.close()
        await self._behind.close()
