"""One rig per link: how a test opens it, what stands behind it, and how it is lost."""

from __future__ import annotations

import asyncio
import sys
from dataclasses import dataclass
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from typing import TYPE_CHECKING

from plain_car import PlainCar
from small_gateway import Gateway

from donorfit.edge.clock import RealClock
from donorfit.edge.links.doip import DoipLink
from donorfit.edge.links.faulty import FaultyLink
from donorfit.edge.links.memory import MemoryLink

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable

    from donorfit.job.ports import PduLink


@dataclass
class Rig:
    link: PduLink
    car: PlainCar
    cut: Callable[[], None]
    stop: Callable[[], Awaitable[None]]
    clock: RealClock
    refuses_unknown: bool

    async def __aenter__(self):
        await self.link.open(self.clock.now() + 2)
        return self

    async def __aexit__(self, *_):
        await self.link.close()
        await self.stop()


async def build_memory() -> Rig:
    car, clock = PlainCar(), RealClock()
    link = MemoryLink(car, clock)
    return Rig(
        link, car, lambda: link.cut("cut"), lambda: asyncio.sleep(0), clock, refuses_unknown=False
    )


async def build_doip() -> Rig:
    car, clock = PlainCar(), RealClock()
    gateway = Gateway(car, known=lambda address: address in car.units)
    port = await gateway.start()
    link = DoipLink("127.0.0.1", clock, port=port)
    return Rig(link, car, gateway.reset, gateway.stop, clock, refuses_unknown=True)


async def build_faulty() -> Rig:
    rig = await build_memory()
    return Rig(
        FaultyLink(rig.link, rig.clock, ()),
        rig.car,
        rig.cut,
        rig.stop,
        rig.clock,
        refuses_unknown=False,
    )


async def build_isotp(make_address, *, flexible_rate=False) -> Rig:
    pytest.importorskip("can")
    pytest.importorskip("isotp")
    from can_car import CanCar

    from donorfit.edge.links.isotp import IsotpLink

    car, clock = PlainCar(), RealClock()
    addresses = tuple(make_address(unit) for unit in car.units)
    bus = CanCar(car, addresses, flexible_rate=flexible_rate)
    bus.start()
    link = IsotpLink(bus.tester_port, addresses, clock, flexible_rate=flexible_rate)
    return Rig(link, car, lambda: link._lose("cut"), bus.stop, clock, refuses_unknown=True)


def build_with(name, **options):
    async def build():
        pytest.importorskip("can")
        import can_car

        return await build_isotp(getattr(can_car, name), **options)

    return build


async def build_loopback_bus() -> Rig:
    """A car served as `donorfit simulate --can` does, on a bus between programs."""
    pytest.importorskip("isotp")
    from can_car import make_extended, make_normal, make_wide

    from donorfit.edge.links.can_entity import CanEntity
    from donorfit.edge.links.isotp import IsotpLink
    from donorfit.edge.links.loopback_bus import LoopbackBus, join_loopback_bus
    from donorfit.vehicle.can_identifiers import CanIdentifiers

    car, clock = PlainCar(), RealClock()
    bus = LoopbackBus()
    await bus.open()
    ways = (make_normal, make_wide, make_extended)
    addresses = tuple(ways[at % 3](unit) for at, unit in enumerate(car.units))
    units = tuple(
        (
            each.unit,
            CanIdentifiers(
                request=each.request,
                response=each.response,
                wide=each.wide,
                request_byte=each.target_extension,
                response_byte=each.source_extension,
            ),
        )
        for each in addresses
    )
    entity = CanEntity(car, await join_loopback_bus("127.0.0.1", bus.port), units)
    await entity.open()
    port = await join_loopback_bus("127.0.0.1", bus.port)
    link = IsotpLink(port, addresses, clock)

    async def stop():
        await entity.close()
        await bus.close()

    cut = port._writer.transport.abort
    return Rig(link, car, cut, stop, clock, refuses_unknown=True)


BUILDERS = {
    "memory": build_memory,
    "doip": build_doip,
    "faulty": build_faulty,
    "ISO-TP, loopback bus": build_loopback_bus,
    "ISO-TP, 11 bits": build_with("make_normal"),
    "ISO-TP, 29 bits": build_with("make_wide"),
    "ISO-TP, extended": build_with("make_extended"),
    "ISO-TP, CAN FD": build_with("make_normal", flexible_rate=True),
}


@pytest.fixture(params=sorted(BUILDERS))
def build_rig(request):
    return BUILDERS[request.param]
