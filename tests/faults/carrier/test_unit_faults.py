"""Faults 25 to 32: what a control unit does to a session, in virtual time."""

from __future__ import annotations

import asyncio
import itertools
import zlib

import pytest
from scripted_car import (
    PROGRAMMING,
    UNLOCKED,
    Bench,
    Script,
    answer_plainly,
    download,
    h,
    read,
    write,
)

from donorfit.diagnostics.conversation import Answered, Exchange, Refused, Unknown
from donorfit.diagnostics.talk import NoteKind


class Memory(Script):
    """A unit that keeps what is written, may store something else, and may reset."""

    def __init__(self, *, stores=lambda data: data, **options) -> None:
        super().__init__(**options)
        self.stored = {b"\x01\x00": b"\x11"}
        self.session = 1
        self.resets_at_write = False
        self.otherwise = self._answer
        self._stores = stores

    def _answer(self, pdu: bytes) -> bytes | None:
        if pdu[0] == 0x10:
            self.session = pdu[1]
        if pdu[0] == 0x2E:
            if self.session == 1:
                return h("7F2E7F")
            self.stored[pdu[1:3]] = self._stores(pdu[3:])
            if self.resets_at_write:
                self.session, self.resets_at_write = 1, False
                return None
        if pdu[0] == 0x22 and pdu[1:3] in self.stored:
            return b"\x62" + pdu[1:3] + self.stored[pdu[1:3]]
        return answer_plainly(pdu)


def test_25_a_reset_instead_of_the_answer_is_unknown_and_the_look_shows_it() -> None:
    car = Memory()
    car.resets_at_write = True
    outcomes, _ = Bench(car).run(write(access=UNLOCKED), read(0x0100))
    assert isinstance(outcomes[0], Unknown)
    assert outcomes[1] == Answered(pdu=h("62010055"))
    assert len(car.sent("2E")) == 1


def test_25_after_the_reset_session_and_security_are_opened_again() -> None:
    car = Memory()
    car.resets_at_write = True
    outcomes, _ = Bench(car).run(write(access=UNLOCKED), write("2E 01 00 66", access=UNLOCKED))
    assert outcomes[1] == Answered(pdu=h("6E0100"))
    assert len(car.sent("1003")) == 2


def test_26_what_is_read_back_is_what_the_unit_has_now() -> None:
    car = Memory(stores=lambda data: bytes((data[0] & 0xF0,)))
    outcomes, _ = Bench(car).run(write(access=UNLOCKED), read(0x0100), read(0x0100))
    assert outcomes[1] == outcomes[2] == Answered(pdu=h("62010050"))
    # Nothing is answered from memory of ours: each look is a request.
    assert len(car.sent("220100")) == 2


def test_27_a_unit_left_in_its_boot_loader_takes_the_download_again() -> None:
    car = Script([("36", []), ("36", [])])
    bench = Bench(car)
    outcomes, _ = bench.run(download(), download())
    assert isinstance(outcomes[0], Unknown)
    assert outcomes[1] == Answered(pdu=b"")
    assert len(car.sent("34")) == 2


@pytest.mark.parametrize(("blocks", "last"), [(255, 0xFF), (256, 0x00), (257, 0x01), (600, 88)])
def test_28_the_block_counter_goes_on_after_ff_with_00(blocks: int, last: int) -> None:
    car = Script()
    outcomes, _ = Bench(car).run(download(16 * blocks))
    assert outcomes == [Answered(pdu=b"")]
    counters = [pdu[1] for pdu in car.sent("36")]
    assert counters == [(n + 1) & 0xFF for n in range(blocks)]
    assert counters[-1] == last


def test_28_a_block_that_the_unit_counts_differently_ends_the_download() -> None:
    car = Script([("3601", [(0.001, "7602")])])
    bench = Bench(car)
    outcomes, _ = bench.run(download())
    # The wrong echo is no answer; the same block is asked once more and goes well.
    assert outcomes == [Answered(pdu=b"")]
    car = Script([("3602", [(0.001, "7F3673")])])
    outcomes, _ = Bench(car).run(download())
    # Refused with 0x73, it is begun again from the erasing on.
    assert outcomes == [Answered(pdu=b"")]
    assert len(car.sent("34")) == 2


