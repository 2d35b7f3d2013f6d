"""Faults 33 to 40: supply, computer and person, as far as carrier and loop meet them."""

from __future__ import annotations

import asyncio
import time

import pytest
from scripted_car import UNLOCKED, Bench, Keys, Script, download, h, read, write

from donorfit.diagnostics.conversation import Answered, NotSent, Refused, Unknown
from donorfit.diagnostics.policy import Policy
from donorfit.edge.clock import VirtualClock, run_in_virtual_time
from donorfit.edge.links.memory import MemoryLink
from donorfit.errors import JournalError, MisuseError
from donorfit.job.carrier import Carrier
from donorfit.job.journal import PastAsk
from donorfit.job.loop import Loop


class Journal:
    """A journal in memory that fails when a test says so."""

    def __init__(self, past=None, fails_at=None) -> None:
        self.past = past or {}
        self.intents = []
        self.outcomes = []
        self.fails_at = fails_at

    def read_past(self):
        return self.past

    def write_cut(self, strand, number):
        pass

    def write_intent(self, strand, ask, what):
        if self.fails_at == len(self.intents):
            raise JournalError(what="the disk is full")
        self.intents.append(ask)

    def write_outcome(self, strand, number, outcome, *, binding):
        self.outcomes.append(outcome)


class Connection:
    def __init__(self, car):
        self.car = car

    async def connect(self):
        clock = VirtualClock()
        link = MemoryLink(self.car, clock)
        await link.open(1.0)
        return Carrier(link, clock, Keys())


class Nobody:
    def answer(self, question_id, text, choices):
        return None


def loop_with(journal, car):
    return Loop(
        journal=journal,
        connection=Connection(car),
        person=Nobody(),
        listener=lambda progress: None,
        sleep=VirtualClock().sleep,
    )


def strand(*asks):
    outcomes = []
    for ask in asks:
        outcomes.append((yield ask))  # noqa: PERF401 - a list cannot yield
    return outcomes


@pytest.mark.parametrize("step", [0, 1, 2])
def test_33_a_supply_dip_at_any_write_is_told_and_later_writes_are_their_own(step: int) -> None:
    entries = [
        (f"2E 01 {n:02X}", [(0.001, "7F2E93")] if n == step else [(0.001, f"6E01{n:02X}")])
        for n in range(3)
    ]
    car = Script(entries)
    outcomes, _ = Bench(car).run(*(write(f"2E 01 {n:02X} 55") for n in range(3)))
    assert outcomes[step] == Refused(code=0x93)
    assert len(car.sent("2E")) == 3


def test_34_a_suspend_is_a_late_answer_and_not_a_wrong_one() -> None:
    # While the computer sleeps the unit answers and forgets its session.
    car = Script([("2E", [(600.0, "6E0100")]), ("2E", [(0.001, "7F2E7F")])])
    bench = Bench(car)

    async def body(carrier):
        first = await carrier.carry(write(access=UNLOCKED))
        await bench.clock.sleep(700)
        return first, await carrier.carry(write("2E 01 00 66", access=UNLOCKED))

    first, second = bench.drive(body)
    assert isinstance(first, Unknown)
    assert second == Answered(pdu=h("6E0100"))


def test_35_after_a_kill_an_open_intent_comes_back_as_unknown_and_is_not_sent() -> None:
    first = Journal()
    car = Script()
    asks = (write("2E 01 00 55"), write("2E 01 01 66"))
    run_in_virtual_time(loop_with(first, car).run("apply", strand(*asks)))
    killed = {
        "apply": [PastAsk(number=0, digest=first.intents[0].digest, binding=True, outcome=None)]
    }
    again = Script()
    outcomes = run_in_virtual_time(
        loop_with(Journal(past=killed), again).run("apply", strand(*asks))
    )
    assert isinstance(outcomes[0], Unknown)
    assert outcomes[1] == Answered(pdu=h("6E0101"))
    assert again.sent("2E") == [h("2E010166")]


def test_36_a_full_disk_stops_before_the_write_leaves() -> None:
    car = Script()
    loop = loop_with(Journal(fails_at=1), car)
    with pytest.raises(JournalError, match="disk is full"):
        run_in_virtual_time(loop.run("apply", strand(read(), write())))
    assert car.sent("2E") == []


def test_37_the_wall_clock_does_not_matter(monkeypatch) -> None:
    jumps = iter(range(0, 10**9, 10_000))
    monkeypatch.setattr(time, "time", lambda: float(next(jumps)))
    outcomes, took_s = Bench(Script()).run(read(), write(access=UNLOCKED), download())
    assert all(isinstance(each, Answered) for each in outcomes)
    assert took_s < 1


