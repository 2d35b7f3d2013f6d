"""A link to a simulated car in the same process, in real or virtual time.

The car's gateway may drop the connection and refuse new ones for a while, as over a network.
"""

import asyncio
import heapq
import itertools

from donorfit.diagnostics.pdu import (
    TESTER_ADDRESS,
    Direction,
    Layer,
    LinkInfo,
    LinkKind,
    Pdu,
    Reply,
    TracedFrame,
)
from donorfit.edge.links.sinks import Sinks
from donorfit.errors import LinkError
from donorfit.job.alarm import Alarm
from donorfit.job.ports import (
    CarModel,
    Clock,
    Detach,
    LinkLostError,
    PduSink,
    TraceSink,
)
from donorfit.simulator.car import ConnectionDrop
from donorfit.vehicle.identity import Address

_DROPPED = "the gateway reset the connection"


class MemoryLink:
    """Gives requests to a car model and its answers, each after its time, to the sinks.

    Attributes:
        refuses_until_s: time of the clock until which the car's gateway takes no connection; to be
            handed on to the next link to the same car.
    """

    def __init__(
        self,
        car: CarModel,
        clock: Clock,
        *,
        name: str = "simulated car",
        transit_s: float = 0.005,
        refuses_until_s: float = 0.0,
    ) -> None:
        self.refuses_until_s = refuses_until_s
        self._car = car
        self._clock = clock
        self._info = LinkInfo(kind=LinkKind.MEMORY, peer=name, transit_s=transit_s)
        self._sinks = Sinks()
        self._waiting: list[tuple[float, int, Reply]] = []
        self._numbers = itertools.count()
        self._alarm = Alarm(clock, self._release)
        self._is_open = False

    @property
    def info(self) -> LinkInfo:
        """What to know of the link."""
        return self._info

    async def open(self, deadline: float) -> None:
        """Nothing to connect to; returns at once.

        Raises:
            LinkError: the car's gateway takes no connection yet.
        """
        del deadline
        left_s = self.refuses_until_s - self._clock.now()
        if left_s > 0:
            raise LinkError(
                what=f"{self._info.peer} takes no connection",
                where=self._info.peer,
                why=f"its gateway refuses connections for another {left_s:.1f} s",
                next_step="wait a little, then go on with `donorfit resume`",
            )
        self._is_open = True

    async def send(self, target: Address, pdu: bytes, deadline: float) -> None:
        """Give the request to the car; see :meth:`PduLink.send`."""
        del deadline
        if not self._is_open or self._sinks.lost is not None:
            reason = self._sinks.lost or "it is not open"
            raise LinkLostError(peer=self._info.peer, reason=reason)
        now_s = self._clock.now()
        self._trace(Direction.SENT, self._info.tester, target, pdu)
        for reply in self._car.handle(target, pdu, now_s):
            at_s = now_s + max(0.0, reply.after_s)
            heapq.heappush(self._waiting, (at_s, next(self._numbers), reply))
        if self._waiting:
            self._alarm.set(self._waiting[0][0])
        await asyncio.sleep(0)

    def attach(self, source: Address | None, sink: PduSink) -> Detach:
        """Give messages from this source, or from any, to the sink."""
        return self._sinks.attach(source, sink)

    def trace(self, sink: TraceSink) -> Detach:
        """Give every message of both ways to the sink."""
        return self._sinks.trace(sink)

    async def close(self) -> None:
        """Forget what is still to come."""
        self._is_open = False
        self._alarm.close()
        self._waiting.clear()
        self._sinks.lose("the program closed the connection")

    def cut(self, reason: str) -> None:
        """Lose the link as if the cable were pulled."""
        self._alarm.close()
        self._waiting.clear()
        self._sinks.lose(reason)

    def _release(self) -> None:
        now_s = self._clock.now()
        while self._waiting and self._waiting[0][0] <= now_s:
            reply = heapq.heappop(self._waiting)[2]
            if isinstance(reply, ConnectionDrop):
                self.refuses_until_s = now_s + reply.refuse_s
                self.cut(_DROPPED)
                return
            self._trace(Direction.RECEIVED, reply.source, TESTER_ADDRESS, reply.pdu)
            self._sinks.deliver(Pdu(source=reply.source, target=TESTER_ADDRESS, data=reply.pdu))
        if self._waiting:
            self._alarm.set(self._waiting[0][0])

    def _trace(self, direction: Direction, source: Address, target: Address, pdu: bytes) -> None:
        if self._sinks.traced:
            self._sinks.deliver_frame(
                TracedFrame(
                    at_s=self._clock.now(),
                    direction=direction,
                    layer=Layer.UDS,
                    data=pdu,
                    source=source,
                    target=target,
                )
            )
