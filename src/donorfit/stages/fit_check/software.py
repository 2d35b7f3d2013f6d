"""Is a unit's software new enough, and can the pack bring it there, in one download or several."""

from donorfit.ordering import SoftwareWays, find_ways_up
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
    ways = find_ways_up(
        unit.software_blocks, hardware, version, restart_seconds=unit.reset_seconds
    )
    row = ways.find_cheapest(needed)
    if row is not None:
        seconds = sum(block.seconds for block in row)
        loads = ", then ".join(f"{block.version} ({block.file})" for block in row)
        return FitLine(
            subject=Subject.SOFTWARE,
            title=title,
            verdict=Verdict.AFTER_CHANGE,
            reason=reason,
            change=f"load {loads}, about {seconds / 60:.0f} min",
            evidence=tuple(block.sha256 for block in row),
        )
    verdict, why = _explain_none(unit, hardware, needed, ways)
    return FitLine(
        subject=Subject.SOFTWARE,
        title=title,
        verdict=verdict,
        reason=f"{reason}; {why}",
        change=f"software {needed} or newer for {case.title(unit.id)} from the maker's service",
    )


def _explain_none(
    unit: ControlUnit, hardware: str, needed: SoftwareVersion, ways: SoftwareWays
) -> tuple[Verdict, str]:
    """Why no way leads to software that is new enough, and how sure that is."""
    blocks = [block for block in unit.software_blocks if block.version >= needed]
    if not blocks:
        return Verdict.IMPOSSIBLE, f"the pack has no block of {needed} or newer"
    if not any(hardware in block.hardware for block in blocks):
        verdict = Verdict.IMPOSSIBLE if hardware else Verdict.UNKNOWN
        return verdict, f"the pack's blocks do not fit hardware {hardware or '(unknown)'}"
    farther = f" to it, only to {ways.reached[-1]}" if ways.reached else ""
    return Verdict.IMPOSSIBLE, f"the pack's blocks do not go over {ways.start}{farther}"
