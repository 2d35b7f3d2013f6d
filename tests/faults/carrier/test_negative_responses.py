"""Faults 1 to 13: what each negative response leads to, in virtual time.

Meanings of the codes: ISO 14229-1:2020, table A.1 (names checked in tests/reference/link). What is
done about them is our own rule.
"""

from __future__ import annotations

import itertools

import pytest
from scripted_car import (
    UNLOCKED,
    Bench,
    Keys,
    Script,
    answer_plainly,
    download,
    h,
    read,
    write,
)

from donorfit.diagnostics.conversation import Access, Answered, NotSent, Refused, Unknown
from donorfit.diagnostics.policy import Policy
from donorfit.diagnostics.talk import NoteKind
from donorfit.job.carrier import LockOutsOfThisRun


def test_01_a_busy_unit_is_asked_again_after_growing_pauses() -> None:
    car = Script([("2E", [(0.001, "7F2E21")])] * 5)
    bench = Bench(car)
    outcomes, _took_s = bench.run(write())
    assert outcomes == [Answered(pdu=h("6E0100"))]
    times = [at for at, pdu in car.requests if pdu[0] == 0x2E]
    pauses = [b - a for a, b in itertools.pairwise(times)]
    assert pauses == pytest.approx([0.05, 0.1, 0.2, 0.4, 0.5], abs=0.003)
    # A second copy of the 0x21 must not lead to a second write, so a fence stands before each.
    assert [pdu.hex() for _, pdu in car.requests[1:4]] == ["2e010055", "3e00", "2e010055"]
    assert bench.kinds().count(NoteKind.BUSY) == 5


def test_01_a_unit_that_stays_busy_is_given_up_after_ten() -> None:
    car = Script([("2E", [(0.001, "7F2E21")])] * 50)
    outcomes, took_s = Bench(car).run(write())
    assert outcomes == [Refused(code=0x21)]
    assert len(car.sent("2E")) == 11
    assert took_s < 6


def test_02_response_pending_restarts_the_wait_and_is_shown() -> None:
    pendings = [(4.9 * n, "7F2E78") for n in range(1, 5)]
    pendings[0] = (0.04, "7F2E78")
    car = Script([("2E", [*pendings, (20.0, "6E0100")])])
    bench = Bench(car)
    outcomes, took_s = bench.run(write())
    # 4.9 * 2 - 0.04 is longer than P2* after the first one.
    assert outcomes == [Unknown(why=outcomes[0].why)]
    car = Script([("2E", [(0.04, "7F2E78"), (4.9, "7F2E78"), (9.8, "7F2E78"), (14.0, "6E0100")])])
    bench = Bench(car)
    outcomes, took_s = bench.run(write())
    assert outcomes == [Answered(pdu=h("6E0100"))]
    assert took_s == pytest.approx(14.0, abs=0.01)
    assert bench.kinds().count(NoteKind.RESPONSE_PENDING) == 3
    assert len(car.sent("2E")) == 1


def test_02_a_storm_of_response_pending_ends_at_the_cap_of_the_service() -> None:
    storm = [(0.04 + 1.0 * n, "7F2278") for n in range(500)]
    car = Script([("22", storm)])
    outcomes, took_s = Bench(car).run(read())
    assert isinstance(outcomes[0], Unknown)
    assert "longest time allowed" in outcomes[0].why
    assert 60 <= took_s < 130


def test_02_a_fast_storm_ends_too() -> None:
    storm = [(0.001 * n, "7F2E78") for n in range(1, 20_000)]
    car = Script([("2E", storm)])
    outcomes, _took_s = Bench(car, policy=Policy(pending_cap_other_s=5.0)).run(
        write("2F 01 00 03"), write()
    )
    assert isinstance(outcomes[1], Unknown)


def test_03_silence_after_response_pending_is_unknown_after_p2_star() -> None:
    car = Script([("2E", [(0.04, "7F2E78")])])
    outcomes, took_s = Bench(car).run(write())
    assert isinstance(outcomes[0], Unknown)
    assert "0x78" in outcomes[0].why
    assert took_s == pytest.approx(5.045, abs=0.01)


