"""A car behind ISO-TP on an in-process CAN bus (python-can `virtual`), for the conformance suite."""

from __future__ import annotations

import asyncio
import itertools

from donorfit.edge.links.can_port import AdapterPort, CanFrame, open_bus
from donorfit.edge.links.isotp_addresses import CanAddress, turn_round
from donorfit.edge.links.isotp_channel import IsotpChannel
from donorfit.vehicle.identity import Address

_NUMBERS = itertools.count()


def make_normal(unit: int) -> CanAddress:
    return CanAddress(
        unit=Address(unit), request=0x600 + (unit & 0x7F), response=0x680 + (unit & 0x7F)
    )


def make_wide(unit: int) -> CanAddress:
    # Normal fixed addressing: target and source stand in the 29 bits.
    target = unit & 0xFF
    return CanAddress(
        unit=Address(unit),
        request=0x18DA00F1 | target << 8,
        response=0x18DAF100 | target,
        wide=True,
    )


def make_extended(unit: int) -> CanAddress:
    # All requests share one identifier; the first data byte tells the units apart.
    return CanAddress(
        unit=Address(unit),
        request=0x6F1,
        response=0x700 | unit & 0x7F,
        target_extension=unit & 0xFF,
        source_extension=0xF1,
    )


class CanCar:
    """Answers requests of a car model over ISO-TP; ends with `stop`."""

    def __init__(self, model, addresses, *, flexible_rate=False) -> None:
        self.channel_name = f"conformance-{next(_NUMBERS)}"
        options = {"fd": True} if flexible_rate else {}
        self.port: AdapterPort = open_bus("virtual", self.channel_name, **options)
        self.tester_port: AdapterPort = open_bus("virtual", self.channel_name, **options)
        self._model = model
        self._tasks = set()
        self._channels = {}
        for address in addresses:
            mine = turn_round(address)
            key = (mine.response, mine.wide)
            channel = IsotpChannel(
                mine,
                self.port.send,
                lambda pdu, unit=address.unit: self._answer(unit, pdu),
                lambda: None,
                flexible_rate=flexible_rate,
                longest_message=0x10000,
            )
            self._channels.setdefault(key, []).append((address.unit, channel))
        self._by_unit = {u: c for them in self._channels.values() for u, c in them}

    def start(self) -> None:
        self.port.listen(self._take, lambda reason: None)

    async def stop(self) -> None:
        for task in self._tasks:
            task.cancel()
        await self.port.close()

    def _take(self, frame: CanFrame) -> None:
        for _, channel in self._channels.get((frame.identifier, frame.wide), ()):
            channel.take(frame)

    def _answer(self, unit, pdu) -> None:
        task = asyncio.ensure_future(self._answer_later(unit, pdu))
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    async def _answer_later(self, unit, pdu) -> None:
        loop = asyncio.get_running_loop()
        began = loop.time()
        for reply in self._model.handle(unit, pdu, began):
            await asyncio.sleep(max(0.0, began + reply.after_s - loop.time()))
            await self._by_unit[unit].send(reply.pdu)
