"""Talks alone: no clock, no loop, no link; events in, steps out."""

from __future__ import annotations

import pytest

from donorfit.diagnostics.access import Closed, open_access
from donorfit.diagnostics.carrying import carry_exchange
from donorfit.diagnostics.conversation import (
    Access,
    Answered,
    Effect,
    Exchange,
    NotSent,
    Refused,
    Unknown,
)
from donorfit.diagnostics.exchange import fence
from donorfit.diagnostics.matching import Expectation, Match
from donorfit.diagnostics.policy import DEFAULT, EchoRule, Policy
from donorfit.diagnostics.talk import (
    AskKey,
    AskLockOut,
    Elapsed,
    Failed,
    Gone,
    Heard,
    Key,
    Left,
    Listen,
    SetLockOut,
    Taken,
    Tell,
    Told,
    Transmit,
)
from donorfit.diagnostics.unit_state import UnitState
from donorfit.vehicle.identity import Address, UnitId


def h(text: str) -> bytes:
    return bytes.fromhex(text)


def play(talk, *events):
    """Give events to a talk; steps that it asked for and its result, None while unfinished."""
    steps, queue = [], list(events)
    event = None
    try:
        while True:
            step = talk.send(event)
            if isinstance(step, Tell | SetLockOut):
                event = Told()
                steps.append(step)
                continue
            steps.append(step)
            if not queue:
                return steps, None
            event = queue.pop(0)
    except StopIteration as stop:
        assert queue == []
        return steps, stop.value


def unit() -> UnitState:
    """A unit that has been heard already, so that its first write needs no fence."""
    state = UnitState(DEFAULT, 0.01)
    state.take_fence()
    return state


def ask(pdu: str, *, effect=Effect.CHANGING, access: Access | None = None) -> Exchange:
    return Exchange(
        unit=UnitId("unit"),
        address=Address(0x1071),
        pdu=h(pdu),
        effect=effect,
        what="ask",
        access=access or Access(),
    )


def test_a_request_waits_p2_and_what_the_link_adds() -> None:
    talk = carry_exchange(unit(), ask("2E010055"))
    steps, result = play(talk, Taken(at_s=7.0), Heard(pdu=h("6E0100"), at_s=7.01))
    assert steps == [Transmit(pdu=h("2E010055")), Listen(until_s=pytest.approx(7.06))]
    assert result == Answered(pdu=h("6E0100"))


def test_response_pending_waits_p2_star_from_its_own_arrival() -> None:
    talk = carry_exchange(unit(), ask("2E010055"))
    steps, result = play(
        talk, Taken(at_s=0.0), Heard(pdu=h("7F2E78"), at_s=0.04), Heard(pdu=h("6E0100"), at_s=3.0)
    )
    waits = [step.until_s for step in steps if isinstance(step, Listen)]
    assert waits == pytest.approx([0.06, 5.05])
    assert result == Answered(pdu=h("6E0100"))


@pytest.mark.parametrize(
    ("event", "kind"),
    [
        (Failed(why="refused", may_have_left=False, gone=False), NotSent),
        (Failed(why="unconfirmed", may_have_left=True, gone=False), Unknown),
        (Failed(why="lost", may_have_left=True, gone=True), Unknown),
    ],
)
def test_a_link_that_fails_says_whether_the_unit_may_have_it(event, kind) -> None:
    state = unit()
    _, result = play(carry_exchange(state, ask("2E010055")), event)
    assert isinstance(result, kind)
    assert state.dirty is event.may_have_left


def test_the_first_write_to_a_unit_goes_behind_a_fence() -> None:
    # Something may still be under way from before the link was lost and opened again.
    talk = carry_exchange(UnitState(DEFAULT, 0.01), ask("2E010055"))
    steps, result = play(
        talk,
        Taken(at_s=0.0),
        Heard(pdu=h("6E0100"), at_s=0.001),
        Heard(pdu=h("7E00"), at_s=0.002),
        Taken(at_s=1.0),
        Heard(pdu=h("7F2E72"), at_s=1.001),
    )
    assert [step.pdu for step in steps if isinstance(step, Transmit)] == [h("3E00"), h("2E010055")]
    assert result == Refused(code=0x72)


