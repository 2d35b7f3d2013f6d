"""The module itself: whose identity it carries, its hardware, its software."""

from donorfit.records.finding import Finding, Severity
from donorfit.records.fit_report import FitLine, Subject, Verdict
from donorfit.stages.fit_check.case import Answer, Case
from donorfit.stages.fit_check.software import judge_software

_FILLING = "\0\xff ."
_NOT_READ = "the module was not read"
_READ_IT = "read the module alone on the bench"


def check_module(case: Case) -> Answer:
    """Identity, hardware and software of the module."""
    identity, findings = _judge_identity(case)
    lines = [identity, _judge_hardware(case)]
    if case.module.software_from is not None:
        lines.append(_judge_own_software(case))
    return Answer(lines=tuple(lines), findings=findings)


def _judge_identity(case: Case) -> tuple[FitLine, tuple[Finding, ...]]:
    own, title = case.own, "identity that the module carries"
    if own is None:
        return _unknown(Subject.IDENTITY, title, _NOT_READ, _READ_IT), ()
    vin = own.vin.strip(_FILLING)
    refusal = next((each for each in own.refusals if each.startswith("VIN")), "")
    if not vin and refusal:
        return _unknown(Subject.IDENTITY, title, f"it did not tell ({refusal})", _READ_IT), ()
    if not vin:
        reason = "it is neutral: it carries no VIN"
        return _met(Subject.IDENTITY, title, reason), ()
    if not case.survey.vin:
        reason = f"it carries {vin}; the host's VIN is not known"
        return _unknown(Subject.IDENTITY, title, reason, "give the host's VIN"), ()
    if vin == case.survey.vin:
        return _met(Subject.IDENTITY, title, "it carries the host's own VIN"), ()
    line = FitLine(
        subject=Subject.IDENTITY,
        title=title,
        verdict=Verdict.AFTER_CHANGE,
        reason=f"it carries another car's VIN, {vin}",
        change="have it made neutral by a licensed service; it is never overwritten here",
        evidence=(vin,),
    )
    return line, (_ask_origin(case, vin),)


def _ask_origin(case: Case, vin: str) -> Finding:
    return Finding(
        id="module-carries-other-vin",
        severity=Severity.WARNING,
        what=f"{case.module.title} carries the VIN of another car. Where does it come from?",
        where=case.module.unit,
        why="rules on used parts and on identification marks may apply where the car is "
        "registered; a module with another car's VIN may also refuse to work",
        evidence=(vin,),
        next_step="keep seller, invoice and origin; ask a licensed service to make it neutral",
    )


def _judge_hardware(case: Case) -> FitLine:
    title = "hardware of the module"
    known = case.module.hardware
    if not known:
        return _met(Subject.HARDWARE, title, "the pack's description is for any hardware number")
    if case.own is None or not case.own.hardware:
        reason = _NOT_READ if case.own is None else "it did not tell its hardware number"
        return _unknown(Subject.HARDWARE, title, reason, _READ_IT)
    if case.own.hardware in known:
        reason = f"{case.own.hardware} is known to work"
        return _met(Subject.HARDWARE, title, reason)
    return FitLine(
        subject=Subject.HARDWARE,
        title=title,
        verdict=Verdict.IMPOSSIBLE,
        reason=f"{case.own.hardware} is none of {', '.join(known)}",
        change="a module with one of these hardware numbers",
        evidence=(case.own.hardware,),
    )


def _judge_own_software(case: Case) -> FitLine:
    title = f"software of the module, {case.module.software_from} or newer"
    needed = case.module.software_from
    if case.own is None or needed is None:
        return _unknown(Subject.SOFTWARE, title, _NOT_READ, _READ_IT)
    return judge_software(
        case,
        case.unit,
        title=title,
        stated=case.own.software,
        hardware=case.own.hardware,
        needed=needed,
    )


def _met(subject: Subject, title: str, reason: str) -> FitLine:
    return FitLine(subject=subject, title=title, verdict=Verdict.MET, reason=reason)


def _unknown(subject: Subject, title: str, reason: str, change: str) -> FitLine:
    return FitLine(
        subject=subject, title=title, verdict=Verdict.UNKNOWN, reason=reason, change=change
    )
