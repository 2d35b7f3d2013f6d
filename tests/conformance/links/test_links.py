"""What every link does, whatever the bytes travel over. Rules: our own port (job/ports.py)."""

from __future__ import annotations

import asyncio
import itertools

import pytest

from donorfit.diagnostics.pdu import Arriving, Direction, LinkLost, Pdu
from donorfit.job.ports import LinkLostError, SendRefusedError
from donorfit.vehicle.identity import Address

UNIT = Address(0x1071)
OTHER = Address(0x1072)


async def wait_until(condition, seconds=2.0):
    async with asyncio.timeout(seconds):
        while not condition():  # noqa: ASYNC110 - what is waited for has no event
            await asyncio.sleep(0.002)


def into(heard):
    """A sink that keeps whole messages and the loss; word of a long message is not one."""
    return lambda message: None if isinstance(message, Arriving) else heard.append(message)


def run(build, body):
    async def main():
        async with await build() as rig:
            return await body(rig)

    return asyncio.run(main())


def test_an_answer_reaches_the_sink_of_its_source(build_rig) -> None:
    async def body(rig):
        mine, others = [], []
        rig.link.attach(UNIT, into(mine))
        rig.link.attach(OTHER, into(others))
        await rig.link.send(UNIT, b"\x22\xf1\x90", rig.clock.now() + 1)
        await wait_until(lambda: mine)
        assert mine == [Pdu(source=UNIT, target=rig.link.info.tester, data=b"\x62\xf1\x90")]
        assert others == []
        assert rig.car.requests == [(UNIT, b"\x22\xf1\x90")]

    run(build_rig, body)


def test_a_sink_for_all_hears_every_source(build_rig) -> None:
    async def body(rig):
        heard = []
        rig.link.attach(None, into(heard))
        for unit in (UNIT, OTHER):
            await rig.link.send(unit, b"\x22\xf1\x90", rig.clock.now() + 1)
        await wait_until(lambda: len(heard) == 2)
        assert {pdu.source for pdu in heard} == {UNIT, OTHER}

    run(build_rig, body)


def test_detached_sinks_hear_nothing_and_detaching_twice_is_harmless(build_rig) -> None:
    async def body(rig):
        gone, kept = [], []
        detach = rig.link.attach(UNIT, into(gone))
        rig.link.attach(UNIT, into(kept))
        detach()
        detach()
        await rig.link.send(UNIT, b"\x22\x00\x01", rig.clock.now() + 1)
        await wait_until(lambda: kept)
        assert gone == []

    run(build_rig, body)


def test_every_answer_to_one_request_arrives_in_order(build_rig) -> None:
    async def body(rig):
        rig.car.delays_s = (0.001, 0.01, 0.02)
        heard = []
        rig.link.attach(UNIT, into(heard))
        await rig.link.send(UNIT, b"\x22\x00\x01", rig.clock.now() + 1)
        await wait_until(lambda: len(heard) == 3)
        assert [pdu.data for pdu in heard] == [b"\x62\x00\x01" + bytes((n,)) for n in range(3)]

    run(build_rig, body)


def test_long_messages_pass_whole(build_rig) -> None:
    async def body(rig):
        heard = []
        rig.link.attach(UNIT, into(heard))
        size = min(rig.link.info.max_pdu_bytes, 0x1001)
        message = b"\x36" + bytes(n & 0xFF for n in range(size - 1))
        await rig.link.send(UNIT, message, rig.clock.now() + 5)
        await wait_until(lambda: heard, 5)
        assert heard[0].data == b"\x62" + message[1:]

    run(build_rig, body)


def test_many_units_side_by_side(build_rig) -> None:
    async def body(rig):
        heard = []
        rig.link.attach(None, into(heard))
        rig.car.delays_s = (0.02,)
        units = [Address(each) for each in rig.car.units]
        await asyncio.gather(
            *(rig.link.send(each, b"\x22\xf1\x90", rig.clock.now() + 2) for each in units)
        )
        await wait_until(lambda: len(heard) == len(units), 5)
        assert {pdu.source for pdu in heard} == set(units)

    run(build_rig, body)


def test_a_unit_that_is_not_there_answers_nothing_or_is_refused(build_rig) -> None:
    async def body(rig):
        heard = []
        rig.link.attach(None, into(heard))
        sending = rig.link.send(Address(0x1FFF), b"\x22\xf1\x90", rig.clock.now() + 1)
        if rig.refuses_unknown:
            with pytest.raises(SendRefusedError) as caught:
                await sending
            assert "0x1FFF" in str(caught.value)
        else:
            await sending
        await asyncio.sleep(0.05)
        assert heard == []

    run(build_rig, body)


def test_loss_is_told_once_to_every_sink_and_to_later_ones(build_rig) -> None:
    async def body(rig):
        first, second, late = [], [], []
        rig.link.attach(UNIT, into(first))
        rig.link.attach(None, into(second))
        await rig.link.send(UNIT, b"\x22\xf1\x90", rig.clock.now() + 1)
        await wait_until(lambda: first and second)
        rig.cut()
        await wait_until(lambda: len(first) == 2 and len(second) == 2)
        assert isinstance(first[1], LinkLost)
        assert isinstance(second[1], LinkLost)
        rig.link.attach(UNIT, into(late))
        assert [type(each) for each in late] == [LinkLost]
        with pytest.raises(LinkLostError):
            await rig.link.send(UNIT, b"\x22\xf1\x90", rig.clock.now() + 1)

    run(build_rig, body)


def test_both_ways_are_traced(build_rig) -> None:
    async def body(rig):
        frames, heard = [], []
        detach = rig.link.trace(frames.append)
        rig.link.attach(UNIT, into(heard))
        await rig.link.send(UNIT, b"\x22\xf1\x90", rig.clock.now() + 1)
        await wait_until(lambda: heard)
        sent = [frame for frame in frames if frame.direction is Direction.SENT]
        received = [frame for frame in frames if frame.direction is Direction.RECEIVED]
        assert any(b"\x22\xf1\x90" in frame.data for frame in sent)
        assert any(b"\x62\xf1\x90" in frame.data for frame in received)
        assert all(a.at_s <= b.at_s for a, b in itertools.pairwise(frames))
        detach()
        count = len(frames)
        await rig.link.send(UNIT, b"\x22\xf1\x90", rig.clock.now() + 1)
        await wait_until(lambda: len(heard) == 2)
        assert len(frames) == count

    run(build_rig, body)


def test_closing_twice_is_harmless_and_ends_sending(build_rig) -> None:
    async def body(rig):
        await rig.link.close()
        await rig.link.close()
        with pytest.raises(LinkLostError):
            await rig.link.send(UNIT, b"\x22\xf1\x90", rig.clock.now() + 1)

    run(build_rig, body)
