"""A download whose blocks follow each other unseen ends like one that goes block by block.

Both ways are driven against the same gateway, in bytes and in virtual time, which meets the same
requests in the same odd way. Held against each other: every request that the unit got, what its
memory holds, the outcome, what was told, and what is believed of the unit afterwards.
"""

from __future__ import annotations

import asyncio
import itertools
import random
from contextlib import ExitStack
from dataclasses import dataclass
from typing import Any
from unittest.mock import patch

import pytest
from byte_gateway import BLOCK_BYTES, UNIT, ByteGateway, Odd
from scripted_car import Keys, read

from donorfit.diagnostics import blocks
from donorfit.diagnostics.conversation import Access, Answered, Download, Unknown
from donorfit.diagnostics.doip import FrameReader
from donorfit.diagnostics.pdu import Direction, TracedFrame
from donorfit.diagnostics.talk import NoteKind
from donorfit.edge.clock import VirtualClock, run_in_virtual_time
from donorfit.edge.links.doip_streak import RunningStreak
from donorfit.job.carrier import Carrier
from donorfit.vehicle.identity import Address, UnitId

BLOCKS = 300
REQUESTS = BLOCKS + 4
"""Blocks, 34, 37, 31, and the fence that goes before the first request to a unit."""
DATA = random.Random(7).randbytes(BLOCKS * BLOCK_BYTES - 5)
LONGEST_S = 60.0


@dataclass(frozen=True)
class Seen:
    """All that can be seen of one download."""

    outcome: Any
    requests: tuple[bytes, ...]
    memory: bytes
    told: tuple[tuple[NoteKind, str], ...]
    dirty: bool
    session: int | None
    unclaimed: int
    took_s: float


def ask() -> Download:
    return Download(
        unit=UnitId("hook"),
        address=Address(UNIT),
        memory_address=0x1000,
        data=DATA,
        routine_check=0xFF01,
        what="download",
        access=Access(),
    )


def carry(
    script: dict[int, Odd], *, streams: bool, frames: list[TracedFrame] | None = None
) -> tuple[Seen, Any]:
    gateway = ByteGateway(dict(script))

    async def main() -> Seen:
        clock = VirtualClock()
        link = gateway.connect(clock, streams=streams)
        notes = []
        if frames is not None:
            link.trace(frames.append)
        carrier = Carrier(link, clock, Keys(), on_note=notes.append)
        async with asyncio.timeout(600):
            outcome = await carrier.carry(ask())
        took_s = clock.now()
        line = carrier._lines[Address(UNIT)]
        seen = Seen(
            outcome=outcome,
            requests=tuple(gateway.unit.requests),
            memory=bytes(gateway.unit.memory),
            told=tuple(
                (each.kind, each.text) for each in notes if each.kind is not NoteKind.PROGRESS
            ),
            dirty=line.state.dirty,
            session=line.state.session,
            unclaimed=carrier.unclaimed,
            took_s=took_s,
        )
        await carrier.close()
        return seen

    return run_in_virtual_time(main()), gateway


def carry_block_by_block(script: dict[int, Odd]) -> Seen:
    """As before there were streaks: the talk sends and judges every single block."""
    with patch.object(blocks, "MOST_IN_VAIN", 0):
        return carry(script, streams=False)[0]


def compare(script: dict[int, Odd]) -> Seen:
    """The four ways, which have to come to the same."""
    fast, gateway = carry(script, streams=True)
    judge(fast, gateway)
    traced: list[TracedFrame] = []
    plain: list[TracedFrame] = []
    expected = carry_block_by_block(script)
    others = {
        "traced": carry(script, streams=True, frames=traced)[0],
        "without streaming": carry(script, streams=False, frames=plain)[0],
        "streaming": fast,
    }
    # Of a request and a frame that arrives at the same instant either may come first.
    for way in Direction:
        ours, theirs = (
            [each.data for each in them if each.direction is way] for them in (traced, plain)
        )
        assert ours == theirs, (way, script)
    for name, seen in others.items():
        for what in ("outcome", "requests", "memory", "told", "dirty", "session", "unclaimed"):
            assert getattr(seen, what) == getattr(expected, what), (name, what, script)
        # a deadline is looked at some microseconds later
        assert seen.took_s == pytest.approx(expected.took_s, abs=1e-4), (name, script)
    return fast


def judge(seen: Seen, gateway: ByteGateway) -> None:
    """What is said has to be true of the unit's own memory."""
    if isinstance(seen.outcome, Answered):
        assert seen.memory == DATA
    blocks_sent = [each for each in seen.requests if each[0] == 0x36]
    # Never a block before the one before it was answered or given up: counters go up by one.
    for first, second in itertools.pairwise(blocks_sent):
        assert second[1] in {first[1], (first[1] + 1) & 0xFF, 1}
    assert gateway.alive_answers == gateway.struck.count(Odd.ALIVE_CHECK)


