"""The fewest causes that explain the fault codes seen, and the check that tells ties apart."""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from math import log2

from donorfit.faults.causes import ActiveCause
from donorfit.faults.covers import find_covers, split_groups
from donorfit.vehicle.fault import Cause, CauseKind, KnownFault
from donorfit.vehicle.fault_code import write_fault_code
from donorfit.vehicle.identity import FaultCode, UnitId

FaultKey = tuple[UnitId, FaultCode]

BASE_COST = 10
"""Own weights (common practice, no source): a cause seen at work counts less than one that is only
possible, a broken part more. A cause that should also set a code whose test has run and passed is
ruled out; where that leaves a code without any cause, or the cause was seen at work, it stays and
costs more for each such code."""
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
class Check:
    """A check that tells equally good explanations apart.

    Attributes:
        text: what to do.
        cause: the cause that it confirms or rules out.
        holds_in: in how many of the listed explanations that cause is.
        of: how many explanations are listed.
        gain_bits: what its answer tells on average, ``-p log2 p - (1 - p) log2 (1 - p)`` with
            ``p = holds_in / of``, every listed explanation taken to be as likely as another
            (Shannon 1948).
    """

    text: str
    cause: Cause
    holds_in: int
    of: int
    gain_bits: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ExplainedGroup:
    """Fault codes that belong together, and every equally good explanation of them.

    Attributes:
        faults: the codes.
        explanations: each the fewest causes; several where they tie, at most 200 are listed.
        ties: how many equally good explanations there are; at least so many unless proved.
        checks: what tells them apart, the best first; none where there is one explanation.
        proved: whether no better explanation exists and the ties are counted to the end.
    """

    faults: tuple[FaultKey, ...]
    explanations: tuple[tuple[CandidateCause, ...], ...]
    ties: int
    checks: tuple[Check, ...]
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


def name_causes(known: Iterable[KnownFault]) -> frozenset[Cause]:
    """Every cause that can explain one of these faults, its subject filled in."""
    return frozenset(_name_cause(cause, fault) for fault in known for cause in fault.causes)


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


def _list_checks(
    explanations: Sequence[tuple[int, ...]], candidates: Sequence[CandidateCause]
) -> tuple[Check, ...]:
    """Checks by what they tell, the easiest first among equals."""
    total = len(explanations)
    counts: dict[int, int] = {}
    for explanation in explanations:
        for each in explanation:
            counts[each] = counts.get(each, 0) + 1
    checks = []
    for each, count in counts.items():
        if count == total:
            continue
        cause = candidates[each].cause
        subject = "" if cause.kind in _WHOLE_CAR else cause.subject
        checks.append(
            Check(
                text=_CHECKS[cause.kind].format(subject),
                cause=cause,
                holds_in=count,
                of=total,
                gain_bits=_compute_gain(count / total),
            )
        )
    checks.sort(key=lambda c: (-c.gain_bits, _EASE.index(c.cause.kind), c.cause.subject))
    return tuple(checks)


def _compute_gain(share: float) -> float:
    """Bits that a yes or no tells where yes has this share, 0 < share < 1 (Shannon 1948)."""
    gain = -share * log2(share) - (1 - share) * log2(1 - share)
    return round(gain, 9)  # so that 1 of 3 and 2 of 3 are equal


def _rule_out(
    causes_of: Mapping[FaultKey, set[Cause]], candidates: Mapping[Cause, CandidateCause]
) -> dict[FaultKey, set[Cause]]:
    """Causes of each code without those that a passed test contradicts, if any are left."""
    contradicted = {
        cause for cause, each in candidates.items() if each.speaks_against and not each.at_work
    }
    return {key: (causes - contradicted) or causes for key, causes in causes_of.items()}


def explain_faults(
    seen: Iterable[FaultKey],
    passed: Iterable[FaultKey],
    known: Iterable[KnownFault],
    *,
    active: Collection[ActiveCause] = (),
    excluded: Collection[Cause] = (),
) -> FaultExplanation:
    """Find the fewest causes that explain every code seen: a cheapest cover, exactly.

    A cause is a set of the codes that it sets. A passed test (run in this cycle, no failure since
    clearing) contradicts a cause that should have set it.

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
    rated = {
        cause: _rate(cause, faults_of[cause], seen_keys, passed_keys, active)
        for cause in {cause for key in explained for cause in causes_of[key]}
    }
    possible = _rule_out({key: causes_of[key] for key in explained}, rated)
    causes = sorted(
        {cause for sets in possible.values() for cause in sets},
        key=lambda cause: (_EASE.index(cause.kind), cause.subject),
    )
    candidates = [rated[each] for each in causes]
    place = {cause: number for number, cause in enumerate(causes)}
    options = {
        number: frozenset(place[cause] for cause in possible[key])
        for number, key in enumerate(explained)
    }
    costs = {number: each.cost for number, each in enumerate(candidates)}
    groups = []
    for members in split_groups(options):
        covers = find_covers({each: options[each] for each in members}, costs)
        groups.append(
            ExplainedGroup(
                faults=tuple(explained[each] for each in members),
                explanations=tuple(
                    tuple(candidates[each] for each in cover) for cover in covers.covers
                ),
                ties=covers.ties,
                checks=_list_checks(covers.covers, candidates),
                proved=covers.proved,
            )
        )
    return FaultExplanation(
        groups=tuple(sorted(groups, key=lambda each: (-len(each.faults), each.faults))),
        unexplained=tuple(sorted(seen_keys - set(explained))),
    )