def test_28_every_byte_arrives_once_and_in_order() -> None:
    car = Script()
    ask = download(1000)
    Bench(car).run(ask)
    assert b"".join(pdu[2:] for pdu in car.sent("36")) == ask.data
    assert max(len(pdu) for pdu in car.sent("36")) == 0x12
    check = car.sent("3101FF01")[0]
    # CRC-32 of zlib over the whole block.

    assert check[4:] == zlib.crc32(ask.data).to_bytes(4, "big")


def test_28_a_check_that_disagrees_refuses_the_download() -> None:
    for answer in ("7101FF0101", "7101FF01"):
        car = Script([("3101", [(0.001, answer)])])
        bench = Bench(car)
        outcomes, _ = bench.run(download())
        assert outcomes == [Refused(code=0x72, erased=True)]
        failed = [note.text for note in bench.notes if note.kind is NoteKind.DOWNLOAD_FAILED]
        assert any("disagrees" in text for text in failed)


@pytest.mark.parametrize("answer", ["7420", "74200002", "7400", "74F0"])
def test_28_an_absurd_block_length_is_told_and_nothing_is_transferred(answer: str) -> None:
    car = Script([("34", [(0.001, answer)])])
    outcomes, _ = Bench(car).run(download())
    assert isinstance(outcomes[0], Unknown)
    assert car.sent("36") == []


@pytest.mark.parametrize("block_s", [0.001, 0.02, 0.05])
def test_28_progress_is_told_in_bytes(block_s: float) -> None:
    entries = [("36", [(block_s, f"76{n & 0xFF:02X}")]) for n in range(1, 301)]
    bench = Bench(Script(entries))
    bench.run(download(16 * 300))
    notes = [note for note in bench.notes if note.kind is NoteKind.PROGRESS]
    told = [(note.done, note.total) for note in notes]
    assert told[-1] == (4800, 4800)
    assert len(told) <= 101
    assert told == sorted(told)
    # a hundredth is three blocks; else it is told as long as blocks follow each other unseen
    longest_s = max(3 * block_s, 0.25) + 2 * block_s
    assert all(b.at_s - a.at_s <= longest_s for a, b in itertools.pairwise(notes))


def test_29_another_unit_in_its_place_is_seen_by_its_own_answer() -> None:
    car = Script()
    bench = Bench(car)
    serials = {"now": b"AAAA"}
    car.otherwise = lambda pdu: (
        b"\x62\xf1\x8c" + serials["now"] if pdu[:3] == h("22F18C") else answer_plainly(pdu)
    )

    async def body(carrier):
        first = await carrier.carry(read(0xF18C))
        serials["now"] = b"BBBB"
        return first, await carrier.carry(read(0xF18C))

    first, second = bench.drive(body)
    assert first != second


def test_30_a_unit_that_sleeps_is_noticed_soon_and_asked_again_when_it_wakes() -> None:
    car = Script(otherwise=lambda pdu: None)
    bench = Bench(car)

    async def body(carrier):
        asleep = await carrier.carry(read())
        took_s = bench.clock.now()
        car.otherwise = answer_plainly
        return asleep, took_s, await carrier.carry(read())

    asleep, took_s, awake = bench.drive(body)
    assert isinstance(asleep, Unknown)
    assert took_s < 2
    assert isinstance(awake, Answered)


def test_30_a_missing_unit_costs_less_the_second_time() -> None:
    car = Script(otherwise=lambda pdu: None)
    bench = Bench(car)

    async def body(carrier):
        times = [bench.clock.now()]
        for identifier in range(0xF187, 0xF18C):
            await carrier.carry(read(identifier))
            times.append(bench.clock.now())
        return [b - a for a, b in itertools.pairwise(times)]

    took_s = bench.drive(body)
    assert max(took_s[1:]) < 0.1


