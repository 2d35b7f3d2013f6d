"""Fault codes that are there now: which of them are no surprise, and which are worth a look."""

from collections.abc import Collection, Iterable
from dataclasses import dataclass
from enum import Enum

from donorfit.faults.causes import ActiveCause, find_match
from donorfit.faults.lists import read_fault_list
from donorfit.faults.status import has_failed, is_proved_passed
from donorfit.records.plan import ExpectedFault
from donorfit.records.survey import UnitSurvey
from donorfit.vehicle.fault import KnownFault
from donorfit.vehicle.identity import FaultCode, UnitId


class Concern(Enum):
    """What a fault code that is listed now comes to."""

    WORRYING = "worth worrying about"
    EXPECTED = "expected now"
    EARLIER = "was there before"
    UNTESTED = "not tested yet"
    PASSED = "tested and passed"


@dataclass(frozen=True, slots=True, kw_only=True)
class PresentFault:
    """One fault code that is listed now.

    Attributes:
        unit: the control unit.
        code: the code.
        title: what the pack calls it; empty where it does not know it.
        status: its status byte, masked.
        concern: what it comes to.
        explanation: why, in words.
    """

    unit: UnitId
    code: FaultCode
    title: str
    status: int
    concern: Concern
    explanation: str


_ORDER = tuple(Concern)


def judge_present(
    units: Iterable[UnitSurvey],
    known: Iterable[KnownFault],
    *,
    active: Collection[ActiveCause] = (),
    expected: Iterable[ExpectedFault] = (),
    settled: Iterable[ExpectedFault] = (),
    earlier: Iterable[UnitSurvey] = (),
) -> tuple[PresentFault, ...]:
    """Sort the codes that are listed now, those worth worrying about first.

    Args:
        units: fault lists as they are now.
        known: what the pack knows.
        active: causes that are at work in the car now.
        expected: what a plan expects; counts like a cause at work.
        settled: what a plan that was carried out should have ended.
        earlier: fault lists before the work; a code that stood there and is not expected is no
            news, though still unexplained.
    """
    facts = {(each.unit, each.code): each for each in known}
    hoped = {(each.unit, each.code): each for each in expected}
    ended = {(each.unit, each.code): each for each in settled}
    before = {
        (unit.unit, fault.code)
        for unit in earlier
        for fault in read_fault_list(unit).faults
        if has_failed(fault.status)
    }
    rows = []
    for unit in units:
        for each in read_fault_list(unit).faults:
            key = (unit.unit, each.code)
            fault = facts.get(key)
            concern, why = _judge(each.status, fault, active, hoped.get(key), seen=key in before)
            if key in ended and has_failed(each.status):
                concern = Concern.WORRYING
                why = f"the work should have ended it: {ended[key].cause}"
            rows.append(
                PresentFault(
                    unit=unit.unit,
                    code=each.code,
                    title=fault.title if fault is not None else "",
                    status=each.status,
                    concern=concern,
                    explanation=why,
                )
            )
    return tuple(sorted(rows, key=lambda row: (_ORDER.index(row.concern), row.unit, row.code)))


def _judge(
    status: int,
    fault: KnownFault | None,
    active: Collection[ActiveCause],
    expected: ExpectedFault | None,
    *,
    seen: bool,
) -> tuple[Concern, str]:
    if not has_failed(status):
        if is_proved_passed(status):
            return Concern.PASSED, "its test ran in this cycle and passed"
        return Concern.UNTESTED, "its test has not run; it needs a whole operation cycle"
    cause = find_match(fault, active) if fault is not None else None
    if cause is not None:
        return Concern.EXPECTED, f"explained by {cause.text}"
    if expected is not None:
        return Concern.EXPECTED, f"the plan expects it: {expected.cause}"
    if seen:
        return Concern.EARLIER, "it stood before the work; no cause of it that is known is at work"
    return Concern.WORRYING, _word_doubt(fault)


def _word_doubt(fault: KnownFault | None) -> str:
    if fault is None:
        return "the pack does not know it, so nothing explains it"
    causes = ", ".join(f"{each.kind.value} {each.subject}".strip() for each in fault.causes)
    possible = f"; possible: {causes}" if causes else ""
    return f"none of its known causes is seen at work{possible}"


def count_concerns(rows: Iterable[PresentFault]) -> str:
    """How many codes there are of each concern, in a sentence."""
    everything = tuple(rows)
    said = [
        f"{number} {concern.value}"
        for concern in Concern
        if (number := sum(row.concern is concern for row in everything))
    ]
    codes = "1 fault code" if len(everything) == 1 else f"{len(everything)} fault codes"
    return f"{codes}: {', '.join(said) or 'none'}."
