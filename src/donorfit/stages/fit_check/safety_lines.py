"""Units that may only be read."""

from donorfit.records.fit_report import FitLine, Subject, Verdict
from donorfit.stages.fit_check.case import Answer, Case


def check_safety(case: Case) -> Answer:
    """No unit of a system that is only read may have to be written."""
    lines = [_judge_own(case)]
    for companion in case.module.companions:
        unit = case.pack.find_unit(companion.unit)
        if unit is not None and unit.system.read_only:
            lines.append(
                FitLine(
                    subject=Subject.SAFETY,
                    title=f"{unit.title} is only read",
                    verdict=Verdict.MET,
                    reason=f"it belongs to {unit.system.value}; nothing is written to it, and "
                    "what it would have to be told stays with a licensed workshop",
                )
            )
    return Answer(lines=tuple(lines))


def _judge_own(case: Case) -> FitLine:
    title = f"{case.unit.title} may be written"
    if not case.unit.system.read_only:
        reason = f"it belongs to {case.unit.system.value} equipment"
        return FitLine(subject=Subject.SAFETY, title=title, verdict=Verdict.MET, reason=reason)
    return FitLine(
        subject=Subject.SAFETY,
        title=title,
        verdict=Verdict.IMPOSSIBLE,
        reason=f"units of the {case.unit.system.value} system are read, never written; no option "
        "turns that off",
        change="leave this work to a licensed workshop",
    )
