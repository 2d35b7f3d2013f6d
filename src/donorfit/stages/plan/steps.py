"""The steps of a plan in their order.

What can be taken back comes first: the option list (the master's, then the copies), then the
configuration records unit by unit, then a reset of every unit that was written. Software, which
cannot be taken back without the old block, comes after all of that, each unit followed by the
records that only its new software understands. Fault codes are cleared at the very end, in the
units that were touched or whose codes the work explains, and nowhere else, so that other codes
stay as evidence.
"""

from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

from donorfit.records.plan import Step, StepKind
from donorfit.records.survey import Survey
from donorfit.stages.plan.keepers import ListWrite
from donorfit.stages.plan.merged_record import MergedRecord
from donorfit.stages.plan.software import Programming
from donorfit.vehicle.control_unit import ControlUnit, KeeperRole, SoftwareBlock
from donorfit.vehicle.donor import DonorModule
from donorfit.vehicle.identity import UnitId
from donorfit.vehicle.pack import Pack

CLEAR_SECONDS = 2.0
"""Duration of clearing fault codes in one unit; common practice, no source."""
EXTENDED_SESSION = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class StepSource:
    """What the steps are made from."""

    pack: Pack
    survey: Survey
    module: DonorModule
    lists: tuple[ListWrite, ...]
    records: tuple[MergedRecord, ...]
    programming: tuple[Programming, ...]
    clear: frozenset[UnitId]


def _compute_current(source: StepSource, unit: ControlUnit, *, works_hard: bool) -> float:
    """Current of the awake car during a step, in ampere.

    The pack's base current holds every unit of the car awake. A module that was not in the car at
    the survey comes on top; a unit that erases and writes its memory takes its current once more
    (common practice, no source).
    """
    base = source.pack.supply.base_current_a if source.pack.supply else 0.0
    read = source.survey.find_unit(source.module.unit)
    added = source.module.supply_current_a if read is None or not read.answered else 0.0
    return round(base + added + (unit.supply_current_a if works_hard else 0.0), 3)


def _make_step(
    source: StepSource, unit: ControlUnit, kind: StepKind, what: str, seconds: float
) -> Step:
    return Step(
        id="",
        kind=kind,
        unit=unit.id,
        address=unit.address,
        network=unit.network,
        what=what,
        seconds=seconds,
        session=EXTENDED_SESSION,
        current_a=_compute_current(source, unit, works_hard=kind is StepKind.PROGRAM),
    )


def _write_lists(source: StepSource) -> Iterator[Step]:
    for number, each in enumerate(source.lists, start=1):
        role = "master" if each.store.role is KeeperRole.MASTER else "copy"
        step = _make_step(
            source,
            each.unit,
            StepKind.WRITE_OPTION_LIST,
            f"write the option list and build month to {each.unit.title} ({role})",
            each.unit.write_seconds,
        )
        yield replace(
            step,
            identifier=each.store.identifier,
            before=each.before,
            after=each.after,
            session=each.store.session,
            security_level=each.store.security_level,
            safe_after=number == len(source.lists),
        )


def _write_record(source: StepSource, each: MergedRecord) -> Step:
    step = _make_step(
        source,
        each.unit,
        StepKind.WRITE_RECORD,
        f"write {each.record.name} of {each.unit.title}",
        each.unit.write_seconds,
    )
    return replace(
        step,
        identifier=each.record.identifier,
        before=each.given.current,
        after=each.result.after,
        session=each.record.session,
        security_level=each.record.security_level,
    )


def _write_records(source: StepSource, records: Iterable[MergedRecord]) -> Iterator[Step]:
    """All records of one unit in a row; only after the last of them may the job stop."""
    by_unit: dict[UnitId, list[MergedRecord]] = {}
    for each in records:
        by_unit.setdefault(each.unit.id, []).append(each)
    for group in by_unit.values():
        for number, each in enumerate(group, start=1):
            yield replace(_write_record(source, each), safe_after=number == len(group))


def _reset(source: StepSource, unit: ControlUnit) -> Step:
    return _make_step(source, unit, StepKind.RESET, f"reset {unit.title}", unit.reset_seconds)


def make_download(unit: ControlUnit, block: SoftwareBlock, before: str, step: Step) -> Step:
    """A step of a unit as the download of one block over one version."""
    return replace(
        step,
        session=unit.programming_session,
        security_level=unit.programming_security_level,
        software_file=block.file,
        software_sha256=block.sha256,
        software_before=before,
        software_after=str(block.version),
        memory_address=block.memory_address,
        routine_check=block.routine_check,
        seconds=block.seconds + unit.reset_seconds,
    )


def word_place(number: int, of: int) -> str:
    """Which of some downloads in a row one is; nothing where it is the only one."""
    return f", download {number} of {of}" if of > 1 else ""


def _program(source: StepSource, each: Programming) -> Iterator[Step]:
    """The downloads of one unit in a row; before the last one it has software of passage."""
    before = each.version_before
    for number, block in enumerate(each.blocks, start=1):
        step = _make_step(
            source,
            each.unit,
            StepKind.PROGRAM,
            f"program {each.unit.title} with software {block.version}"
            + word_place(number, len(each.blocks)),
            block.seconds,
        )
        yield replace(make_download(each.unit, block, before, step), safe_after=False)
        before = str(block.version)


def _program_units(source: StepSource) -> Iterator[Step]:
    for each in source.programming:
        late = [
            record
            for record in source.records
            if record.unit.id == each.unit.id and record.after_programming
        ]
        *passed, last = _program(source, each)
        yield from passed
        yield replace(last, safe_after=not late)
        if late:
            yield from _write_records(source, late)
            yield _reset(source, each.unit)


def _clear(source: StepSource, touched: Collection[UnitId]) -> Iterator[Step]:
    for unit in source.pack.units:
        read = source.survey.find_unit(unit.id)
        there = unit.id in touched or (read is not None and read.answered)
        wanted = unit.id in touched or unit.id in source.clear
        if wanted and there and not unit.system.read_only:
            yield _make_step(
                source,
                unit,
                StepKind.CLEAR_FAULTS,
                f"clear the fault codes of {unit.title}",
                CLEAR_SECONDS,
            )


def mark_stops(steps: Sequence[Step]) -> Iterator[Step]:
    """The job can stop after the last record of a unit, and after the last of the option lists."""
    groups = [_find_group(step) for step in steps]
    for at, step in enumerate(steps):
        yield replace(step, safe_after=groups[at] not in groups[at + 1 :])


def _find_group(step: Step) -> tuple[StepKind, str]:
    one_unit = step.kind is not StepKind.WRITE_OPTION_LIST
    return step.kind, step.unit if one_unit else ""


def make_steps(source: StepSource) -> tuple[Step, ...]:
    """All steps in a row that could be followed; empty where nothing has to be written."""
    programmed = {each.unit.id for each in source.programming}
    late = {
        (each.unit.id, each.record.identifier)
        for each in source.records
        if each.after_programming and each.unit.id in programmed
    }
    early = [each for each in source.records if (each.unit.id, each.record.identifier) not in late]
    steps = [*_write_lists(source), *_write_records(source, early)]
    written = {step.unit for step in steps}
    steps += [
        _reset(source, unit)
        for unit in source.pack.units
        if unit.id in written and unit.id not in programmed
    ]
    steps += _program_units(source)
    if not steps:
        return ()
    touched = {step.unit for step in steps}
    return (*steps, *_clear(source, touched))
