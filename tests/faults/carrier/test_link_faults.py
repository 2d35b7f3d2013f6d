"""Faults 14 to 24: what the link does to a session, in virtual time.

The DoIP faults that need sockets (15 half open, 17 sockets in use, 18 alive check, 19 negative
acknowledgements, 20 frames) are in tests/unit/links/test_doip.py, those of CAN (24) in
tests/unit/links/test_isotp.py; here is what the session makes of them.
"""

from __future__ import annotations

import asyncio
import itertools

import pytest
from plain_car import PlainCar
from scripted_car import ADDRESS, UNLOCKED, Bench, Keys, Script, download, h, read, write
from small_gateway import Gateway

from donorfit.diagnostics.conversation import Answered, NotSent, Refused, Unknown
from donorfit.diagnostics.pdu import Pdu
from donorfit.diagnostics.talk import NoteKind
from donorfit.edge.clock import RealClock
from donorfit.edge.links.doip import DoipLink
from donorfit.edge.links.faulty import FaultKind, LinkFault
from donorfit.job.carrier import Carrier


def faulty(kind: FaultKind, beginning: str = "2E", **options) -> Bench:
    fault = LinkFault(kind=kind, beginning=h(beginning), **options)
    return Bench(Script(), faults=(fault,))


def test_14_a_cut_before_a_write_left_is_still_unknown_to_the_sender() -> None:
    # The link itself may have taken bytes before it noticed, so this is no proof.
    bench = faulty(FaultKind.CUT_BEFORE_REQUEST)
    outcomes, _ = bench.run(write(), write(), read())
    assert isinstance(outcomes[0], Unknown)
    assert all(isinstance(each, NotSent) for each in outcomes[1:])
    assert bench.car.sent("2E") == []


@pytest.mark.parametrize("kind", [FaultKind.CUT_AFTER_REQUEST, FaultKind.CUT_BEFORE_ANSWER])
def test_14_a_cut_after_a_write_left_is_unknown_and_later_asks_are_not_sent(kind) -> None:
    bench = faulty(kind)

    async def body(carrier):
        first = await carrier.carry(write())
        assert carrier.lost is not None
        return [first, await carrier.carry(write()), await carrier.carry(read())]

    outcomes = bench.drive(body)
    assert isinstance(outcomes[0], Unknown)
    assert all(isinstance(each, NotSent) for each in outcomes[1:])
    assert len(bench.car.sent("2E")) == 1
    assert NoteKind.LINK_LOST in bench.kinds()


@pytest.mark.parametrize("block", [1, 2, 4])
def test_14_a_cut_in_a_download_is_unknown_with_its_phase(block: int) -> None:
    bench = faulty(FaultKind.CUT_AFTER_REQUEST, "36", occurrence=block)
    outcomes, _ = bench.run(download())
    assert isinstance(outcomes[0], Unknown)
    assert "0x36" in outcomes[0].why
    assert len(bench.car.sent("36")) == block


def test_14_every_unit_in_flight_hears_of_the_loss() -> None:
    car = Script(otherwise=lambda pdu: None)
    bench = Bench(car)

    async def body(carrier):
        units = range(0x1071, 0x1079)
        flights = [asyncio.ensure_future(carrier.carry(read(address=each))) for each in units]
        await bench.clock.sleep(0.01)
        bench.memory.cut("cable pulled")
        return await asyncio.gather(*flights), bench.clock.now()

    outcomes, took_s = bench.drive(body)
    assert all(each == Unknown(why="cable pulled") for each in outcomes)
    assert took_s < 0.02


def test_15_a_request_that_is_never_confirmed_is_unknown() -> None:
    bench = faulty(FaultKind.LEAVE_UNCONFIRMED)
    outcomes, took_s = bench.run(write())
    assert isinstance(outcomes[0], Unknown)
    assert took_s == pytest.approx(bench.memory.info.accept_s, abs=0.01)
    assert len(bench.car.sent("2E")) == 1


def test_15_after_an_unconfirmed_request_a_fence_comes_first() -> None:
    bench = faulty(FaultKind.LEAVE_UNCONFIRMED)
    outcomes, _ = bench.run(read(), write("2E 01 00 55"), write("2E 01 01 66"))
    order = [pdu.hex() for _, pdu in bench.car.requests]
    assert order == ["22f190", "2e010055", "3e00", "2e010166"]
    assert outcomes[2] == Answered(pdu=h("6E0101"))


def on_gateway(body, **knobs):
    """Over real sockets: a gateway with a scripted car, and a carrier."""

    async def main():
        car = knobs.pop("car", PlainCar())
        gateway = Gateway(car, **knobs)
        port = await gateway.start()
        clock = RealClock()
        link = DoipLink("127.0.0.1", clock, port=port)
        await link.open(clock.now() + 2)
        carrier = Carrier(link, clock, Keys())
        try:
            return await body(gateway, carrier)
        finally:
            await carrier.close()
            await gateway.stop()

    return asyncio.run(main())