def test_an_undisturbed_download_streams_and_ends_like_the_other_way():
    streaks = []
    begin = RunningStreak.begin

    def count(self, now_s):
        streaks.append(self)
        begin(self, now_s)

    with patch.object(RunningStreak, "begin", count):
        seen = compare({})
    assert seen.outcome == Answered(pdu=b"")
    assert len(seen.requests) == REQUESTS
    # 300 blocks of 4 ms, a quarter of a second at a time, in two of the four runs
    assert 2 * 4 <= len(streaks) <= 2 * 6


@pytest.mark.parametrize("odd", Odd)
@pytest.mark.parametrize("number", [2, 3, 4, 64, 65, 258, 259, REQUESTS - 2, REQUESTS])
def test_each_oddity_at_each_kind_of_place(odd, number):
    compare({number: odd})


@pytest.mark.parametrize("odd", [each for each in Odd if each not in {Odd.LOST, Odd.WRAPPED}])
def test_an_oddity_at_every_block(odd):
    compare(dict.fromkeys(range(3, REQUESTS - 1), odd))


def draw(seed: int) -> dict[int, Odd]:
    dice = random.Random(seed)
    kinds = list(Odd)
    # most of them are survived, so that later ones are met too
    mild = [
        each
        for each in kinds
        if each
        not in {
            Odd.CLOSED,
            Odd.CLOSED_AT_ONCE,
            Odd.RESET,
            Odd.GARBAGE,
            Odd.NEGATIVE,
            Odd.WRONG_COUNTER,
            Odd.REFUSED,
            Odd.REFUSED_BY_HEADER,
        }
    ]
    count = dice.randint(1, 12)
    first = dice.randint(1, REQUESTS)
    places = [
        first + dice.randint(0, 4) if dice.random() < 0.4 else dice.randint(1, REQUESTS)
        for _ in range(count)
    ]
    return {place: dice.choice(kinds if dice.random() < 0.2 else mild) for place in places}


@pytest.mark.parametrize("begin", range(0, 60, 20))
def test_drawn_oddities(begin):
    for seed in range(begin, begin + 20):
        compare(draw(seed))


@pytest.mark.long
@pytest.mark.parametrize("begin", range(1000, 11_000, 500))
def test_many_drawn_oddities(begin):
    for seed in range(begin, begin + 500):
        compare(draw(seed))


@pytest.mark.parametrize("at_s", [0.05, 0.3, 0.302, 0.9])
def test_nothing_is_sent_once_nobody_waits_any_more(at_s):
    gateway = ByteGateway({})

    async def main():
        clock = VirtualClock()
        carrier = Carrier(gateway.connect(clock, streams=True), clock, Keys())
        task = asyncio.create_task(carrier.carry(ask()))
        await clock.sleep(at_s)
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task
        sent = gateway.number
        assert UNIT not in gateway._connection._running
        await clock.sleep(1.5)
        line = carrier._lines[Address(UNIT)]
        state = line.state.dirty, line.state.session
        assert gateway.number == sent
        began_s = clock.now()
        outcome = await carrier.carry(read(0xF190, address=UNIT))
        took_s = clock.now() - began_s
        await carrier.close()
        return sent, state, outcome, took_s

    sent, state, outcome, took_s = run_in_virtual_time(main())
    assert 3 < sent < REQUESTS
    assert state == (True, None)
    # What comes for the unit is for everybody again: a fence, then the reading.
    assert outcome == Answered(pdu=b"\x62\xf1\x90\x01")
    assert took_s < 0.05
    assert gateway.number == sent + 2


def test_closing_ends_a_streak_as_lost():
    gateway = ByteGateway({})

    async def main():
        clock = VirtualClock()
        carrier = Carrier(gateway.connect(clock, streams=True), clock, Keys())
        task = asyncio.create_task(carrier.carry(ask()))
        await clock.sleep(0.3)
        await carrier.close()
        return await task

    outcome = run_in_virtual_time(main())
    assert isinstance(outcome, Unknown)
    assert gateway.number < REQUESTS


def never_hand_over(self, _now_s):
    self.end(None)


def take_any_answer(self, pdu, now_s):
    del now_s
    self._answered += pdu[:1] == b"\x76"
    self.waits = False
    return pdu[:1] == b"\x76"


MISTAKES = {
    "an answer that was slept over counts": (
        RunningStreak,
        {"is_in_time": lambda _self, _now_s: True},
        Odd.SUSPENDED,
    ),
    "bytes within another frame count": (
        FrameReader,
        {"between_frames": property(lambda _self: True)},
        Odd.WRAPPED,
    ),
    "any answer to a block counts": (
        RunningStreak,
        {"take_answer": take_any_answer},
        Odd.WRONG_COUNTER,
    ),
    "the request under way is forgotten": (
        RunningStreak,
        {"hand_over": never_hand_over},
        Odd.LATE,
    ),
}


@pytest.mark.parametrize("name", MISTAKES)
def test_a_streak_that_is_wrong_is_seen(name):
    owner, changes, odd = MISTAKES[name]
    compare({65: odd})
    with ExitStack() as stack:
        for attribute, wrong in changes.items():
            stack.enter_context(patch.object(owner, attribute, wrong))
        with pytest.raises((AssertionError, TimeoutError)):
            for number in (3, 64, 65, 258):
                compare({number: odd})