def test_losing_the_link_while_waiting_is_unknown() -> None:
    talk = carry_exchange(unit(), ask("2E010055"))
    _, result = play(talk, Taken(at_s=0.0), Gone(why="cut"))
    assert result == Unknown(why="cut")


def test_a_reading_that_was_not_answered_goes_behind_a_fence_once() -> None:
    state = unit()
    talk = carry_exchange(state, ask("22F190", effect=Effect.READING))
    steps, result = play(
        talk,
        Taken(at_s=0.0),
        Elapsed(),
        Taken(at_s=1.0),
        Heard(pdu=h("62F19041"), at_s=1.001),
        Heard(pdu=h("7E00"), at_s=1.002),
        Taken(at_s=2.0),
        Heard(pdu=h("62F19042"), at_s=2.001),
    )
    sent = [step.pdu for step in steps if isinstance(step, Transmit)]
    assert sent == [h("22F190"), h("3E00"), h("22F190")]
    assert result == Answered(pdu=h("62F19042"))
    assert not state.dirty


def test_a_fence_takes_any_answer_to_tester_present_as_proof_of_order() -> None:
    for answer in ("7E00", "7F3E7F", "7F3E11"):
        state = unit()
        state.dirty = True
        _, result = play(fence(state), Taken(at_s=0.0), Heard(pdu=h(answer), at_s=0.001))
        assert result is None
        assert not state.dirty


def test_security_asks_lock_out_seed_and_key_in_this_order() -> None:
    state = unit()
    talk = open_access(state, Access(security_level=3))
    steps, result = play(
        talk,
        Left(seconds=0.0),
        Taken(at_s=0.0),
        Heard(pdu=h("6703AABB"), at_s=0.001),
        Key(key=b"\x01"),
        Taken(at_s=0.0),
        Heard(pdu=h("6704"), at_s=0.001),
    )
    kinds = [type(step) for step in steps if not isinstance(step, Tell)]
    assert kinds == [AskLockOut, Transmit, Listen, AskKey, Transmit, Listen]
    assert result is None
    assert state.level == 3


def test_a_seed_of_zeros_means_that_security_is_open() -> None:
    state = unit()
    talk = open_access(state, Access(security_level=1))
    _, result = play(
        talk, Left(seconds=0.0), Taken(at_s=0.0), Heard(pdu=h("67010000"), at_s=0.001)
    )
    assert result is None
    assert state.level == 1


def test_too_many_attempts_are_written_down() -> None:
    state = unit()
    talk = open_access(state, Access(security_level=1))
    steps, result = play(
        talk, Left(seconds=0.0), Taken(at_s=0.0), Heard(pdu=h("7F2736"), at_s=0.001)
    )
    assert SetLockOut(level=1, seconds=DEFAULT.lock_out_s) in steps
    assert result == Closed(outcome=Refused(code=0x36))


def test_what_an_answer_repeats_is_data() -> None:
    strict = Expectation(h("1003"), DEFAULT.__class__(echo={0x10: EchoRule(length_bytes=1)}))
    assert strict.match(h("50")) is Match.OTHER
    assert Expectation(h("1003"), DEFAULT).match(h("50")) is Match.POSITIVE
    assert Expectation(h("1003"), DEFAULT).match(h("5002")) is Match.OTHER
    loose = Policy(echo={})
    assert Expectation(h("22F190"), loose).match(h("62F18741")) is Match.POSITIVE


def test_the_suppress_bit_is_not_repeated() -> None:
    expectation = Expectation(h("3181FF01"), DEFAULT)
    assert expectation.silent
    assert expectation.match(h("7101FF0100")) is Match.POSITIVE
