"""Findings about the fault codes of the car as it stands: the fewest causes that explain them."""

from collections.abc import Iterator

from donorfit.faults import (
    ActiveCause,
    CandidateCause,
    ExplainedGroup,
    FaultExplanation,
    explain_faults,
    has_failed,
    is_proved_passed,
    list_fault_doubts,
    read_fault_list,
)
from donorfit.records.counted import choose
from donorfit.records.counted import count as word_count
from donorfit.records.finding import Finding, Severity
from donorfit.records.survey import Survey
from donorfit.vehicle.fault_code import write_fault_code
from donorfit.vehicle.identity import FaultCode, UnitId
from donorfit.vehicle.pack import Pack

_SHOWN = 8


def _word_codes(faults: tuple[tuple[UnitId, FaultCode], ...]) -> str:
    shown = ", ".join(f"{write_fault_code(code)} ({unit})" for unit, code in faults[:_SHOWN])
    more = len(faults) - _SHOWN
    return shown if more <= 0 else f"{shown} and {more} more"


def _word_cause(cause: CandidateCause) -> str:
    against = (
        f"; against it: {_word_codes(cause.speaks_against)} passed" if cause.speaks_against else ""
    )
    return f"{cause.text}: {_word_codes(cause.explains)}{against}"


def _list_evidence(group: ExplainedGroup) -> Iterator[str]:
    """Every cause that is in all explanations, then the ties as alternatives."""
    first, *others = group.explanations
    common = [each for each in first if all(each in other for other in others)]
    yield from map(_word_cause, common)
    if others:
        ties = [
            " and ".join(each.text for each in explanation if each not in common)
            for explanation in group.explanations
        ]
        shown = ties[:_SHOWN]
        more = group.ties - len(shown)
        rest = f", or one of {more} more" if more > 0 else ""
        yield f"equally good: {'; or '.join(shown)}{rest}: {_word_codes(group.faults)}"


def _list_roots(found: FaultExplanation) -> list[str]:
    """What the causes go back to in the end, with how many codes, the weightiest first."""
    codes: dict[str, set[tuple[UnitId, FaultCode]]] = {}
    for group in found.groups:
        for cause in group.explanations[0]:
            codes.setdefault(cause.root or cause.text, set()).update(cause.explains)
    order = sorted(codes, key=lambda root: (-len(codes[root]), root))
    return [
        f"{len(codes[root])} of the codes {choose(len(codes[root]), 'goes', 'go')} back to this: "
        f"{root}"
        for root in order
    ]


def _word_check(group: ExplainedGroup) -> str:
    """The check that tells most, and how much."""
    check = group.checks[0]
    bare = check.text.removesuffix(".")
    return f"{bare} (true in {check.holds_in} of {check.of}, tells {check.gain_bits:.2f} bit)."


def note_faults(
    pack: Pack, survey: Survey, active: tuple[ActiveCause, ...]
) -> tuple[Finding, ...]:
    """Say which causes the fault codes seen come from, and which entries are rubbish."""
    seen, passed = [], []
    for unit in survey.units:
        for fault in read_fault_list(unit).faults:
            if has_failed(fault.status):
                seen.append((unit.unit, fault.code))
            elif is_proved_passed(fault.status):
                passed.append((unit.unit, fault.code))
    doubts = list_fault_doubts(survey.units, pack.faults)
    if not seen:
        return doubts
    found = explain_faults(seen, passed, pack.faults, active=active)
    count = sum(len(group.explanations[0]) for group in found.groups)
    roots = _list_roots(found)
    evidence = [*roots, *(line for group in found.groups for line in _list_evidence(group))]
    if found.unexplained:
        evidence.append(f"no known cause: {_word_codes(found.unexplained)}")
    checks = dict.fromkeys(_word_check(group) for group in found.groups if group.checks)
    cut = not all(group.proved for group in found.groups)
    return (
        *doubts,
        Finding(
            id="faults-explained",
            severity=Severity.NOTE,
            what=f"{len(seen) - len(found.unexplained)} of {word_count(len(seen), 'fault code')} "
            f"can be explained by {word_count(count, 'cause')}, going back to {len(roots)}.",
            where="fault codes before the work",
            why="These are the fewest causes"
            + (", as far as the search came." if cut else "; no explanation with fewer exists."),
            evidence=tuple(evidence),
            next_step=" ".join(checks),
        ),
    )