@pytest.mark.parametrize("how", ["reset", "hang_up"])
def test_16_a_gateway_that_goes_away_ends_the_carrier_not_the_program(how: str) -> None:
    car = Script([("2E", [])])

    async def body(gateway, carrier):
        flight = asyncio.ensure_future(carrier.carry(write()))
        while not car.sent("2E"):  # noqa: ASYNC110 - what is waited for has no event
            await asyncio.sleep(0.002)
        getattr(gateway, how)()
        outcome = await flight
        assert isinstance(outcome, Unknown)
        assert "gateway" in (carrier.lost or "")
        return await carrier.carry(write())

    assert isinstance(on_gateway(body, car=car), NotSent)
    assert len(car.sent("2E")) == 1


def test_18_an_alive_check_in_the_middle_of_a_download_is_answered() -> None:
    car = Script()

    async def body(gateway, carrier):
        flight = asyncio.ensure_future(carrier.carry(download(20_000)))
        for _ in range(5):
            await asyncio.sleep(0.01)
            gateway.ask_alive()
        outcome = await flight
        await asyncio.sleep(0.05)
        assert len(gateway.alive_answers) == 5
        return outcome

    assert on_gateway(body, car=car) == Answered(pdu=b"")


def test_19_a_request_that_the_gateway_refuses_was_not_sent() -> None:
    bench = faulty(FaultKind.REFUSE_REQUEST)
    outcomes, _ = bench.run(read(), write(), write())
    assert outcomes[1] == NotSent(why="target unreachable")
    assert outcomes[2] == Answered(pdu=h("6E0100"))
    assert NoteKind.FENCE not in bench.kinds()


def test_20_an_answer_in_two_pieces_is_no_answer() -> None:
    bench = faulty(FaultKind.SPLIT_ANSWER, position=2)
    outcomes, _ = bench.run(write())
    assert isinstance(outcomes[0], Unknown)
    assert NoteKind.STRAY in bench.kinds()


@pytest.mark.parametrize("position", [0, 1, 2])
def test_20_an_answer_with_a_changed_echo_confirms_nothing(position: int) -> None:
    bench = faulty(FaultKind.CORRUPT_ANSWER, position=position)
    outcomes, _ = bench.run(write())
    assert isinstance(outcomes[0], Unknown)


@pytest.mark.parametrize("length", [0, 1, 2])
def test_20_an_answer_that_ends_early_confirms_nothing(length: int) -> None:
    bench = faulty(FaultKind.TRUNCATE_ANSWER, position=length)
    outcomes, _ = bench.run(write())
    assert isinstance(outcomes[0], Unknown)


def test_21_messages_of_others_do_not_lengthen_the_wait() -> None:
    car = Script([("2E", [])])
    bench = Bench(car)

    async def body(carrier):
        flight = asyncio.ensure_future(carrier.carry(write()))
        for _ in range(200):
            await bench.clock.sleep(0.01)
            for source in (0x1099, ADDRESS):
                pdu = Pdu(source=source, target=0x0E80, data=h("62FFFF"))
                bench.memory._sinks.deliver(pdu)
            if flight.done():
                break
        return await flight, bench.clock.now(), carrier.unclaimed

    outcome, took_s, unclaimed = bench.drive(body)
    assert isinstance(outcome, Unknown)
    assert took_s < 0.08
    assert unclaimed > 3


def test_22_a_late_confirmation_does_not_pass_for_the_next_one() -> None:
    # The case that ready-made clients report as success: 6E of the first write arrives late, and
    # the unit refuses the second.
    car = Script(
        [("2E", [(0.3, "6E0100")]), ("2E", [(0.001, "7F2E72")])],
    )
    outcomes, _ = Bench(car).run(write("2E 01 00 55"), write("2E 01 00 66"))
    assert isinstance(outcomes[0], Unknown)
    assert outcomes[1] == Refused(code=0x72)


def test_22_a_late_value_does_not_pass_for_a_new_one() -> None:
    car = Script([("22", [(0.3, "62F190 6F6C64")]), ("22", [(0.001, "62F190 6E6577")])])
    outcomes, _ = Bench(car).run(read())
    assert outcomes == [Answered(pdu=h("62F190 6E6577"))]


def test_22_a_second_copy_of_a_confirmation_does_not_pass_for_the_next_one() -> None:
    car = Script([("2E", [(0.001, "6E0100"), (0.004, "6E0100")]), ("2E", [(0.05, "7F2E72")])])
    outcomes, _ = Bench(car).run(write("2E 01 00 55"), write("2E 01 00 66"))
    assert outcomes == [Answered(pdu=h("6E0100")), Refused(code=0x72)]


