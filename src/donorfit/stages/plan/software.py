"""Which units need newer software, and which blocks of the pack bring them there, in a row."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from donorfit.ordering import SoftwareWays, find_ways_back, find_ways_up
from donorfit.records.counted import count
from donorfit.records.finding import Finding, Severity
from donorfit.records.survey import Survey
from donorfit.vehicle.control_unit import ControlUnit, SoftwareBlock
from donorfit.vehicle.donor import DonorModule
from donorfit.vehicle.identity import SoftwareVersion, UnitId
from donorfit.vehicle.pack import Pack


@dataclass(frozen=True, slots=True, kw_only=True)
class Programming:
    """One unit and the blocks that it is programmed with, one after the other.

    Attributes:
        unit: the unit.
        blocks: at least one; each may replace the version that the one before it brings.
        version_before: what the unit reports now.
        hardware: its hardware number.
        needed: the oldest version that will do.
        reason: why it needs newer software.
    """

    unit: ControlUnit
    blocks: tuple[SoftwareBlock, ...]
    version_before: str
    hardware: str
    needed: SoftwareVersion
    reason: str

    @property
    def block(self) -> SoftwareBlock:
        """The last block, whose software the unit has afterwards."""
        return self.blocks[-1]


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


def word_way(blocks: Sequence[SoftwareBlock]) -> str:
    """The versions of a way in words."""
    return ", then ".join(str(each.version) for each in blocks)


def _explain_none(enough: list[SoftwareBlock], hardware: str, ways: SoftwareWays) -> str:
    """Why no way leads to a block that is new enough."""
    if not enough:
        return "The pack has no such software."
    fitting = [each for each in enough if hardware in each.hardware]
    if not fitting:
        shown = ", ".join(str(each.version) for each in enough)
        return f"The pack has {shown}, but not for hardware {hardware or 'that is not known'}."
    shown = "; ".join(
        f"{each.version} after {', '.join(str(one) for one in each.replaces)}" for each in fitting
    )
    said = f"The pack has {shown}, but not after {ways.start}."
    if ways.reached:
        farthest = ways.trace(ways.reached[-1]) or ()
        said += f" Its other blocks lead to {word_way(farthest)}, and no further."
    return said


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
    ways = find_ways_up(
        unit.software_blocks, hardware, version, restart_seconds=unit.reset_seconds
    )
    blocks = ways.find_cheapest(needed)
    if blocks is None:
        enough = [each for each in unit.software_blocks if each.version >= needed]
        said = _explain_none(enough, hardware, ways)
        return _say(
            unit,
            id_="software-missing",
            severity=Severity.BLOCKING,
            what=f"{unit.title} has software {version}; {needed} or newer is needed.",
            why=f"{why}. {said}",
            next_step="Find the software in your own licensed source, or a newer unit.",
        )
    return Programming(
        unit=unit,
        blocks=blocks,
        version_before=stated,
        hardware=hardware,
        needed=needed,
        reason=f"{needed} or newer: {why}",
    )


def _list_notes(each: Programming) -> Iterator[Finding]:
    """What has to be said of one unit's downloads before anything is sent."""
    start = parse_version(each.version_before)
    if start is None:
        return
    if len(each.blocks) > 1:
        seconds = sum(block.seconds + each.unit.reset_seconds for block in each.blocks)
        direct = any(
            block.version >= each.needed
            and each.hardware in block.hardware
            and block.may_replace(start)
            for block in each.unit.software_blocks
        )
        why = (
            f"This is cheaper than the one block that may go over {start} at once."
            if direct
            else f"No block of {each.needed} or newer may go over {start} at once."
        )
        yield Finding(
            id="software-in-a-row",
            severity=Severity.NOTE,
            what=f"{each.unit.title} is brought from software {start} to {each.block.version} in "
            f"{len(each.blocks)} downloads: {word_way(each.blocks)}.",
            where=each.unit.id,
            why=f"{why} It takes {seconds:.0f} s and "
            f"{count(sum(block.size_bytes for block in each.blocks), 'byte')}. Each download is "
            "ended, the unit restarted and its version read before the next one begins.",
            evidence=tuple(
                f"{block.version} over {before}: {block.file}"
                for before, block in zip(
                    (start, *(one.version for one in each.blocks)), each.blocks, strict=False
                )
            ),
        )
    yield _judge_way_back(each, start)


def _judge_way_back(each: Programming, start: SoftwareVersion) -> Finding:
    """Whether blocks lead back to the software that the unit has now, from each that it gets."""
    ways = [
        find_ways_back(each.unit.software_blocks, each.hardware, block.version).trace(start)
        for block in each.blocks
    ]
    evidence = tuple(
        f"once {block.version} is in: "
        + (f"back by {word_way(way)}" if way else f"no way back, it keeps {block.version}")
        for block, way in zip(each.blocks, ways, strict=True)
    )
    if all(ways):
        return Finding(
            id="software-way-back",
            severity=Severity.NOTE,
            what=f"The pack has what brings {each.unit.title} back to software {start}.",
            where=each.unit.id,
            evidence=evidence,
        )
    stuck = next(block for block, way in zip(each.blocks, ways, strict=True) if not way)
    return Finding(
        id="software-no-way-back",
        severity=Severity.WARNING,
        what=f"The pack does not lead back to software {start} of {each.unit.title} from "
        f"{stuck.version} on.",
        where=each.unit.id,
        why="A backup holds the configuration, not the software; what may be loaded over what is "
        "the pack's to say.",
        evidence=evidence,
        next_step="If the old software may be wanted again, get it from your own licensed source "
        "and add it to the pack before anything is written.",
    )


def plan_software(pack: Pack, survey: Survey, module: DonorModule) -> SoftwarePlan:
    """Choose the cheapest way to software that is new enough and fits the hardware, unit by unit.

    That is the one with the fewest seconds, then bytes, then blocks, then the oldest software. A
    pack does not say that a block needs another unit's software first, so that nothing is known of
    an order between units.
    """
    needs: dict[UnitId, tuple[SoftwareVersion, str]] = {}
    for unit_id, version, why in _list_needs(module):
        if unit_id not in needs or needs[unit_id][0] < version:
            needs[unit_id] = (version, why)
    programming: list[Programming] = []
    findings: list[Finding] = []
    for unit in pack.units:
        read = survey.find_unit(unit.id)
        if unit.id not in needs or read is None or not read.answered:
            continue
        planned = _plan_unit(unit, read.software, read.hardware, *needs[unit.id])
        if isinstance(planned, Programming):
            programming.append(planned)
            findings += _list_notes(planned)
        elif planned is not None:
            findings.append(planned)
    return SoftwarePlan(programming=tuple(programming), findings=tuple(findings))
