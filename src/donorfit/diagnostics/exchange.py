"""One request and its answer, as a talk: waiting, response pending, busy, fence.

The *fence* keeps late answers out. After an answer that stayed away nothing tells a late one from
the answer to the next request. A unit answers in the order it was asked, so ``3E 00`` is sent and
everything is thrown away until its answer comes; then the line is clean.
"""

from dataclasses import dataclass
from typing import NamedTuple

from donorfit.diagnostics.matching import Expectation, Match
from donorfit.diagnostics.negative_response import (
    Nrc,
    decode_negative_response,
    describe_negative_response,
)
from donorfit.diagnostics.policy import Reaction
from donorfit.diagnostics.talk import (
    Failed,
    Gone,
    Heard,
    Listen,
    NoteKind,
    Rest,
    Taken,
    Talk,
    Tell,
    Transmit,
)
from donorfit.diagnostics.uds import Service, encode_tester_present
from donorfit.diagnostics.unit_state import UnitState

_FENCE = encode_tester_present(suppress=False)
_FENCE_ANSWER = 0x7E
_FENCE_GROWTH = 4
_PENDING = describe_negative_response(Nrc.REQUEST_CORRECTLY_RECEIVED_RESPONSE_PENDING)


class Positive(NamedTuple):
    """The positive answer; empty where the request forbade one. A tuple: one comes a block."""

    pdu: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class Negative:
    """A negative response.

    Attributes:
        code: negative response code.
        begun: whether a response pending came before, so that the unit may have begun.
    """

    code: int
    begun: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Nothing:
    """No answer.

    Attributes:
        why: the reason.
        left: whether the unit may have the request.
        gone: whether the link is lost.
    """

    why: str
    left: bool
    gone: bool = False


Reply = Positive | Negative | Nothing


def converse(unit: UnitState, pdu: bytes, expectation: Expectation) -> Talk[Reply]:
    """Send once and wait for the answer; response pending restarts the wait with P2*."""
    taken = yield Transmit(pdu=pdu)
    assert isinstance(taken, Taken | Failed)  # noqa: S101 - the driver's contract
    return (yield from await_answer(unit, pdu, expectation, taken))


def await_answer(  # noqa: PLR0911 - one return a way to end
    unit: UnitState, pdu: bytes, expectation: Expectation, taken: Taken | Failed
) -> Talk[Reply]:
    """Wait for the answer to what the link has taken, or has not."""
    if isinstance(taken, Failed):
        unit.dirty = unit.dirty or taken.may_have_left
        return Nothing(why=taken.why, left=taken.may_have_left, gone=taken.gone)
    until_s = taken.at_s + unit.first_wait_s
    while True:
        event = yield Listen(until_s=until_s)
        if isinstance(event, Gone):
            return Nothing(why=event.why, left=True, gone=True)
        if not isinstance(event, Heard):
            if not expectation.silent:
                return (yield from _miss(unit, f"no answer within {_in_ms(unit.first_wait_s)}"))
            unit.take_positive(pdu, b"", expectation)
            return Positive(pdu=b"")
        match expectation.match(event.pdu):
            case Match.POSITIVE:
                unit.take_positive(pdu, event.pdu, expectation)
                return Positive(pdu=event.pdu)
            case Match.NEGATIVE if _is_pending(unit, event.pdu):
                return (yield from _await_pending(unit, pdu, expectation, taken.at_s, event.at_s))
            case Match.NEGATIVE:
                unit.take_negative(expectation)
                return Negative(code=event.pdu[2], begun=False)
            case Match.OTHER:
                yield _take_stray(unit, pdu, event.pdu)


def _await_pending(
    unit: UnitState, pdu: bytes, expectation: Expectation, began_s: float, heard_s: float
) -> Talk[Reply]:
    """After the first 0x78: each one restarts the wait with P2*, up to the cap of the service."""
    policy = unit.policy
    give_up_s = began_s + policy.pending_cap_s.get(expectation.service, policy.pending_cap_other_s)
    pendings = 1
    while heard_s < give_up_s:
        if pendings > 1 or expectation.service != Service.TRANSFER_DATA:
            # A unit that writes a block asks for time each time, and its progress is told.
            yield _tell_pending(expectation.service, pendings, heard_s - began_s)
        until_s = min(heard_s + unit.next_wait_s, give_up_s)
        event = yield Listen(until_s=until_s)
        while isinstance(event, Heard) and expectation.match(event.pdu) is Match.OTHER:
            yield _take_stray(unit, pdu, event.pdu)
            event = yield Listen(until_s=until_s)
        if isinstance(event, Gone):
            return Nothing(why=event.why, left=True, gone=True)
        if not isinstance(event, Heard):
            if until_s >= give_up_s:
                break
            why = f"{_PENDING} {pendings} times, then no answer within {unit.next_wait_s:.1f} s"
            return (yield from _miss(unit, why))
        if expectation.match(event.pdu) is Match.POSITIVE:
            unit.take_positive(pdu, event.pdu, expectation)
            return Positive(pdu=event.pdu)
        if not _is_pending(unit, event.pdu):
            unit.take_negative(expectation)
            return Negative(code=event.pdu[2], begun=True)
        pendings += 1
        heard_s = event.at_s
    why = f"still {_PENDING} at the longest time allowed, {give_up_s - began_s:.0f} s"
    return (yield from _miss(unit, why))


