"""A simulated car on a CAN bus: each unit listens to its identifier and answers on its own."""

import asyncio
import time
from collections.abc import Callable
from typing import Protocol

from donorfit.diagnostics.pdu import Arriving, LinkLost, Pdu, Reply
from donorfit.edge.clock import RealClock
from donorfit.edge.links.can_port import CanPort
from donorfit.edge.links.isotp import IsotpLink
from donorfit.edge.links.isotp_addresses import make_can_address, turn_round
from donorfit.errors import InputError, LinkError
from donorfit.simulator.car import ConnectionDrop
from donorfit.vehicle.can_identifiers import CanIdentifiers
from donorfit.vehicle.identity import Address

LONGEST_MESSAGE = 0x1_0000
_SEND_S = 10.0


class HandlesRequests(Protocol):
    """What is needed of a car."""

    def handle(self, target: Address, pdu: bytes, now_s: float) -> tuple[Reply, ...]:
        """Answers to a request."""


class CanEntity:
    """Serves one car on one bus until it is closed.

    Attributes:
        ended: done, with the reason as its result, once the bus is gone.
        unsent: answers that nobody took.
    """

    def __init__(
        self,
        car: HandlesRequests,
        port: CanPort,
        units: tuple[tuple[Address, CanIdentifiers], ...],
        *,
        now: Callable[[], float] = time.monotonic,
    ) -> None:
        """Prepare to serve.

        Raises:
            InputError: no unit has CAN identifiers.
        """
        if not units:
            raise InputError(
                what="no control unit of this car has CAN identifiers",
                next_step="give them in the scenario as [unit.can], or serve it without --can",
            )
        self.ended: asyncio.Future[str] = asyncio.get_running_loop().create_future()
        self.unsent = 0
        self._car = car
        self._now = now
        self._silent_until_s = 0.0
        self._turns = {address: asyncio.Lock() for address, _ in units}
        self._tasks: set[asyncio.Task[None]] = set()
        self._link = IsotpLink(
            port,
            tuple(turn_round(make_can_address(*each)) for each in units),
            RealClock(),
            longest_message=LONGEST_MESSAGE,
        )
        self._link.attach(None, self._take)

    async def open(self) -> None:
        """Begin to listen."""
        await self._link.open(self._now() + 1.0)

    async def close(self) -> None:
        """Let go of the bus; what is still to be said is not said any more."""
        for task in tuple(self._tasks):
            task.cancel()
        await self._link.close()

    def _take(self, message: Pdu | Arriving | LinkLost) -> None:
        if isinstance(message, LinkLost):
            if not self.ended.done():
                self.ended.set_result(message.reason)
            return
        if isinstance(message, Arriving) or self._now() < self._silent_until_s:
            return
        # The link knows a unit by its own address, whoever it is that asks.
        for reply in self._car.handle(message.source, message.data, self._now()):
            task = asyncio.get_running_loop().create_task(self._answer(reply))
            self._tasks.add(task)
            task.add_done_callback(self._tasks.discard)

    async def _answer(self, reply: Reply) -> None:
        await asyncio.sleep(max(0.0, reply.after_s))
        if isinstance(reply, ConnectionDrop):
            # A wire has no connection to drop: nothing is heard for a while.
            self._silent_until_s = self._now() + reply.refuse_s
            return
        turn = self._turns.get(reply.source)
        if turn is None or self._now() < self._silent_until_s:
            return
        async with turn:
            try:
                await self._link.send(reply.source, reply.pdu, self._now() + _SEND_S)
            except LinkError:
                self.unsent += 1
