"""Configuration records of all units: derived before and after, merged with what was read."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from donorfit.configuration import (
    DerivedValue,
    FactHolder,
    MergeInput,
    Origin,
    check_merged,
    check_shared_facts,
    derive,
    find_field,
    merge,
    suspect_software_version,
)
from donorfit.records.finding import Finding, Severity
from donorfit.records.plan import FieldVerdict, OpenQuestion, RecordEdit
from donorfit.records.survey import Survey, UnitSurvey
from donorfit.stages.plan.merged_record import MergedRecord, find_kept, list_record_findings
from donorfit.stages.plan.software import SoftwarePlan, parse_version
from donorfit.vehicle.control_unit import ControlUnit
from donorfit.vehicle.expression import Facts
from donorfit.vehicle.identity import BuildMonth, OptionName, SoftwareVersion, UnitId
from donorfit.vehicle.layout import ConfigurationRecord, FieldKind, Layout
from donorfit.vehicle.pack import Pack


@dataclass(frozen=True, slots=True, kw_only=True)
class Declaration:
    """An option list with its build month."""

    options: frozenset[OptionName]
    month: BuildMonth


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordTask:
    """What the records of all units are derived from.

    Attributes:
        before: declared now.
        after: declared after the work.
        donor: declared by the donor car; None where it is not known.
        module_unit: the unit that the donor module becomes.
        module_settled: the module was declared in this car before, so its values are this car's.
        answers: answers to questions.
    """

    before: Declaration
    after: Declaration
    donor: Declaration | None
    module_unit: UnitId
    module_settled: bool
    answers: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordPlan:
    """All records that could be merged, questions and findings."""

    merged: tuple[MergedRecord, ...]
    questions: tuple[OpenQuestion, ...]
    findings: tuple[Finding, ...]

    def list_edits(self) -> tuple[RecordEdit, ...]:
        """Records that are written, and those that wait for an answer."""
        return tuple(
            each.make_edit()
            for each in self.merged
            if each.written
            or (
                not each.unit.system.read_only
                and any(_waits(f.verdict) for f in each.result.fields)
            )
        )


def _waits(verdict: FieldVerdict) -> bool:
    return verdict is FieldVerdict.ASKED


def _forget(layout: Layout) -> tuple[DerivedValue, ...]:
    """Derived values of a car of which nothing is known."""
    return tuple(
        DerivedValue(
            name=field.name,
            raw=None,
            possible=(None,),
            reason="the donor car's option list is not known",
        )
        for field in layout.fields
    )


def _say(
    unit: ControlUnit, record: ConfigurationRecord, id_: str, what: str, next_step: str
) -> Finding:
    return Finding(
        id=id_,
        severity=Severity.BLOCKING,
        what=what,
        where=f"{unit.id}, {record.name} (0x{record.identifier:04X})",
        next_step=next_step,
    )


def _would_change(record: ConfigurationRecord, before: Facts, after: Facts) -> bool:
    """Whether the option change asks for other bytes, whatever the unit holds."""
    first, last = record.choose_layout(before.software), record.choose_layout(after.software)
    if first is None or last is None:
        layouts = record.layouts
        return any(
            [each.raw for each in derive(layout, before)]
            != [each.raw for each in derive(layout, after)]
            for layout in layouts
        )
    return [(v.name, v.raw) for v in derive(first, before)] != [
        (v.name, v.raw) for v in derive(last, after)
    ]


def _explain_not_read(
    unit: ControlUnit, read: UnitSurvey | None, record: ConfigurationRecord
) -> Finding:
    answered = read is not None and read.answered
    why = "this record could not be read" if answered else "it does not answer"
    return _say(
        unit,
        record,
        "unit-not-read",
        f"{unit.title} would have to be written, but {why}.",
        "Check that the unit is fitted, supplied and awake, then survey the car again.",
    )


def _make_input(
    unit: ControlUnit,
    record: ConfigurationRecord,
    read: UnitSurvey,
    task: RecordTask,
    after: Facts,
) -> MergeInput | None:
    """Everything that the merge of one record needs; None where the pack has no layout for it."""
    data = read.find_record(record.identifier)
    software = parse_version(read.software)
    first, last = record.choose_layout(software), record.choose_layout(after.software)
    if data is None or first is None or last is None:
        return None
    donor = unit.id == task.module_unit and not task.module_settled
    origin = task.donor if donor else task.before
    base = (
        _forget(first)
        if origin is None
        else derive(first, Facts(options=origin.options, month=origin.month, software=software))
    )
    return MergeInput(
        unit=unit.id,
        identifier=record.identifier,
        record=record.name,
        layout_before=first,
        layout_after=last,
        base=base,
        current=data,
        target=derive(last, after),
        origin=Origin.DONOR if donor else Origin.HOST,
        answers=task.answers,
        writable=record.writable,
    )


def _list_holders(merged: Iterable[MergedRecord]) -> list[FactHolder]:
    holders = []
    for each in merged:
        if each.result.blocked:
            continue
        for edit in each.result.fields:
            field = find_field(each.given.layout_after, edit.name)
            if field is None or not field.same_fact or field.kind is not FieldKind.DERIVED:
                continue
            writable = not each.unit.system.read_only and each.record.writable
            held = edit if writable else replace(edit, result=edit.current)
            holders.append(
                FactHolder(
                    unit=each.unit.id,
                    identifier=each.record.identifier,
                    field=field,
                    edit=held,
                    writable=writable,
                )
            )
    return holders


def _override(merged: MergedRecord, overrides: Mapping[str, int]) -> MergedRecord:
    if not overrides:
        return merged
    given = replace(merged.given, overrides=tuple(sorted(overrides.items())))
    return replace(merged, given=given, result=merge(given))


def plan_records(
    pack: Pack, survey: Survey, software: SoftwarePlan, task: RecordTask
) -> RecordPlan:
    """Merge every record of every unit that is in the car after the work.

    Raises:
        InputError: an answer is none of the choices, or a derived value does not fit its field.
        VerifyError: a merged record does not hold what was decided.
    """
    merged: list[MergedRecord] = []
    findings: list[Finding] = []
    for unit in pack.units:
        if unit.present_option is not None and unit.present_option not in task.after.options:
            continue
        part, said = _merge_unit(unit, survey.find_unit(unit.id), software, task)
        merged += part
        findings += said
    answer = check_shared_facts(_list_holders(merged), task.answers)
    for place, each in enumerate(merged):
        wanted = {
            over.field: over.raw
            for over in answer.overrides
            if (over.unit, over.identifier) == (each.unit.id, each.record.identifier)
        }
        merged[place] = _override(each, wanted)
    for each in merged:
        check_merged(each.given.layout_after, each.facts_after, each.result, each.given.where)
    kept = find_kept(merged)
    questions = [
        question
        for each in merged
        if not each.unit.system.read_only
        for question in each.result.questions
    ]
    return RecordPlan(
        merged=tuple(merged),
        questions=(*questions, *answer.questions),
        findings=(
            *findings,
            *(f for each in merged for f in list_record_findings(each)),
            *answer.findings,
            *((kept,) if kept else ()),
        ),
    )


def _merge_unit(
    unit: ControlUnit, read: UnitSurvey | None, software: SoftwarePlan, task: RecordTask
) -> tuple[list[MergedRecord], list[Finding]]:
    merged: list[MergedRecord] = []
    findings: list[Finding] = []
    block = software.find_block(unit.id)
    version = parse_version(read.software) if read is not None else None
    before = Facts(options=task.before.options, month=task.before.month, software=version)
    after = Facts(
        options=task.after.options,
        month=task.after.month,
        software=version if block is None else block.version,
    )
    for record in unit.records:
        given = None if read is None else _make_input(unit, record, read, task, after)
        if read is None or given is None:
            if not unit.system.read_only and _would_change(record, before, after):
                findings.append(_explain_missing(unit, read, record))
            continue
        doubt = suspect_software_version(record, before, given.current, given.where)
        if doubt is not None and given.origin is Origin.HOST:
            findings.append(doubt)
        merged.append(
            MergedRecord(
                unit=unit,
                record=record,
                given=given,
                result=merge(given),
                facts_after=after,
                after_programming=_needs_programming(given, after, version),
            )
        )
    return merged, findings


def _needs_programming(given: MergeInput, after: Facts, version: SoftwareVersion | None) -> bool:
    old = derive(given.layout_after, replace(after, software=version))
    return given.layout_before != given.layout_after or [v.raw for v in old] != [
        v.raw for v in given.target
    ]


def _explain_missing(
    unit: ControlUnit, read: UnitSurvey | None, record: ConfigurationRecord
) -> Finding:
    if read is not None and read.find_record(record.identifier) is not None:
        return _say(
            unit,
            record,
            "layout-missing",
            f"The pack has no layout of this record for software {read.software or 'not known'}.",
            "Read the software version again, or add the layout to the pack.",
        )
    return _explain_not_read(unit, read, record)
