"""The fewest causes that explain the fault codes seen, and the check that tells ties apart."""

from collections.abc import Collection, Iterable
from dataclasses import dataclass

from donorfit.faults.causes import ActiveCause
from donorfit.faults.covers import find_covers, split_groups
from donorfit.vehicle.fault import Cause, CauseKind, KnownFault
from donorfit.vehicle.fault_code import write_fault_code
from donorfit.vehicle.identity import FaultCode, UnitId

FaultKey = tuple[UnitId, FaultCode]

BASE_COST = 10
"""Own weights (common practice, no source): a cause seen at work counts less than one that is only
possible, a broken part more; a code that the cause should also set, but whose test passed, speaks
against the cause."""
_AT_WORK = -4
_BROKEN_PART = 4
_PASSED = 2
_PASSED_MOST = 8

_CHECKS = {
    CauseKind.UNIT_NOT_DECLARED: "Read the option list and compare it with what is fitted: {}.",
    CauseKind.OTHER_CARS_VIN: "Read the VIN stored in {}.",
    CauseKind.SUPPLY_LOW: "Measure the supply at the battery posts with the load on{}.",
    CauseKind.CONFIGURATION_DISAGREES: "Read the configuration of {} and compare it.",
    CauseKind.MESSAGE_MISSING: "Listen on the network for {}.",
    CauseKind.RING_BREAK: "Let the ring master find the place of the break{}.",
    CauseKind.PART_ITSELF: "Test the part itself, or try a known good one: {}.",
}
_EASE = tuple(_CHECKS)
_WHOLE_CAR = frozenset((CauseKind.SUPPLY_LOW, CauseKind.RING_BREAK))


@dataclass(frozen=True, slots=True, kw_only=True)
class CandidateCause:
    """One cause in an explanation.

    Attributes:
        cause: kind and subject, the subject filled in.
        text: the cause in words.
        cost: its weight in the search.
        at_work: whether it was seen at work in this car.
        root: what the cause itself goes back to; empty where it stands for itself.
        explains: codes seen that it explains.
        speaks_against: codes that it should also set, but whose test has run and passed.
    """

    cause: Cause
    text: str
    cost: int
    at_work: bool
    root: str
    explains: tuple[FaultKey, ...]
    speaks_against: tuple[FaultKey, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ExplainedGroup:
    """Fault codes that belong together, and every equally good explanation of them.

    Attributes:
        faults: the codes.
        explanations: each the fewest causes; several where they tie.
        next_check: the check that tells the ties apart best; empty where there is one explanation.
        proved: whether no better explanation exists and all ties are listed.
    """

    faults: tuple[FaultKey, ...]
    explanations: tuple[tuple[CandidateCause, ...], ...]
    next_check: str
    proved: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultExplanation:
    """All groups, the largest first, and the codes of which no cause is known."""

    groups: tuple[ExplainedGroup, ...]
    unexplained: tuple[FaultKey, ...]


def _name_cause(cause: Cause, fault: KnownFault) -> Cause:
    """Fill in the subject: the fault's own unit, or for a part the fault itself."""
    if cause.subject or cause.kind in _WHOLE_CAR:
        return cause
    if cause.kind is CauseKind.PART_ITSELF:
        return Cause(kind=cause.kind, subject=f"{fault.unit}, {write_fault_code(fault.code)}")
    return Cause(kind=cause.kind, subject=fault.unit)


def _rate(
    cause: Cause,
    faults: list[KnownFault],
    seen: frozenset[FaultKey],
    passed: frozenset[FaultKey],
    active: Collection[ActiveCause],
) -> CandidateCause:
    keys = [(each.unit, each.code) for each in faults]
    match = next((a for a in active for each in faults if a.matches(cause, each)), None)
    against = tuple(sorted(set(keys) & passed))
    cost = BASE_COST + min(_PASSED * len(against), _PASSED_MOST)
    cost += _AT_WORK if match is not None else 0
    cost += _BROKEN_PART if cause.kind is CauseKind.PART_ITSELF else 0
    return CandidateCause(
        cause=cause,
        text=match.text if match else f"{cause.kind.value}: {cause.subject}".rstrip(": "),
        cost=cost,
        at_work=match is not None,
        root=match.root if match is not None else "",
        explains=tuple(sorted(set(keys) & seen)),
        speaks_against=against,
    )


def _choose_check(explanations: list[tuple[int, ...]], candidates: list[CandidateCause]) -> str:
    """The cause whose truth leaves the fewest ties in the worse case, the easiest check first."""
    total = len(explanations)
    counts: dict[int, int] = {}
    for explanation in explanations:
        for each in explanation:
            counts[each] = counts.get(each, 0) + 1
    open_ = [each for each, count in counts.items() if count < total]
    if not open_:
        return ""
    best = min(
        open_,
        key=lambda each: (
            max(counts[each], total - counts[each]),
            _EASE.index(candidates[each].cause.kind),
            candidates[each].cause.subject,
        ),
    )
    cause = candidates[best].cause
    return _CHECKS[cause.kind].format("" if cause.kind in _WHOLE_CAR else cause.subject)


def explain_faults(
    seen: Iterable[FaultKey],
    passed: Iterable[FaultKey],
    known: Iterable[KnownFault],
    *,
    active: Collection[ActiveCause] = (),
    excluded: Collection[Cause] = (),
) -> FaultExplanation:
    """Find the fewest causes that explain every code seen: a cheapest cover, exactly.

    Args:
        seen: codes that fail or are stored.
        passed: codes whose test has run in this cycle and passed.
        known: what the pack knows.
        active: causes seen at work in this car.
        excluded: causes that a check has ruled out.
    """
    seen_keys, passed_keys = frozenset(seen), frozenset(passed)
    faults_of: dict[Cause, list[KnownFault]] = {}
    causes_of: dict[FaultKey, set[Cause]] = {}
    for fault in known:
        for raw in fault.causes:
            cause = _name_cause(raw, fault)
            if cause not in excluded:
                faults_of.setdefault(cause, []).append(fault)
                causes_of.setdefault((fault.unit, fault.code), set()).add(cause)
    explained = sorted(key for key in seen_keys if causes_of.get(key))
    causes = sorted(
        {cause for key in explained for cause in causes_of[key]},
        key=lambda cause: (_EASE.index(cause.kind), cause.subject),
    )
    candidates = [_rate(each, faults_of[each], seen_keys, passed_keys, active) for each in causes]
    place = {cause: number for number, cause in enumerate(causes)}
    options = {
        number: frozenset(place[cause] for cause in causes_of[key])
        for number, key in enumerate(explained)
    }
    groups = []
    for members in split_groups(options):
        covers = find_covers(
            {each: options[each] for each in members},
            {number: each.cost for number, each in enumerate(candidates)},
        )
        groups.append(
            ExplainedGroup(
                faults=tuple(explained[each] for each in members),
                explanations=tuple(
                    tuple(candidates[each] for each in cover) for cover in covers.covers
                ),
                next_check=_choose_check(list(covers.covers), candidates),
                proved=covers.proved,
            )
        )
    return FaultExplanation(
        groups=tuple(sorted(groups, key=lambda each: (-len(each.faults), each.faults))),
        unexplained=tuple(sorted(seen_keys - set(explained))),
    )
