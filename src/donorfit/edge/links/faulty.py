"""Wraps any link and makes it fail by a script: lose, delay, double, change, cut.

A unit answers in the order it was asked and a transport keeps that order, so a delayed answer
holds back what comes after it from the same unit.
"""

import asyncio
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum

from donorfit.diagnostics.pdu import Arriving, LinkInfo, LinkLost, Pdu
from donorfit.edge.links.sinks import Sinks
from donorfit.job.alarm import Alarm
from donorfit.job.ports import (
    Clock,
    Detach,
    LinkLostError,
    PduLink,
    PduSink,
    SendRefusedError,
    SendUnconfirmedError,
    TraceSink,
)
from donorfit.vehicle.identity import Address

_CUT = "the connection was cut"


class FaultKind(Enum):
    """What goes wrong."""

    LOSE_REQUEST = "the request is lost on the way"
    REFUSE_REQUEST = "the gateway refuses the request"
    LEAVE_UNCONFIRMED = "the gateway does not confirm the request"
    CONFIRM_LATE = "the gateway confirms the request after its answer"
    CUT_BEFORE_REQUEST = "the link is cut before the request leaves"
    CUT_AFTER_REQUEST = "the link is cut when the request has left"
    LOSE_ANSWER = "the answer is lost"
    DELAY_ANSWER = "the answer is late"
    DUPLICATE_ANSWER = "the answer comes twice"
    CORRUPT_ANSWER = "a byte of the answer is changed"
    TRUNCATE_ANSWER = "the answer ends early"
    SPLIT_ANSWER = "the answer comes in two pieces"
    INSERT_BEFORE_ANSWER = "something else comes before the answer"
    CUT_BEFORE_ANSWER = "the link is cut before the answer"


_ON_REQUEST = frozenset(
    (
        FaultKind.LOSE_REQUEST,
        FaultKind.REFUSE_REQUEST,
        FaultKind.LEAVE_UNCONFIRMED,
        FaultKind.CONFIRM_LATE,
        FaultKind.CUT_BEFORE_REQUEST,
        FaultKind.CUT_AFTER_REQUEST,
    )
)


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkFault:
    """One fault, done once.

    Attributes:
        kind: what goes wrong.
        beginning: first bytes of the request that it strikes; empty for any.
        target: unit that it strikes; None for any.
        occurrence: the how manieth such request, from 1.
        seconds: how late, for DELAY_ANSWER, CONFIRM_LATE and the second one of DUPLICATE_ANSWER.
        data: bytes that are inserted, for INSERT_BEFORE_ANSWER.
        position: byte that is changed or where the answer ends or is split.
    """

    kind: FaultKind
    beginning: bytes = b""
    target: Address | None = None
    occurrence: int = 1
    seconds: float = 0.0
    data: bytes = b""
    position: int = 1


ChooseFault = Callable[[Address, bytes], LinkFault | None]
"""Says which fault strikes this request to this unit, or its answer."""


class _Script:
    """Counts requests and finds the fault that is due."""

    def __init__(self, faults: tuple[LinkFault, ...]) -> None:
        self._faults = faults
        self._seen = [0] * len(faults)

    def choose(self, target: Address, pdu: bytes) -> LinkFault | None:
        """The first fault that is due at this request."""
        found: LinkFault | None = None
        for at, fault in enumerate(self._faults):
            if fault.target not in {None, target} or not pdu.startswith(fault.beginning):
                continue
            self._seen[at] += 1
            if found is None and self._seen[at] == fault.occurrence:
                found = fault
        return found


