"""A simulated car on a CAN bus: answers in their time and order, silence where the car drops."""

import asyncio

import pytest

pytest.importorskip("isotp")

from donorfit.diagnostics.pdu import Pdu, Reply
from donorfit.edge.clock import RealClock
from donorfit.edge.links.can_entity import CanEntity
from donorfit.edge.links.isotp import IsotpLink
from donorfit.edge.links.isotp_addresses import make_can_address
from donorfit.edge.links.loopback_bus import LoopbackBus, join_loopback_bus
from donorfit.errors import InputError
from donorfit.simulator.car import ConnectionDrop
from donorfit.vehicle.can_identifiers import CanIdentifiers
from donorfit.vehicle.identity import Address

UNIT, OTHER = Address(0x1071), Address(0x1061)
UNITS = (
    (UNIT, CanIdentifiers(request=0x671, response=0x771)),
    (OTHER, CanIdentifiers(request=0x661, response=0x761, request_byte=0x61, response_byte=0x0E)),
)


class Car:
    """Answers by the request's second byte."""

    def handle(self, target, pdu, now_s):
        match pdu[1]:
            case 1:  # response pending, then a long answer
                return (
                    Reply(after_s=0.0, source=target, pdu=b"\x7f\x31\x78"),
                    Reply(after_s=0.3, source=target, pdu=b"\x71" + bytes(300)),
                )
            case 2:  # two at once: the long one must not be torn by the short one
                return (
                    Reply(after_s=0.0, source=target, pdu=b"\x62" + bytes(300)),
                    Reply(after_s=0.0, source=target, pdu=b"\x7e\x00"),
                )
            case 3:
                return (ConnectionDrop(after_s=0.0, source=target, pdu=b"", refuse_s=0.4),)
            case _:
                return (Reply(after_s=0.0, source=target, pdu=bytes((pdu[0] | 0x40, pdu[1]))),)


def serve(play):
    async def main():
        bus, clock = LoopbackBus(), RealClock()
        await bus.open()
        entity = CanEntity(Car(), await join_loopback_bus("127.0.0.1", bus.port), UNITS)
        await entity.open()
        port = await join_loopback_bus("127.0.0.1", bus.port)
        link = IsotpLink(port, tuple(make_can_address(*each) for each in UNITS), clock)
        heard = []
        link.attach(
            None,
            lambda each: heard.append((clock.now(), each)) if isinstance(each, Pdu) else None,
        )
        await link.open(clock.now() + 1)
        await asyncio.sleep(0.05)
        try:
            await play(link, clock, heard, bus, entity)
        finally:
            await link.close()
            await entity.close()
            await bus.close()

    asyncio.run(main())


async def ask(link, clock, pdu, unit=UNIT):
    await link.send(unit, pdu, clock.now() + 5)


async def wait_for(heard, count):
    async with asyncio.timeout(10):
        while len(heard) < count:  # noqa: ASYNC110 - what is waited for is a list that grows
            await asyncio.sleep(0.01)


def test_answers_keep_their_time_and_order():
    async def play(link, clock, heard, bus, entity):
        await ask(link, clock, b"\x31\x01")
        await wait_for(heard, 2)
        (first_s, pending), (second_s, answer) = heard
        assert pending.data == b"\x7f\x31\x78"
        assert len(answer.data) == 301
        assert answer.source == UNIT
        assert second_s - first_s > 0.2

    serve(play)


def test_two_answers_of_one_unit_follow_each_other_whole():
    async def play(link, clock, heard, bus, entity):
        await ask(link, clock, b"\x22\x02")
        await ask(link, clock, b"\x3e\x00", OTHER)
        await wait_for(heard, 3)
        mine = [each.data for _, each in heard if each.source == UNIT]
        assert mine == [b"\x62" + bytes(300), b"\x7e\x00"]
        assert [each.data for _, each in heard if each.source == OTHER] == [b"\x7e\x00"]

    serve(play)


def test_a_dropped_connection_is_silence_for_a_while():
    async def play(link, clock, heard, bus, entity):
        await ask(link, clock, b"\x3e\x03")
        await asyncio.sleep(0.1)
        await ask(link, clock, b"\x3e\x00")
        await asyncio.sleep(0.1)
        assert heard == []
        await asyncio.sleep(0.4)
        await ask(link, clock, b"\x3e\x00")
        await wait_for(heard, 1)

    serve(play)


def test_the_end_of_the_bus_ends_the_service():
    async def play(link, clock, heard, bus, entity):
        await bus.close()
        assert "bus ended" in await asyncio.wait_for(entity.ended, 5)

    serve(play)


def test_a_car_without_identifiers_cannot_be_served():
    async def main():
        with pytest.raises(InputError, match="no control unit"):
            CanEntity(Car(), None, ())

    asyncio.run(main())
