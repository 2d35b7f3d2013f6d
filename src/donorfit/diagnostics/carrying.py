"""The talk that carries one exchange: access, request, and what a negative response leads to."""

from donorfit.diagnostics.access import Closed, enter_session, open_access
from donorfit.diagnostics.conversation import (
    Access,
    Answered,
    Effect,
    Exchange,
    NotSent,
    Refused,
    Unknown,
)
from donorfit.diagnostics.exchange import Negative, Nothing, Positive, Reply, ask
from donorfit.diagnostics.policy import Reaction
from donorfit.diagnostics.talk import Talk
from donorfit.diagnostics.unit_state import UnitState

Carried = Answered | Refused | NotSent | Unknown


def carry_exchange(unit: UnitState, exchange: Exchange) -> Talk[Carried]:
    """Carry one exchange to its outcome.

    A changing request is sent again only after a negative response that says that it was not
    begun: busyRepeatRequest, security denied, or not in this session, and no response pending
    before it.
    """
    reply = yield from ask_with_access(
        unit,
        exchange.pdu,
        exchange.access,
        changing=exchange.effect is Effect.CHANGING,
    )
    match reply:
        case Closed(outcome=outcome):
            return outcome
        case Positive(pdu=pdu):
            return Answered(pdu=pdu)
        case Negative(code=code):
            return Refused(code=code)
        case Nothing(why=why, left=True):
            return Unknown(why=why)
        case Nothing(why=why):
            return NotSent(why=why)


def ask_with_access(
    unit: UnitState, pdu: bytes, access: Access, *, changing: bool
) -> Talk[Reply | Closed]:
    """Open the access, ask, and once each: enter a lost session, open security that closed."""
    repeats = 0 if changing else unit.policy.reading_repeats
    may_enter = may_unlock = True
    while True:
        closed = yield from open_access(unit, access)
        if closed is not None:
            return closed
        reply = yield from ask(unit, pdu, repeats=repeats, changing=changing)
        if not isinstance(reply, Negative) or reply.begun:
            return reply
        reaction = unit.policy.reactions.get(reply.code)
        if reaction is Reaction.ENTER_ONCE and may_enter:
            may_enter = False
            unit.forget_session()
            closed = yield from enter_session(unit, access.session)
            if closed is not None:
                return closed if closed.gone else reply
        elif reaction is Reaction.UNLOCK_ONCE and may_unlock and access.security_level:
            may_unlock = False
            unit.level = 0
        else:
            return reply