def _is_pending(unit: UnitState, negative: bytes) -> bool:
    return unit.policy.reactions.get(negative[2]) is Reaction.WAIT


def _take_stray(unit: UnitState, request: bytes, stray: bytes) -> Tell:
    # What belongs to nobody may be a late answer: clean up before going on.
    unit.dirty = True
    shown, asked = stray[:8].hex(" ").upper(), request[:4].hex(" ").upper()
    return Tell(kind=NoteKind.STRAY, text=f"{shown or 'nothing'} does not answer {asked}")


def _miss(unit: UnitState, why: str) -> Talk[Nothing]:
    unit.dirty = True
    yield Tell(kind=NoteKind.NO_ANSWER, text=why)
    return Nothing(why=why, left=True)


def ask(unit: UnitState, pdu: bytes, *, repeats: int, changing: bool = False) -> Talk[Reply]:
    """Send and wait, behind a fence where one is needed; ask again where that is safe.

    Safe is: the unit said busyRepeatRequest (so it did nothing), or the caller allows ``repeats``.
    """
    policy = unit.policy
    expectation = Expectation(pdu, policy)
    busy = 0
    pause_s = policy.busy_first_s
    unanswered: Nothing | None = None
    while True:
        if unit.dirty or unit.can_be_confused(expectation, changing=changing):
            blocked = yield from fence(unit)
            if blocked is not None:
                return blocked if unanswered is None else unanswered
        reply = yield from converse(unit, pdu, expectation)
        if isinstance(reply, Nothing) and repeats and not reply.gone:
            repeats -= 1
            unanswered = reply if reply.left else None
            yield Tell(kind=NoteKind.REPEATED, text=f"{pdu[:4].hex(' ').upper()} once more")
        elif (
            isinstance(reply, Negative)
            and not reply.begun
            and policy.reactions.get(reply.code) is Reaction.BACK_OFF
            and busy < policy.busy_tries
        ):
            busy += 1
            yield Tell(kind=NoteKind.BUSY, text=f"busy, asked again in {_in_ms(pause_s)}")
            rested = yield Rest(seconds=pause_s)
            if isinstance(rested, Gone):
                return Nothing(why=rested.why, left=False, gone=True)
            pause_s = min(pause_s * 2, policy.busy_longest_s)
        else:
            return reply


def fence(unit: UnitState) -> Talk[Nothing | None]:
    """Throw everything away until the unit answers ``3E 00``; None where the line is clean."""
    yield Tell(kind=NoteKind.FENCE, text="3E 00, so that no late answer is taken for a new one")
    wait_s = unit.first_wait_s
    tries = 1 if unit.unreachable else unit.policy.fence_tries
    give_up_s: float | None = None
    for _ in range(tries):
        taken = yield Transmit(pdu=_FENCE)
        if isinstance(taken, Failed):
            if taken.gone or not taken.may_have_left:
                return Nothing(why=taken.why, left=False, gone=taken.gone)
            unit.fences_out += 1
            continue
        assert isinstance(taken, Taken)  # noqa: S101 - the driver's contract
        unit.fences_out += 1
        if give_up_s is None:
            give_up_s = taken.at_s + unit.policy.pending_cap_other_s
        passed = yield from _await_fence(unit, taken.at_s + wait_s, give_up_s)
        if isinstance(passed, Nothing):
            return passed
        if passed:
            unit.take_fence()
            return None
        wait_s *= _FENCE_GROWTH
    unit.unreachable = True
    why = "an earlier answer stayed out and the unit does not answer 3E 00 either"
    return Nothing(why=why, left=False)


def _await_fence(unit: UnitState, until_s: float, give_up_s: float) -> Talk[bool | Nothing]:
    passed = False
    while True:
        event = yield Listen(until_s=until_s)
        if isinstance(event, Gone):
            return Nothing(why=event.why, left=False, gone=True)
        if not isinstance(event, Heard):
            return passed
        negative = decode_negative_response(event.pdu)
        if negative is not None and unit.policy.reactions.get(negative.code) is Reaction.WAIT:
            # The unit is still at work, on the old request or on the fence.
            until_s = min(event.at_s + unit.next_wait_s, give_up_s)
            continue
        answers = event.pdu[:1] == bytes((_FENCE_ANSWER,))
        refused = negative is not None and negative.service == Service.TESTER_PRESENT
        if not answers and not refused:
            continue
        unit.fences_out = max(0, unit.fences_out - 1)
        if negative is not None and negative.code == Nrc.BUSY_REPEAT_REQUEST:
            yield Rest(seconds=unit.policy.busy_first_s)
            return False
        passed = True
        if unit.fences_out == 0:
            return True
        # An answer to an earlier fence may be under way; give it time, so that it is not taken
        # for the answer to a later one.
        until_s = max(until_s, event.at_s + unit.first_wait_s)


def _tell_pending(service: int, count: int, waited_s: float) -> Tell:
    seconds, times = f"{waited_s:.1f}", f"{count} times" if count > 1 else "once"
    after = "" if seconds == "0.0" else f" after {seconds} s"
    text = f"service {service:02X} is still at work{after} (0x78, {times})"
    return Tell(kind=NoteKind.RESPONSE_PENDING, text=text)


def _in_ms(seconds: float) -> str:
    return f"{seconds * 1000:.0f} ms"
