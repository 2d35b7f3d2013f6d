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


BUILDERS = {"memory": build_memory, "doip": build_doip, "faulty": build_faulty}


@pytest.fixture(params=sorted(BUILDERS))
def build_rig(request):
    return BUILDERS[request.param]
