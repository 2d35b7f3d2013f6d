"""Which known fault codes the work explains, and which should be gone after it."""

from collections.abc import Collection, Iterable

from donorfit.faults.causes import ActiveCause, find_match
from donorfit.records.plan import ExpectedFault, FaultPhase
from donorfit.vehicle.fault import KnownFault
from donorfit.vehicle.identity import FaultCode, UnitId


def _expect(
    fault: KnownFault,
    *,
    now: Collection[ActiveCause],
    during: Collection[ActiveCause],
    after: Collection[ActiveCause],
    seen: bool,
) -> ExpectedFault | None:
    if find_match(fault, after) is not None:
        return None
    cause_now, cause_during = find_match(fault, now), find_match(fault, during)
    cause = cause_now or cause_during
    if cause is None:
        return None
    gone = cause_now is not None and seen
    return ExpectedFault(
        unit=fault.unit,
        code=fault.code,
        title=fault.title,
        phase=FaultPhase.GONE_AFTER if gone else FaultPhase.DURING,
        cause=cause.text,
    )


def expect_faults(
    known: Iterable[KnownFault],
    *,
    now: Collection[ActiveCause],
    during: Collection[ActiveCause],
    after: Collection[ActiveCause],
    seen: Collection[tuple[UnitId, FaultCode]],
    unread: Collection[UnitId] = (),
) -> tuple[ExpectedFault, ...]:
    """Expected fault codes, in the pack's order.

    A code with a cause at work now, that none of its causes outlasts, should be gone afterwards
    where it was seen (or where its unit's codes were not read). A code that was not seen, or whose
    cause is only at work during the session, may come up meanwhile. A code with a cause that is
    still at work after the plan is not promised at all.
    """
    found = (
        _expect(
            fault,
            now=now,
            during=during,
            after=after,
            seen=(fault.unit, fault.code) in seen or fault.unit in unread,
        )
        for fault in known
    )
    return tuple(each for each in found if each is not None)