def test_22_a_second_copy_of_a_refusal_does_not_pass_for_the_next_one() -> None:
    car = Script([("2E", [(0.001, "7F2E31"), (0.004, "7F2E31")])])
    outcomes, _ = Bench(car).run(write("2E 01 00 55"), write("2E 01 01 66"))
    assert outcomes == [Refused(code=0x31), Answered(pdu=h("6E0101"))]


def test_22_a_late_answer_to_a_fence_does_not_open_a_later_one() -> None:
    # Both fences of the first doubt are answered late; the second doubt must not take the old 7E.
    car = Script(
        [
            ("2E", []),
            ("3E00", [(0.2, "7E00")]),
            ("3E00", [(0.2, "7E00")]),
            ("2E", [(0.4, "6E0100")]),
            ("3E00", [(0.001, "7E00")]),
            ("2E", [(0.001, "7F2E72")]),
        ]
    )
    outcomes, _ = Bench(car).run(write("2E01 00 11"), write("2E01 00 22"), write("2E01 00 33"))
    assert outcomes[2] == Refused(code=0x72)


def test_23_a_session_is_kept_alive_while_nothing_is_asked() -> None:
    bench = Bench(Script())

    async def body(carrier):
        await carrier.carry(write(access=UNLOCKED))
        await bench.clock.sleep(21)
        return await carrier.carry(write("2E 01 01 66", access=UNLOCKED))

    assert bench.drive(body) == Answered(pdu=h("6E0101"))
    kept = [at for at, pdu in bench.car.requests if pdu == h("3E80")]
    gaps = [b - a for a, b in itertools.pairwise(kept)]
    assert len(kept) >= 9
    assert max(gaps) < 2.1
    assert len(bench.car.sent("10")) == 1


def test_23_no_keep_alive_in_the_default_session() -> None:
    bench = Bench(Script())

    async def body(carrier):
        await carrier.carry(read())
        await bench.clock.sleep(20)

    bench.drive(body)
    assert bench.car.sent("3E") == []


def test_23_no_keep_alive_within_a_transfer() -> None:
    car = Script([("36", [(0.04, "7F3678"), (4.9, "7601")])])
    bench = Bench(car)
    outcomes, took_s = bench.run(download())
    assert outcomes == [Answered(pdu=b"")]
    assert took_s > 4.9
    services = [pdu[0] for _, pdu in car.requests]
    inside = services[services.index(0x34) : services.index(0x37)]
    assert set(inside) == {0x34, 0x36}


def test_22_what_was_under_way_when_the_link_was_lost_does_not_confirm_a_write_on_the_next() -> (
    None
):
    car = Script([("2E", [(1.0, "6E0100")]), ("2E", [(0.001, "7F2E72")])])
    bench = Bench(car, faults=())

    async def body(carrier):
        flight = asyncio.ensure_future(carrier.carry(write("2E 01 00 55")))
        await bench.clock.sleep(0.03)
        await carrier.close()
        lost = await flight
        again = await bench.open()
        outcome = await again.carry(write("2E 01 00 66"))
        await again.close()
        return lost, outcome

    lost, outcome = bench.drive(body)
    assert isinstance(lost, Unknown)
    assert outcome == Refused(code=0x72)


def test_a_lost_request_for_reading_is_asked_once_more_after_a_fence() -> None:
    bench = faulty(FaultKind.LOSE_REQUEST, "22")
    outcomes, _ = bench.run(read())
    assert outcomes == [Answered(pdu=h("62F190") + b"OLD")]
    assert [pdu.hex() for _, pdu in bench.car.requests] == ["3e00", "22f190"]


@pytest.mark.parametrize("kind", [FaultKind.LOSE_REQUEST, FaultKind.LOSE_ANSWER])
def test_a_lost_write_is_never_sent_again(kind) -> None:
    bench = faulty(kind)
    outcomes, _ = bench.run(write())
    assert isinstance(outcomes[0], Unknown)
    assert len(bench.car.sent("2E")) == (1 if kind is FaultKind.LOSE_ANSWER else 0)


@pytest.mark.parametrize("kind", [FaultKind.LOSE_REQUEST, FaultKind.LOSE_ANSWER])
def test_a_block_is_repeated_once_with_the_same_counter(kind) -> None:
    bench = faulty(kind, "36", occurrence=2)
    outcomes, _ = bench.run(download())
    assert outcomes == [Answered(pdu=b"")]
    counters = [pdu[1] for pdu in bench.car.sent("36")]
    wanted = [1, 2, 3, 4] if kind is FaultKind.LOSE_REQUEST else [1, 2, 2, 3, 4]
    assert counters == wanted


def test_something_else_before_the_answer_is_told_and_cleaned_up() -> None:
    bench = faulty(FaultKind.INSERT_BEFORE_ANSWER, data=h("6E0999"))
    outcomes, _ = bench.run(write(), read())
    assert outcomes == [Answered(pdu=h("6E0100")), Answered(pdu=h("62F190") + b"OLD")]
    assert NoteKind.STRAY in bench.kinds()
    assert bench.car.sent("3E00")
