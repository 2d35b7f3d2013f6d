"""Faults 14, 16 and 17 as the simulated car itself makes them: the gateway drops and refuses."""

from __future__ import annotations

import pytest
from scripted_car import ADDRESS, Bench, Script, h, read, write

from donorfit.diagnostics.conversation import Answered, NotSent, Unknown
from donorfit.edge.links.memory import MemoryLink
from donorfit.errors import LinkError
from donorfit.simulator.car import ConnectionDrop


class DroppingCar(Script):
    """Drops the connection at the first write, after it was carried out."""

    def __init__(self, refuse_s: float) -> None:
        super().__init__()
        self.drops = [ConnectionDrop(after_s=0.005, source=ADDRESS, pdu=b"", refuse_s=refuse_s)]

    def handle(self, target, pdu, now_s):
        replies = super().handle(target, pdu, now_s)
        if pdu[0] == 0x2E and self.drops:
            return (self.drops.pop(),)
        return replies


def test_14_a_drop_instead_of_the_answer_is_unknown_and_nothing_follows() -> None:
    bench = Bench(DroppingCar(refuse_s=0.0))
    outcomes, took_s = bench.run(write(), read())
    assert isinstance(outcomes[0], Unknown)
    assert outcomes[1] == NotSent(why="the gateway reset the connection")
    assert took_s < 0.1


def test_17_a_gateway_that_refuses_for_a_while_is_open_again_afterwards() -> None:
    car = DroppingCar(refuse_s=3.0)
    bench = Bench(car)

    async def body(carrier):
        await carrier.carry(write())
        again = MemoryLink(car, bench.clock, refuses_until_s=bench.memory.refuses_until_s)
        with pytest.raises(LinkError, match="takes no connection"):
            await again.open(bench.clock.now() + 1)
        await bench.clock.sleep(3.1)
        await again.open(bench.clock.now() + 1)
        heard = []
        again.attach(None, heard.append)
        await again.send(ADDRESS, h("22F190"), bench.clock.now() + 1)
        await bench.clock.sleep(0.01)
        return heard

    heard = bench.drive(body)
    assert heard[0].data == h("62F190") + b"OLD"


def test_16_after_a_reboot_the_carrier_is_lost_and_a_new_one_starts_with_a_fence() -> None:
    car = DroppingCar(refuse_s=0.0)
    bench = Bench(car)

    async def body(carrier):
        await carrier.carry(write())
        assert carrier.lost is not None
        fresh = await bench.open()
        outcome = await fresh.carry(write("2E 01 00 66"))
        await fresh.close()
        return outcome

    assert bench.drive(body) == Answered(pdu=h("6E0100"))
    sent = [pdu for _, pdu in car.requests]
    assert sent.index(h("3E00")) < sent.index(h("2E010066"))