def test_04_conditions_not_correct_is_told_and_not_repeated() -> None:
    car = Script([("2E", [(0.001, "7F2E22")])])
    outcomes, _ = Bench(car).run(write())
    assert outcomes == [Refused(code=0x22)]
    assert len(car.sent("2E")) == 1


def test_05_security_that_closed_is_opened_once_more() -> None:
    car = Script([("2E", [(0.001, "7F2E33")])])
    outcomes, _ = Bench(car).run(write(access=UNLOCKED))
    assert outcomes == [Answered(pdu=h("6E0100"))]
    assert len(car.sent("2701")) == 2


def test_05_security_that_stays_closed_stops_after_one_more_unlock() -> None:
    car = Script([("2E", [(0.001, "7F2E33")])] * 9)
    outcomes, _ = Bench(car).run(write(access=UNLOCKED))
    assert outcomes == [Refused(code=0x33)]
    assert len(car.sent("2E")) == 2
    assert len(car.sent("2702")) == 2


def test_05_without_a_level_in_the_ask_there_is_nothing_to_open() -> None:
    car = Script([("2E", [(0.001, "7F2E33")])])
    outcomes, _ = Bench(car).run(write())
    assert outcomes == [Refused(code=0x33)]
    assert car.sent("27") == []


def test_06_a_wrong_key_is_never_followed_by_a_second_guess() -> None:
    car = Script()
    bench = Bench(car, keys=Keys(key=b"\x00\x01"))
    outcomes, _ = bench.run(write(access=UNLOCKED), write(access=UNLOCKED), read(access=UNLOCKED))
    assert outcomes[0] == Refused(code=0x35)
    assert all(isinstance(each, NotSent) for each in outcomes[1:])
    assert len(car.sent("2702")) == 1
    assert car.sent("2E") == []


def test_06_a_lost_answer_to_the_key_is_no_reason_for_a_second_key() -> None:
    car = Script([("2702", [])])
    outcomes, _ = Bench(car).run(write(access=UNLOCKED), write(access=UNLOCKED))
    assert all(isinstance(each, NotSent) for each in outcomes)
    assert len(car.sent("2702")) == 1


def test_06_a_key_that_was_taken_though_its_answer_was_lost_is_seen_in_the_seed() -> None:
    car = Script([("2702", [])])
    seeds = iter([h("67011234"), h("67010000")])
    car.otherwise = lambda pdu: next(seeds) if pdu == h("2701") else answer_plainly(pdu)
    outcomes, _ = Bench(car).run(write(access=UNLOCKED), write(access=UNLOCKED))
    assert isinstance(outcomes[0], NotSent)
    assert outcomes[1] == Answered(pdu=h("6E0100"))
    assert len(car.sent("2702")) == 1


def test_06_no_key_and_a_key_source_that_fails_send_nothing() -> None:
    class Failing:
        def compute_key(self, unit, level, seed):
            msg = "dongle missing"
            raise OSError(msg)

    for keys in (Keys(key=None), Failing()):
        car = Script()
        bench = Bench(car, keys=keys)
        outcomes, _ = bench.run(write(access=UNLOCKED))
        assert isinstance(outcomes[0], NotSent)
        assert car.sent("2702") == []
        assert car.sent("2E") == []


@pytest.mark.parametrize("code", ["36", "37"])
def test_07_a_lock_out_is_kept_and_not_knocked_at(code: str) -> None:
    car = Script([("2702", [(0.001, "7F27" + code)])])
    outcomes, _ = Bench(car).run(write(access=UNLOCKED), write(access=UNLOCKED))
    assert outcomes[0] == Refused(code=int(code, 16))
    assert isinstance(outcomes[1], NotSent)
    assert "locked out" in outcomes[1].why
    assert len(car.sent("27")) == 2


def test_07_the_delay_after_power_up_is_waited_out_once() -> None:
    car = Script([("2701", [(0.001, "7F2737")])])
    outcomes, took_s = Bench(car).run(write(access=UNLOCKED))
    assert outcomes == [Answered(pdu=h("6E0100"))]
    assert took_s == pytest.approx(10, abs=0.1)
    car = Script([("2701", [(0.001, "7F2737")])] * 9)
    outcomes, took_s = Bench(car).run(write(access=UNLOCKED))
    assert outcomes == [Refused(code=0x37)]
    assert len(car.sent("2701")) == 2