def test_38_two_asks_to_one_unit_wait_for_each_other() -> None:
    car = Script(
        [("22F190", [(0.04, "62F19041")]), ("22F187", [(0.04, "62F18742")])],
    )
    bench = Bench(car)

    async def body(carrier):
        return await asyncio.gather(carrier.carry(read(0xF190)), carrier.carry(read(0xF187)))

    outcomes = bench.drive(body)
    assert outcomes == [Answered(pdu=h("62F19041")), Answered(pdu=h("62F18742"))]
    (first, _), (second, _) = car.requests
    assert second - first >= 0.04


def test_38_units_side_by_side_stay_within_the_limit() -> None:
    car = Script(otherwise=None)
    bench = Bench(car, policy=Policy(parallel_units=4))
    car.entries = [("22", [(0.02, "62F190")])] * 16

    async def body(carrier):
        asks = [read(address=0x2000 + n) for n in range(16)]
        await asyncio.gather(*(carrier.carry(ask) for ask in asks))
        return bench.clock.now()

    # The script answers in order over all units, so the times add up; four at a time go out.
    bench.drive(body)
    times = [at for at, _ in car.requests]
    assert sum(at == 0.0 for at in times) == 4


def test_39_an_adapter_that_is_unplugged_ends_every_later_ask() -> None:
    bench = Bench(Script())

    async def body(carrier):
        await carrier.carry(read())
        bench.memory.cut("the adapter failed: unplugged")
        return await carrier.carry(write()), carrier.lost

    outcome, lost = bench.drive(body)
    assert outcome == NotSent(why="the adapter failed: unplugged")
    assert lost is not None


@pytest.mark.parametrize("after_s", [0.0, 0.0005, 0.03])
def test_40_cancelling_in_the_middle_of_a_write_leaves_a_doubt_that_a_fence_settles(
    after_s,
) -> None:
    car = Script([("2E", [(0.04, "6E0100")]), ("2E", [(0.001, "7F2E72")])])
    bench = Bench(car)

    async def body(carrier):
        flight = asyncio.ensure_future(carrier.carry(write("2E 01 00 55")))
        await asyncio.sleep(after_s)
        flight.cancel()
        with pytest.raises(asyncio.CancelledError):
            await flight
        return await carrier.carry(write("2E 01 00 66"))

    outcome = bench.drive(body)
    left = car.sent("2E")
    if len(left) == 2:
        assert outcome == Refused(code=0x72)
    else:
        # Cancelled before it left: the next write is the only one.
        assert left == [h("2E010066")]
        assert outcome == Answered(pdu=h("6E0100"))


def test_40_cancelling_in_the_middle_of_a_block_does_not_block_the_unit() -> None:
    car = Script([("3602", [(0.04, "7602")])])
    bench = Bench(car)

    async def body(carrier):
        flight = asyncio.ensure_future(carrier.carry(download()))
        while not car.sent("3602"):
            await bench.clock.sleep(0.001)
        flight.cancel()
        with pytest.raises(asyncio.CancelledError):
            await flight
        return await carrier.carry(download())

    assert bench.drive(body) == Answered(pdu=b"")
    assert len(car.sent("34")) == 2


def test_40_a_key_that_was_cancelled_counts_as_sent() -> None:
    car = Script([("2702", [])])
    bench = Bench(car)

    async def body(carrier):
        flight = asyncio.ensure_future(carrier.carry(write(access=UNLOCKED)))
        while not car.sent("2702"):
            await bench.clock.sleep(0.001)
        flight.cancel()
        with pytest.raises(asyncio.CancelledError):
            await flight
        return await carrier.carry(write(access=UNLOCKED))

    assert isinstance(bench.drive(body), NotSent)
    assert len(car.sent("2702")) == 1


def test_nothing_to_send_is_a_mistake_of_ours() -> None:
    with pytest.raises(MisuseError):
        Bench(Script()).run(write(""))


def test_a_request_that_the_link_cannot_carry_is_not_sent() -> None:
    outcomes, _ = Bench(Script()).run(write("2E 01 00" + "55" * 0x10000))
    assert isinstance(outcomes[0], NotSent)
    assert "more than the link takes" in outcomes[0].why


def test_closing_ends_what_is_in_flight() -> None:
    car = Script([("2E", [])])
    bench = Bench(car)

    async def body(carrier):
        flight = asyncio.ensure_future(carrier.carry(write()))
        await bench.clock.sleep(0.01)
        await carrier.close()
        await carrier.close()
        return await flight

    assert isinstance(bench.drive(body), Unknown)
