"""Which units need newer software, and which block of the pack fits them."""

from collections.abc import Iterator
from dataclasses import dataclass

from donorfit.records.finding import Finding, Severity
from donorfit.records.survey import Survey
from donorfit.vehicle.control_unit import ControlUnit, SoftwareBlock
from donorfit.vehicle.donor import DonorModule
from donorfit.vehicle.identity import SoftwareVersion, UnitId
from donorfit.vehicle.pack import Pack


@dataclass(frozen=True, slots=True, kw_only=True)
class Programming:
    """One unit and the block that it is programmed with."""

    unit: ControlUnit
    block: SoftwareBlock
    version_before: str
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SoftwarePlan:
    """All programming, in the pack's order of units, and what has to be said about it."""

    programming: tuple[Programming, ...]
    findings: tuple[Finding, ...]

    def find_block(self, unit: UnitId) -> SoftwareBlock | None:
        """The block planned for a unit; None where none is."""
        return next((each.block for each in self.programming if each.unit.id == unit), None)


def parse_version(text: str) -> SoftwareVersion | None:
    """A unit's version text as a version; None where it is none."""
    try:
        return SoftwareVersion.parse(text)
    except ValueError:
        return None


def _explain_none(enough: list[SoftwareBlock], hardware: str, version: SoftwareVersion) -> str:
    """Why no block that is new enough fits."""
    if not enough:
        return "The pack has no such software."
    fitting = [each for each in enough if hardware in each.hardware]
    if not fitting:
        shown = ", ".join(str(each.version) for each in enough)
        return f"The pack has {shown}, but not for hardware {hardware or 'that is not known'}."
    shown = "; ".join(
        f"{each.version} after {', '.join(str(one) for one in each.replaces)}" for each in fitting
    )
    return f"The pack has {shown}, but not after {version}."


def _list_needs(module: DonorModule) -> Iterator[tuple[UnitId, SoftwareVersion, str]]:
    if module.software_from is not None:
        yield module.unit, module.software_from, f"{module.title} needs it itself"
    for companion in module.companions:
        if companion.software_from is not None:
            yield companion.unit, companion.software_from, companion.reason


def _say(
    unit: ControlUnit, *, id_: str, severity: Severity, what: str, why: str, next_step: str
) -> Finding:
    return Finding(
        id=id_, severity=severity, what=what, where=unit.id, why=why, next_step=next_step
    )


def _plan_unit(
    unit: ControlUnit, stated: str, hardware: str, needed: SoftwareVersion, why: str
) -> Programming | Finding | None:
    version = parse_version(stated)
    if version is None:
        return _say(
            unit,
            id_="software-unknown",
            severity=Severity.WARNING,
            what=f"The software of {unit.title} is not known; {needed} or newer is needed.",
            why=why,
            next_step="Read the unit's software version.",
        )
    if version >= needed:
        return None
    if unit.system.read_only:
        return _say(
            unit,
            id_="software-licensed-workshop",
            severity=Severity.BLOCKING,
            what=f"{unit.title} has software {version}; {needed} or newer is needed.",
            why=f"{why}. Units of {unit.system.value} systems are never written here.",
            next_step="Ask a workshop that is licensed for this system.",
        )
    enough = [each for each in unit.software_blocks if each.version >= needed]
    fitting = sorted(
        (each for each in enough if hardware in each.hardware and each.may_replace(version)),
        key=lambda each: each.version,
    )
    if not fitting:
        said = _explain_none(enough, hardware, version)
        return _say(
            unit,
            id_="software-missing",
            severity=Severity.BLOCKING,
            what=f"{unit.title} has software {version}; {needed} or newer is needed.",
            why=f"{why}. {said}",
            next_step="Find the software in your own licensed source, or a newer unit.",
        )
    return Programming(
        unit=unit, block=fitting[0], version_before=stated, reason=f"{needed} or newer: {why}"
    )


def plan_software(pack: Pack, survey: Survey, module: DonorModule) -> SoftwarePlan:
    """Choose the oldest block that is new enough and fits the hardware, unit by unit."""
    needs: dict[UnitId, tuple[SoftwareVersion, str]] = {}
    for unit_id, version, why in _list_needs(module):
        if unit_id not in needs or needs[unit_id][0] < version:
            needs[unit_id] = (version, why)
    programming, findings = [], []
    for unit in pack.units:
        read = survey.find_unit(unit.id)
        if unit.id not in needs or read is None or not read.answered:
            continue
        planned = _plan_unit(unit, read.software, read.hardware, *needs[unit.id])
        if isinstance(planned, Programming):
            programming.append(planned)
        elif planned is not None:
            findings.append(planned)
    return SoftwarePlan(programming=tuple(programming), findings=tuple(findings))