def test_07_a_lock_out_ends_with_its_time() -> None:
    car = Script([("2702", [(0.001, "7F2736")])])
    bench = Bench(car)

    async def body(carrier):
        first = await carrier.carry(write(access=UNLOCKED))
        await bench.clock.sleep(601)
        # The key itself was not wrong as far as we know; the seed is asked for again.
        await carrier.carry(write(access=UNLOCKED))
        return first

    assert bench.drive(body) == Refused(code=0x36)
    assert len(car.sent("2701")) == 2
    assert len(car.sent("2702")) == 1


def test_07_lock_outs_are_told_apart_by_unit_and_level() -> None:
    bench = Bench(Script())

    async def body(carrier):
        kept = LockOutsOfThisRun(bench.clock)
        kept.set_seconds("a", 1, 10.0)
        assert kept.get_seconds_left("a", 1) == pytest.approx(10.0)
        assert kept.get_seconds_left("a", 3) == 0
        assert kept.get_seconds_left("b", 1) == 0
        await bench.clock.sleep(4)
        assert kept.get_seconds_left("a", 1) == pytest.approx(6.0)

    bench.drive(body)


@pytest.mark.parametrize("code", ["7E", "7F"])
def test_08_a_session_that_fell_back_is_entered_and_unlocked_again(code: str) -> None:
    car = Script()
    bench = Bench(car)

    async def body(carrier):
        await carrier.carry(write(access=UNLOCKED))
        car.entries = [("2E", [(0.001, "7F2E" + code)])]
        return await carrier.carry(write("2E 01 01 66", access=UNLOCKED))

    assert bench.drive(body) == Answered(pdu=h("6E0101"))
    order = [pdu[:2].hex() for _, pdu in car.requests]
    assert order == ["1003", "2701", "2702", "2e01", "2e01", "1003", "2701", "2702", "2e01"]


def test_08_a_service_that_no_session_has_is_refused_after_one_try() -> None:
    car = Script([("2E", [(0.001, "7F2E7F")])] * 9)
    outcomes, _ = Bench(car).run(write(access=UNLOCKED))
    assert outcomes == [Refused(code=0x7F)]
    assert len(car.sent("2E")) == 2


def test_08_the_programming_session_is_entered_through_the_extended_one() -> None:
    car = Script([("1002", [(0.001, "7F107E")])])
    outcomes, _ = Bench(car).run(write(access=Access(session=2)))
    assert outcomes == [Answered(pdu=h("6E0100"))]
    assert [pdu.hex() for _, pdu in car.requests] == ["1002", "1003", "1002", "2e010055"]


@pytest.mark.parametrize("code", [0x31, 0x13, 0x12, 0x11])
def test_09_a_mistake_of_the_plan_is_told_and_not_repeated(code: int) -> None:
    car = Script([("2E", [(0.001, f"7F2E{code:02X}")])])
    outcomes, _ = Bench(car).run(write())
    assert outcomes == [Refused(code=code)]
    assert len(car.sent("2E")) == 1


@pytest.mark.parametrize("code", [0x70, 0x71, 0x72, 0x73])
@pytest.mark.parametrize("service", ["36", "37", "31"])
def test_10_a_download_that_was_broken_off_is_begun_again(code: int, service: str) -> None:
    car = Script([(service, [(0.001, f"7F{service}{code:02X}")])])
    bench = Bench(car)
    outcomes, _ = bench.run(download())
    assert outcomes == [Answered(pdu=b"")]
    assert len(car.sent("34")) == 2
    requests = [pdu[0] for _, pdu in car.requests]
    broken = len(requests) - 1 - requests[::-1].index(0x34)
    # ended, looked at, session and security opened anew, before anything is erased again
    assert requests[:broken][-5:] == [0x37, 0x22, 0x10, 0x27, 0x27]
    failed = [note.text for note in bench.notes if note.kind is NoteKind.DOWNLOAD_FAILED]
    assert any(f"0x{service}" in text and f"0x{code:02X}" in text for text in failed)


