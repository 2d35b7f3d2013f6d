"""Fit check: can this donor module work in this car, and what would have to change.

A pure function over records; it works before there is a car on the bench, from a declared survey,
and says "unknown" wherever nothing is known.
"""

from donorfit.records.encoding import compute_digest
from donorfit.records.finding import Finding, Severity
from donorfit.records.fit_report import FitLine, FitReport, Verdict
from donorfit.records.survey import Survey
from donorfit.stages.fit_check.case import make_case
from donorfit.stages.fit_check.companion_lines import check_companions
from donorfit.stages.fit_check.equipment_lines import check_equipment
from donorfit.stages.fit_check.identity_lines import check_module
from donorfit.stages.fit_check.network_lines import check_networks
from donorfit.stages.fit_check.ring_lines import check_ring
from donorfit.stages.fit_check.safety_lines import check_safety
from donorfit.stages.fit_check.wiring_lines import check_wiring
from donorfit.vehicle.pack import Pack

__all__ = ["fit_check"]

_WORST_LAST = (Verdict.MET, Verdict.AFTER_CHANGE, Verdict.UNKNOWN, Verdict.IMPOSSIBLE)
_CHECKS = (
    check_equipment,
    check_module,
    check_companions,
    check_networks,
    check_wiring,
    check_ring,
    check_safety,
)


def fit_check(
    pack: Pack, survey: Survey, module_id: str, bench: Survey | None = None
) -> FitReport:
    """Judge requirement by requirement whether a donor module can work in a car.

    Args:
        pack: the car family.
        survey: the host car, read or declared.
        module_id: donor module's id in the pack.
        bench: the module read alone; None where it has not been read.

    Returns:
        The report; equal inputs give an equal report. The verdict is that of the worst line, in
        the order met, met after a change, unknown, not possible.

    Raises:
        InputError: the pack does not know the module, or a survey is not what it should be.
    """
    case = make_case(pack, survey, module_id, bench)
    answers = [check(case) for check in _CHECKS]
    lines = tuple(line for answer in answers for line in answer.lines)
    verdict = max((line.verdict for line in lines), key=_WORST_LAST.index, default=Verdict.UNKNOWN)
    stands = bool(lines) and verdict is Verdict.MET
    findings = [*case.findings, *(each for answer in answers for each in answer.findings)]
    if not stands:
        findings.insert(0, _say_why_not(lines))
    return FitReport(
        pack_digest=pack.digest,
        survey_digest=compute_digest(survey),
        bench_digest=compute_digest(bench) if bench is not None else "",
        module=module_id,
        verdict=verdict,
        as_it_stands=stands,
        lines=lines,
        findings=tuple(findings),
    )


def _say_why_not(lines: tuple[FitLine, ...]) -> Finding:
    """Why the module would fail if it were fitted now."""
    open_lines = [line for line in lines if line.verdict is not Verdict.MET]
    sure = [line for line in open_lines if line.verdict is not Verdict.UNKNOWN]
    decisive = sure or open_lines
    what = (
        "Fitted into the car as it stands, the module would not work as it should."
        if sure
        else "Whether the module works in the car as it stands is not known."
    )
    return Finding(
        id="as-it-stands",
        severity=Severity.NOTE,
        what=what,
        why="; ".join(f"{line.title} ({line.verdict.value})" for line in decisive),
        next_step="read the reasons at these lines and make a plan",
    )
