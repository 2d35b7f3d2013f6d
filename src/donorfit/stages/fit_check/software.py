"""Is a unit's software new enough, and can the pack bring it there."""

from donorfit.records.fit_report import FitLine, Subject, Verdict
from donorfit.stages.fit_check.case import Case, parse_version
from donorfit.vehicle.control_unit import ControlUnit
from donorfit.vehicle.identity import SoftwareVersion


def judge_software(
    case: Case,
    unit: ControlUnit,
    *,
    title: str,
    stated: str,
    hardware: str,
    needed: SoftwareVersion,
) -> FitLine:
    """One line about a unit's software; ``stated`` and ``hardware`` as the unit says them."""
    version = parse_version(stated)
    if version is None:
        reason = f"{stated!r} is no version" if stated else "its version is not known"
        return FitLine(
            subject=Subject.SOFTWARE,
            title=title,
            verdict=Verdict.UNKNOWN,
            reason=reason,
            change="read its software version",
        )
    if version >= needed:
        reason = f"it has {version}"
        return FitLine(subject=Subject.SOFTWARE, title=title, verdict=Verdict.MET, reason=reason)
    reason = f"it has {version}"
    if unit.system.read_only:
        return FitLine(
            subject=Subject.SOFTWARE,
            title=title,
            verdict=Verdict.AFTER_CHANGE,
            reason=f"{reason}; units of the {unit.system.value} system are only read here",
            change=f"a licensed workshop loads {needed} or newer",
        )
    blocks = [block for block in unit.software_blocks if block.version >= needed]
    right = [block for block in blocks if not block.hardware or hardware in block.hardware]
    fitting = [block for block in right if block.may_replace(version)]
    if fitting:
        best = min(fitting, key=lambda block: block.version)
        return FitLine(
            subject=Subject.SOFTWARE,
            title=title,
            verdict=Verdict.AFTER_CHANGE,
            reason=reason,
            change=f"load {best.version} ({best.file}), about {best.seconds / 60:.0f} min",
            evidence=(best.sha256,),
        )
    why = (
        f"the pack's blocks do not go over {version}"
        if right
        else f"the pack's blocks do not fit hardware {hardware or '(unknown)'}"
        if blocks
        else f"the pack has no block of {needed} or newer"
    )
    unsure = blocks and not right and not hardware
    verdict = Verdict.UNKNOWN if unsure else Verdict.IMPOSSIBLE
    return FitLine(
        subject=Subject.SOFTWARE,
        title=title,
        verdict=verdict,
        reason=f"{reason}; {why}",
        change=f"software {needed} or newer for {case.title(unit.id)} from the maker's service",
    )
