"""ISO-TP on CAN (ISO 15765-2): every unit's channel on one bus.

The protocol core is can-isotp's thread-free one; the bus is python-can's. Both come with the
optional extra ``can``.
"""

import asyncio

from donorfit.diagnostics.pdu import (
    TESTER_ADDRESS,
    Arriving,
    Direction,
    Layer,
    LinkInfo,
    LinkKind,
    Pdu,
    TracedFrame,
)
from donorfit.edge.links.can_port import BusFailedError, CanFrame, CanPort
from donorfit.edge.links.isotp_addresses import CanAddress
from donorfit.edge.links.sinks import Sinks
from donorfit.errors import InputError
from donorfit.job.ports import (
    Clock,
    Detach,
    LinkLostError,
    PduSink,
    SendRefusedError,
    TraceSink,
)
from donorfit.vehicle.identity import Address

try:
    from donorfit.edge.links.isotp_channel import (
        FLOW_CONTROL_MS,
        IsotpChannel,
        TransferBrokenError,
    )
except ImportError as error:
    raise InputError(
        what="ISO-TP on CAN needs the package can-isotp, which is not installed",
        next_step="install donorfit with its extra `can`",
    ) from error

CLASSIC_LONGEST_BYTES = 4095
"""Longest message whose length fits the first frame without its escape form."""

_TRANSIT_S = 0.05
_ACCEPT_S = 120.0


class IsotpLink:
    """All units of one CAN bus.

    Args:
        port: the bus.
        units: identifiers of every unit that is to be reached.
        clock: monotonic time.
        flexible_rate: send CAN FD frames of up to 64 bytes to every unit, not only to those
            whose address says so.
        longest_message: longest message either way; beyond 4095 the escape form of the first
            frame is used, which not every unit knows.
    """

    def __init__(
        self,
        port: CanPort,
        units: tuple[CanAddress, ...],
        clock: Clock,
        *,
        flexible_rate: bool = False,
        longest_message: int = CLASSIC_LONGEST_BYTES,
    ) -> None:
        self._port = port
        self._clock = clock
        self._sinks = Sinks()
        self._is_open = False
        self._channels: dict[Address, IsotpChannel] = {}
        self._by_identifier: dict[tuple[int, bool], tuple[IsotpChannel, ...]] = {}
        self._unused_frames = 0
        self._info = LinkInfo(
            kind=LinkKind.ISOTP,
            peer=port.name,
            max_pdu_bytes=longest_message,
            parallel_units=max(1, len(units)),
            transit_s=_TRANSIT_S,
            accept_s=_ACCEPT_S,
        )
        for unit in units:
            self._add(
                unit,
                flexible_rate=flexible_rate or unit.flexible_rate,
                longest_message=longest_message,
            )

    @property
    def info(self) -> LinkInfo:
        """What to know of the link."""
        return self._info

    @property
    def unused_frames(self) -> int:
        """Frames on the bus that belong to none of the units."""
        return self._unused_frames

    def list_broken_messages(self) -> tuple[tuple[Address, str], ...]:
        """Messages that did not arrive whole, by unit, with the reason."""
        return tuple(
            (unit, reason)
            for unit, channel in self._channels.items()
            for reason in channel.broken_messages
        )

    async def open(self, deadline: float) -> None:
        """Begin to listen on the bus."""
        del deadline
        self._is_open = True
        self._port.listen(self._take, self._lose)

    async def send(self, target: Address, pdu: bytes, deadline: float) -> None:
        """Send a message; returns with its last frame on the bus. See PduLink."""
        if not self._is_open or self._sinks.lost is not None:
            reason = self._sinks.lost or "it is not open"
            raise LinkLostError(peer=self._info.peer, reason=reason)
        channel = self._channels.get(target)
        if channel is None:
            reason = "no CAN identifiers are known for this unit"
            raise SendRefusedError(peer=self._info.peer, target=target, reason=reason)
        try:
            async with asyncio.timeout(max(0.0, deadline - self._clock.now())):
                await channel.send(pdu)
        except (TransferBrokenError, TimeoutError) as error:
            if self._sinks.lost is not None:
                raise LinkLostError(peer=self._info.peer, reason=self._sinks.lost) from error
            # A message that did not pass whole is not acted on.
            reason = str(error) or "the unit takes the message too slowly"
            raise SendRefusedError(peer=self._info.peer, target=target, reason=reason) from error
        except BusFailedError as error:
            self._lose(error.reason)
            raise LinkLostError(peer=self._info.peer, reason=error.reason) from error

    def attach(self, source: Address | None, sink: PduSink) -> Detach:
        """Give messages from this source, or from any, to the sink."""
        return self._sinks.attach(source, sink)

    def trace(self, sink: TraceSink) -> Detach:
        """Give every CAN frame of both ways to the sink."""
        return self._sinks.trace(sink)

    async def close(self) -> None:
        """Let go of the bus; twice is harmless."""
        self._lose("the program closed the connection")
        if self._is_open:
            self._is_open = False
            await self._port.close()

    def _lose(self, reason: str) -> None:
        self._sinks.lose(reason)
        for channel in self._channels.values():
            channel.close()

    def _add(self, unit: CanAddress, *, flexible_rate: bool, longest_message: int) -> None:
        address = unit.unit

        def deliver(data: bytes) -> None:
            self._sinks.deliver(Pdu(address, TESTER_ADDRESS, data))

        def tell_arriving() -> None:
            self._sinks.deliver(Arriving(address, FLOW_CONTROL_MS / 1000))

        try:
            channel = IsotpChannel(
                unit,
                self._put,
                deliver,
                tell_arriving,
                flexible_rate=flexible_rate,
                longest_message=longest_message,
            )
        except ValueError as error:
            raise InputError(
                what=f"the CAN identifiers of unit 0x{address:04X} cannot be used",
                where=f"request 0x{unit.request:X}, response 0x{unit.response:X}",
                why=str(error),
                next_step="correct the identifiers in the pack",
            ) from error
        self._channels[address] = channel
        key = (unit.response, unit.wide)
        self._by_identifier[key] = (*self._by_identifier.get(key, ()), channel)

    def _put(self, frame: CanFrame) -> None:
        self._trace(Direction.SENT, frame)
        self._port.send(frame)

    def _take(self, frame: CanFrame) -> None:
        channels = self._by_identifier.get((frame.identifier, frame.wide))
        if channels is None:
            self._unused_frames += 1
            return
        self._trace(Direction.RECEIVED, frame)
        for channel in channels:
            channel.take(frame)

    def _trace(self, direction: Direction, frame: CanFrame) -> None:
        if self._sinks.traced:
            self._sinks.deliver_frame(
                TracedFrame(
                    at_s=self._clock.now(),
                    direction=direction,
                    layer=Layer.CAN,
                    data=frame.data,
                    source=frame.identifier,
                    wide=frame.wide,
                    flexible_rate=frame.flexible_rate,
                )
            )
