"""Entering a session and opening security, as talks, before the request that needs them.

A key is sent once. A unit that rejects it, or whose answer to it is lost while security stays
closed, gets no further key from this program run: a second wrong one may lock it for good.
"""

from dataclasses import dataclass

from donorfit.diagnostics.conversation import Access, NotSent, Refused
from donorfit.diagnostics.exchange import Negative, Nothing, Reply, ask
from donorfit.diagnostics.malformed import MalformedError
from donorfit.diagnostics.negative_response import Nrc, describe_negative_response
from donorfit.diagnostics.policy import Reaction
from donorfit.diagnostics.talk import (
    AskKey,
    AskLockOut,
    Gone,
    Key,
    Left,
    NoteKind,
    Rest,
    SetLockOut,
    Talk,
    Tell,
)
from donorfit.diagnostics.uds import (
    Session,
    decode_seed_answer,
    encode_key_request,
    encode_seed_request,
    encode_session_request,
)
from donorfit.diagnostics.unit_state import UnitState


@dataclass(frozen=True, slots=True, kw_only=True)
class Closed:
    """The access could not be had; the request itself was not sent.

    Attributes:
        outcome: what to tell the conversation.
        gone: whether the link is lost.
    """

    outcome: Refused | NotSent
    gone: bool = False


def open_access(unit: UnitState, access: Access) -> Talk[Closed | None]:
    """Session first, then security; None where both are open.

    A request that is content with the default session is sent in whatever session the unit is in.
    """
    if access.session not in {Session.DEFAULT, unit.session}:
        closed = yield from enter_session(unit, access.session)
        if closed is not None:
            return closed
    if access.security_level and unit.level != access.security_level:
        return (yield from _unlock(unit, access.security_level))
    return None


def enter_session(unit: UnitState, session: int) -> Talk[Closed | None]:
    """Ask for a session; where the programming session needs it, through the extended one."""
    repeats = unit.policy.reading_repeats
    reply = yield from ask(unit, encode_session_request(session), repeats=repeats)
    if (
        session == Session.PROGRAMMING
        and isinstance(reply, Negative)
        and unit.policy.reactions.get(reply.code) is Reaction.ENTER_ONCE
    ):
        step = yield from ask(unit, encode_session_request(Session.EXTENDED), repeats=repeats)
        if isinstance(step, Negative | Nothing):
            return _close(step, f"session {Session.EXTENDED} was not entered")
        reply = yield from ask(unit, encode_session_request(session), repeats=repeats)
    if isinstance(reply, Negative | Nothing):
        unit.forget_session()
        return _close(reply, f"session {session} was not entered")
    yield Tell(kind=NoteKind.SESSION, text=f"session {session}")
    return None


def _unlock(unit: UnitState, level: int) -> Talk[Closed | None]:
    left = yield AskLockOut(level=level)
    if isinstance(left, Left) and left.seconds > 0:
        why = f"security level {level} is locked out for another {left.seconds:.0f} s"
        yield Tell(kind=NoteKind.LOCKED_OUT, text=why)
        return Closed(outcome=NotSent(why=why))
    reply = yield from _ask_seed(unit, level)
    if isinstance(reply, Closed):
        return reply
    seed = reply
    if not any(seed):
        unit.level = level
        return None
    if level in unit.rejected_levels:
        why = f"a key for security level {level} was not accepted; no second one is tried"
        return Closed(outcome=NotSent(why=why))
    answer = yield AskKey(level=level, seed=seed)
    key = answer.key if isinstance(answer, Key) else None
    if key is None:
        why = f"no key source gave a key for security level {level} (--keys FILE)"
        return Closed(outcome=NotSent(why=why))
    return (yield from _send_key(unit, level, key))


def _ask_seed(unit: UnitState, level: int) -> Talk[bytes | Closed]:
    waited = False
    while True:
        reply = yield from ask(
            unit, encode_seed_request(level), repeats=unit.policy.reading_repeats
        )
        if isinstance(reply, Nothing):
            return _close(reply, f"no seed for security level {level}")
        if not isinstance(reply, Negative):
            try:
                return decode_seed_answer(reply.pdu)
            except MalformedError as error:
                return Closed(outcome=NotSent(why=error.what))
        delay = reply.code == Nrc.REQUIRED_TIME_DELAY_NOT_EXPIRED
        if not delay or waited:
            return (yield from _take_refusal(unit, level, reply.code))
        waited = True
        seconds = unit.policy.key_delay_s
        name = describe_negative_response(reply.code)
        yield Tell(kind=NoteKind.SECURITY_WAIT, text=f"{name}: waiting {seconds:.0f} s")
        rested = yield Rest(seconds=seconds)
        if isinstance(rested, Gone):
            return Closed(outcome=NotSent(why=rested.why), gone=True)


def _send_key(unit: UnitState, level: int, key: bytes) -> Talk[Closed | None]:
    # Put down before it is sent, so that a talk that is broken off counts as a rejected key. If
    # the unit took it after all, the next seed is all zeros and says so.
    unit.rejected_levels.add(level)
    reply = yield from ask(unit, encode_key_request(level, key), repeats=0, changing=True)
    if isinstance(reply, Negative):
        return (yield from _take_refusal(unit, level, reply.code))
    if isinstance(reply, Nothing):
        if not reply.left:
            unit.rejected_levels.discard(level)
        return _close(reply, f"security level {level} may still be closed")
    unit.rejected_levels.discard(level)
    unit.level = level
    yield Tell(kind=NoteKind.SECURITY, text=f"security level {level}")
    return None


def _take_refusal(unit: UnitState, level: int, code: int) -> Talk[Closed]:
    locks = code in {Nrc.EXCEED_NUMBER_OF_ATTEMPTS, Nrc.REQUIRED_TIME_DELAY_NOT_EXPIRED}
    if locks:
        seconds = unit.policy.lock_out_s
        yield SetLockOut(level=level, seconds=seconds)
        name = describe_negative_response(code)
        yield Tell(
            kind=NoteKind.LOCKED_OUT,
            text=f"{name}: security level {level} is left alone for {seconds:.0f} s",
        )
    return Closed(outcome=Refused(code=code))


def _close(reply: Reply, what: str) -> Closed:
    match reply:
        case Negative(code=code):
            return Closed(outcome=Refused(code=code))
        case Nothing(why=why, gone=gone):
            return Closed(outcome=NotSent(why=f"{what}: {why}"), gone=gone)
        case _:
            return Closed(outcome=NotSent(why=what))