def test_30_missing_units_do_not_hold_up_the_others() -> None:
    car = Script()
    car.otherwise = answer_plainly
    bench = Bench(car)
    silent = 0x1090

    def handle(target, pdu, now_s, answer=car.handle):
        return () if target == silent else answer(target, pdu, now_s)

    car.handle = handle

    async def body(carrier):
        missing = asyncio.ensure_future(carrier.carry(read(address=silent)))
        for unit in range(0x1071, 0x1081):
            assert isinstance(await carrier.carry(read(address=unit)), Answered)
        took_s = bench.clock.now()
        await missing
        return took_s

    assert bench.drive(body) < 0.05


def test_31_two_readings_of_the_fault_memory_are_two_requests() -> None:
    lists = iter(["5902FF0123002F", "5902FF0123002F9A12342F"])
    car = Script(otherwise=lambda pdu: h(next(lists)) if pdu[0] == 0x19 else answer_plainly(pdu))
    ask = read()
    ask = Exchange(
        unit=ask.unit, address=ask.address, pdu=h("1902FF"), effect=ask.effect, what="faults"
    )
    outcomes, _ = Bench(car).run(ask, ask)
    assert len(outcomes[0].pdu) == 7
    assert len(outcomes[1].pdu) == 11
    # The same question twice: a fence keeps a second copy of the first answer out.
    assert [pdu.hex() for _, pdu in car.requests] == ["1902ff", "3e00", "1902ff"]


def test_32_a_session_survives_a_minute_of_thinking() -> None:
    car = Memory()
    last = {"at": 0.0}
    plain = car.otherwise

    def forgetful(pdu):
        now = car.requests[-1][0]
        if now - last["at"] > 5.0:
            car.session = 1
        last["at"] = now
        return plain(pdu)

    car.otherwise = forgetful
    bench = Bench(car)

    async def body(carrier):
        await carrier.carry(write(access=UNLOCKED))
        await bench.clock.sleep(60)
        return await carrier.carry(write("2E 01 00 66", access=UNLOCKED))

    assert bench.drive(body) == Answered(pdu=h("6E0100"))
    assert len(car.sent("1003")) == 1


def test_a_reset_that_was_asked_for_means_default_session_and_closed_security() -> None:
    car = Script()
    reset = write("11 01", access=PROGRAMMING)
    outcomes, _ = Bench(car).run(reset, write(access=UNLOCKED))
    assert all(isinstance(each, Answered) for each in outcomes)
    assert [pdu[:2].hex() for _, pdu in car.requests] == [
        "1002",
        "2701",
        "2702",
        "1101",
        "1003",
        "2701",
        "2702",
        "2e01",
    ]


def test_p2_and_p2_star_come_from_the_units_own_answer() -> None:
    # 300 ms and 20 s: 012C, 07D0.
    car = Script([("1003", [(0.001, "5003012C07D0")]), ("2E", [(0.29, "7F2E78"), (19, "6E0100")])])
    outcomes, _ = Bench(car).run(write(access=UNLOCKED))
    assert outcomes == [Answered(pdu=h("6E0100"))]


def test_absurd_times_in_the_answer_are_bounded() -> None:
    # 65.5 s and 655 s would hang; zero would never wait.
    car = Script([("1003", [(0.001, "5003FFFFFFFF")]), ("2E", [])])
    outcomes, took_s = Bench(car).run(write(access=UNLOCKED))
    assert isinstance(outcomes[0], Unknown)
    assert took_s < 11
    car = Script([("1003", [(0.001, "500300000000")]), ("2E", [(0.04, "6E0100")])])
    outcomes, _ = Bench(car).run(write(access=UNLOCKED))
    assert outcomes == [Answered(pdu=h("6E0100"))]


def test_a_session_answer_without_its_number_is_accepted() -> None:
    # Seen in an ODX data set written by others.
    car = Script([("1003", [(0.001, "50")])])
    outcomes, _ = Bench(car).run(write(access=UNLOCKED))
    assert outcomes == [Answered(pdu=h("6E0100"))]


def test_a_request_that_forbids_its_answer_is_done_when_nothing_objects() -> None:
    car = Script()
    outcomes, _took_s = Bench(car).run(write("3E 80"), write("85 82"))
    assert outcomes == [Answered(pdu=b""), Answered(pdu=b"")]
    car = Script([("8582", [(0.001, "7F8522")])])
    outcomes, _ = Bench(car).run(write("85 82"))
    assert outcomes == [Refused(code=0x22)]