@pytest.mark.parametrize("code", [0x70, 0x71, 0x72, 0x73])
@pytest.mark.parametrize("service", ["36", "37", "31"])
def test_10_a_download_that_fails_again_and_again_is_given_up(code: int, service: str) -> None:
    # the 37 that ends what was broken off is refused too
    car = Script([(service, [(0.001, f"7F{service}{code:02X}")])] * (5 if service == "37" else 3))
    outcomes, _ = Bench(car).run(download())
    assert outcomes == [Refused(code=code, erased=True)]
    assert len(car.sent("34")) == 3


@pytest.mark.parametrize("code", [0x70, 0x71, 0x72, 0x73])
def test_10_a_download_that_was_not_accepted_is_not_begun_again(code: int) -> None:
    car = Script([("34", [(0.001, f"7F34{code:02X}")])])
    outcomes, _ = Bench(car).run(download())
    # 0x72 is an error while erasing or programming (ISO 14229-1, table A.1)
    assert outcomes == [Refused(code=code, erased=code == 0x72)]
    assert len(car.sent("34")) == 1


def test_10_a_unit_that_falls_silent_is_not_erased_a_second_time() -> None:
    car = Script([("36", [(0.001, "7F3671")]), ("37", []), ("22F186", []), *[("3E00", [])] * 9])
    outcomes, _ = Bench(car).run(download())
    assert isinstance(outcomes[0], Unknown)
    assert len(car.sent("34")) == 1


@pytest.mark.parametrize("code", [0x24, 0x33, 0x7E, 0x7F])
def test_11_a_transfer_that_the_unit_forgot_is_begun_again_and_not_gone_on_with(code: int) -> None:
    car = Script([("3602", [(0.001, f"7F36{code:02X}")])])
    outcomes, _ = Bench(car).run(download())
    assert outcomes == [Answered(pdu=b"")]
    counters = [pdu[1] for pdu in car.sent("36")]
    assert counters == [1, 2, 1, 2, 3, 4]


@pytest.mark.parametrize("code", [0x92, 0x93])
def test_12_a_block_that_is_refused_for_the_supply_is_sent_again_later(code: int) -> None:
    car = Script([("3602", [(0.001, f"7F36{code:02X}")])] * 3)
    bench = Bench(car)
    outcomes, seconds = bench.run(download())
    assert outcomes == [Answered(pdu=b"")]
    assert [pdu[1] for pdu in car.sent("36")] == [1, 2, 2, 2, 2, 3, 4]
    assert len(car.sent("3E80")) == 3
    assert 6 < seconds < 8
    assert NoteKind.SUPPLY in bench.kinds()


def test_12_a_supply_that_does_not_come_back_ends_the_download() -> None:
    car = Script([("3602", [(0.001, "7F3693")])] * 10_000)
    outcomes, seconds = Bench(car).run(download())
    assert outcomes == [Refused(code=0x93, erased=True)]
    assert 300 < seconds < 330


@pytest.mark.parametrize("code", [0x92, 0x93, *range(0x81, 0x90)])
def test_12_supply_and_vehicle_state_are_told_and_not_repeated(code: int) -> None:
    car = Script([("2E", [(0.001, f"7F2E{code:02X}")])])
    outcomes, _ = Bench(car).run(write())
    assert outcomes == [Refused(code=code)]
    assert len(car.sent("2E")) == 1


@pytest.mark.parametrize("code", [0x00, 0x38, 0x8E, 0x94, 0xF3, 0xFF])
def test_13_an_unknown_code_keeps_its_number(code: int) -> None:
    car = Script([("2E", [(0.001, f"7F2E{code:02X}")])])
    outcomes, _ = Bench(car).run(write())
    assert outcomes == [Refused(code=code)]


@pytest.mark.parametrize("code", ["21", "33", "7E", "7F"])
def test_after_a_response_pending_no_code_proves_that_nothing_was_begun(code: str) -> None:
    car = Script([("2E", [(0.03, "7F2E78"), (1.0, "7F2E" + code)])])
    outcomes, _ = Bench(car).run(write(access=UNLOCKED))
    assert outcomes == [Refused(code=int(code, 16))]
    assert len(car.sent("2E")) == 1
