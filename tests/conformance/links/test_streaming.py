"""What a link does that streams: over real sockets, against the same car as every link."""

from __future__ import annotations

import asyncio

import pytest
from test_links import OTHER, UNIT, into, run, wait_until

from conftest import BUILDERS
from donorfit.diagnostics.pdu import LinkLost
from donorfit.diagnostics.talk import Foreseen, Taken
from donorfit.edge.links.doip import DoipLink
from donorfit.job.ports import LinkLostError, StreamingLink


def foresee(count, *, wrong_at=None):
    """Requests ``22 00 nn`` and what the plain car says to them."""
    for number in range(count):
        pair = number.to_bytes(2, "big")
        answer = b"\x62" + (b"\xee\xee" if number == wrong_at else pair)
        yield Foreseen(b"\x22" + pair, answer)


async def stream(rig, exchanges, *, wait_s=0.5, seconds=5.0, unit=UNIT):
    now_s = rig.clock.now()
    return await rig.link.stream(unit, exchanges, wait_s, now_s + seconds)


def test_the_doip_link_streams_and_no_other(build_rig):
    async def body(rig):
        assert isinstance(rig.link, StreamingLink) is isinstance(rig.link, DoipLink)

    run(build_rig, body)


def test_requests_go_out_in_order_and_foreseen_answers_reach_no_sink():
    async def body(rig):
        heard = []
        rig.link.attach(None, into(heard))
        streak = await stream(rig, foresee(300))
        assert (streak.answered, streak.last) == (300, None)
        assert [pdu for _, pdu in rig.car.requests] == [each.request for each in foresee(300)]
        assert heard == []
        assert streak.sent_at_s <= rig.clock.now()

    run(BUILDERS["doip"], body)


def test_what_is_not_foreseen_ends_it_and_reaches_the_sinks():
    async def body(rig):
        heard = []
        rig.link.attach(None, into(heard))
        streak = await stream(rig, foresee(10, wrong_at=4))
        assert streak.answered == 4
        assert isinstance(streak.last, Taken)
        assert [each.data for each in heard] == [b"\x62\x00\x04"]
        assert len(rig.car.requests) == 5

    run(BUILDERS["doip"], body)


def test_units_stream_side_by_side():
    async def body(rig):
        one, two, plain = await asyncio.gather(
            stream(rig, foresee(100)),
            stream(rig, foresee(100), unit=OTHER),
            rig.link.send(OTHER + 1, b"\x22\xf1\x90", rig.clock.now() + 1),
        )
        assert (one.answered, two.answered, plain) == (100, 100, None)
        for unit in (UNIT, OTHER):
            sent = [pdu for target, pdu in rig.car.requests if target == unit]
            assert sent == [each.request for each in foresee(100)]

    run(BUILDERS["doip"], body)


def test_the_time_is_over_only_after_the_first():
    async def body(rig):
        streak = await stream(rig, foresee(10), seconds=-1.0)
        assert (streak.answered, streak.last) == (1, None)

    run(BUILDERS["doip"], body)


def test_nothing_to_send_is_nothing_sent():
    async def body(rig):
        streak = await stream(rig, foresee(0))
        assert (streak.answered, streak.last) == (0, None)
        assert rig.car.requests == []

    run(BUILDERS["doip"], body)


def test_a_silent_unit_is_handed_over_when_its_time_is_over():
    async def body(rig):
        rig.car.delays_s = (5.0,)
        began_s = rig.clock.now()
        streak = await stream(rig, foresee(3), wait_s=0.1)
        assert streak.answered == 0
        assert isinstance(streak.last, Taken)
        assert 0.09 < rig.clock.now() - began_s < 1.0

    run(BUILDERS["doip"], body)


def test_a_lost_link_ends_it_and_then_there_is_no_other():
    async def body(rig):
        heard = []
        rig.link.attach(None, into(heard))
        rig.car.delays_s = (0.05,)
        task = asyncio.create_task(stream(rig, foresee(100)))
        await wait_until(lambda: len(rig.car.requests) == 3)
        rig.cut()
        streak = await task
        assert streak.answered in {1, 2, 3}
        assert isinstance(streak.last, Taken | LinkLostError)
        await wait_until(lambda: heard)
        assert isinstance(heard[-1], LinkLost)
        with pytest.raises(LinkLostError):
            await stream(rig, foresee(1))

    run(BUILDERS["doip"], body)


def test_a_refused_request_says_so():
    async def body(rig):
        streak = await stream(rig, foresee(3), unit=0x0FFF)
        assert streak.answered == 0
        assert "not passed on" in streak.last.what

    run(BUILDERS["doip"], body)