class FaultyLink:
    """A link that fails by a script.

    Attributes:
        done: faults that have struck, in order.
    """

    def __init__(
        self, link: PduLink, clock: Clock, faults: tuple[LinkFault, ...] | ChooseFault
    ) -> None:
        """Wrap a link.

        Args:
            link: the link that carries what no fault strikes.
            clock: its clock.
            faults: the script; or a function that is asked at every request, for scripts that go
                on from one connection to the next.
        """
        self.done: list[LinkFault] = []
        self._link = link
        self._clock = clock
        self._choose = _Script(faults).choose if isinstance(faults, tuple) else faults
        self._armed: dict[Address, deque[LinkFault]] = {}
        self._sinks = Sinks()
        self._held: dict[Address, deque[tuple[float, Pdu]]] = {}
        self._alarm = Alarm(clock, self._release)
        link.attach(None, self._take)

    @property
    def info(self) -> LinkInfo:
        """What to know of the wrapped link."""
        return self._link.info

    async def open(self, deadline: float) -> None:
        """Open the wrapped link."""
        await self._link.open(deadline)

    async def send(self, target: Address, pdu: bytes, deadline: float) -> None:
        """Send, unless a fault strikes; see PduLink."""
        if self._sinks.lost is not None:
            raise LinkLostError(peer=self.info.peer, reason=self._sinks.lost)
        fault = self._choose(target, pdu)
        if fault is None or fault.kind not in _ON_REQUEST:
            if fault is not None:
                self._armed.setdefault(target, deque()).append(fault)
            await self._link.send(target, pdu, deadline)
            return
        self.done.append(fault)
        match fault.kind:
            case FaultKind.LOSE_REQUEST:
                await asyncio.sleep(0)
            case FaultKind.REFUSE_REQUEST:
                reason = "target unreachable"
                raise SendRefusedError(peer=self.info.peer, target=target, reason=reason)
            case FaultKind.LEAVE_UNCONFIRMED:
                await self._link.send(target, pdu, deadline)
                await self._clock.sleep(deadline - self._clock.now())
                reason = "no confirmation"
                raise SendUnconfirmedError(peer=self.info.peer, target=target, reason=reason)
            case FaultKind.CONFIRM_LATE:
                await self._link.send(target, pdu, deadline)
                await self._clock.sleep(min(fault.seconds, deadline - self._clock.now()))
            case FaultKind.CUT_BEFORE_REQUEST:
                self._cut()
            case _:
                await self._link.send(target, pdu, deadline)
                self._cut()

    def attach(self, source: Address | None, sink: PduSink) -> Detach:
        """Give messages from this source, or from any, to the sink."""
        return self._sinks.attach(source, sink)

    def trace(self, sink: TraceSink) -> Detach:
        """Trace the wrapped link."""
        return self._link.trace(sink)

    async def close(self) -> None:
        """Close the wrapped link."""
        self._alarm.close()
        self._sinks.lose("the program closed the connection")
        await self._link.close()

    def _cut(self) -> None:
        self._alarm.close()
        self._sinks.lose(_CUT)
        raise LinkLostError(peer=self.info.peer, reason=_CUT)

    def _take(self, message: Pdu | Arriving | LinkLost) -> None:
        if isinstance(message, LinkLost):
            self._sinks.lose(message.reason)
            return
        if isinstance(message, Arriving):
            self._sinks.deliver(message)
            return
        armed = self._armed.get(message.source)
        if not armed:
            self._hold(message, 0.0)
            return
        fault = armed.popleft()
        self.done.append(fault)
        self._strike(fault, message)

    def _strike(self, fault: LinkFault, pdu: Pdu) -> None:
        data, at = pdu.data, fault.position
        match fault.kind:
            case FaultKind.LOSE_ANSWER:
                pass
            case FaultKind.DELAY_ANSWER:
                self._hold(pdu, fault.seconds)
            case FaultKind.DUPLICATE_ANSWER:
                self._hold(pdu, 0.0)
                self._hold(pdu, fault.seconds)
            case FaultKind.CORRUPT_ANSWER:
                at = min(at, len(data) - 1)
                changed = data[:at] + bytes((data[at] ^ 0xFF,)) + data[at + 1 :]
                self._hold(pdu._replace(data=changed), 0.0)
            case FaultKind.TRUNCATE_ANSWER:
                self._hold(pdu._replace(data=data[:at]), 0.0)
            case FaultKind.SPLIT_ANSWER:
                self._hold(pdu._replace(data=data[:at]), 0.0)
                self._hold(pdu._replace(data=data[at:]), 0.0)
            case FaultKind.INSERT_BEFORE_ANSWER:
                self._hold(pdu._replace(data=fault.data), 0.0)
                self._hold(pdu, 0.0)
            case _:
                self._alarm.close()
                self._sinks.lose(_CUT)

    def _hold(self, pdu: Pdu, seconds: float) -> None:
        held = self._held.setdefault(pdu.source, deque())
        if seconds <= 0 and not held:
            self._sinks.deliver(pdu)
            return
        at_s = self._clock.now() + seconds
        held.append((max(at_s, held[-1][0]) if held else at_s, pdu))
        self._set_alarm()

    def _release(self) -> None:
        now_s = self._clock.now()
        for held in self._held.values():
            while held and held[0][0] <= now_s:
                self._sinks.deliver(held.popleft()[1])
        self._set_alarm()

    def _set_alarm(self) -> None:
        firsts = [held[0][0] for held in self._held.values() if held]
        if firsts:
            self._alarm.set(min(firsts))
