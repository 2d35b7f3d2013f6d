"""Make the plan that takes a carried-out plan back, from the backups of its preparation."""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace

from donorfit.records.caution_catalogue import choose_cautions
from donorfit.records.change_record import ChangeRecord, StepState
from donorfit.records.encoding import compute_digest
from donorfit.records.finding import Finding, Severity
from donorfit.records.plan import (
    ExpectedFault,
    FaultPhase,
    FieldEdit,
    FieldVerdict,
    OptionChange,
    Plan,
    PlanPurpose,
    RecordEdit,
    Step,
    StepKind,
)
from donorfit.records.preparation import Backup, Preparation
from donorfit.stages.plan.order import order_steps
from donorfit.stages.plan.software import parse_version
from donorfit.stages.plan.steps import (
    CLEAR_SECONDS,
    EXTENDED_SESSION,
    make_download,
    mark_stops,
    word_place,
)
from donorfit.stages.plan.supply import forecast
from donorfit.stages.plan.undo_chain import check_chain
from donorfit.stages.plan.way_back import MAY_BE_DONE, WayBack, find_way_back, list_possible
from donorfit.vehicle.control_unit import ControlUnit, SoftwareBlock
from donorfit.vehicle.identity import DataIdentifier, UnitId
from donorfit.vehicle.layout import ConfigurationRecord
from donorfit.vehicle.pack import Pack

_WRITES = frozenset((StepKind.WRITE_OPTION_LIST, StepKind.WRITE_RECORD))
_RESTORED = "restored from the backup made before the work"

Place = tuple[UnitId, DataIdentifier]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Undo:
    """What the undo plan is made from.

    Attributes:
        pack: the pack.
        plan: the plan that was carried out.
        backups: bytes before the work.
        states: what became of each step.
        held: bytes that a step left behind where they are neither old nor new.
        ways_back: blocks that lead back to the old software, in order, for units that the pack
            has them for.
        stuck: units that keep the software that they have, because no way leads back.
        passed_by: of each unit the versions that it may have and that its way back does not
            lead on from.
    """

    pack: Pack
    plan: Plan
    backups: Mapping[Place, Backup]
    states: Mapping[str, StepState]
    held: Mapping[str, bytes]
    ways_back: Mapping[UnitId, tuple[SoftwareBlock, ...]]
    stuck: frozenset[UnitId]
    passed_by: Mapping[UnitId, tuple[str, ...]]

    def list_done(self, kinds: Iterable[StepKind]) -> list[Step]:
        """Steps of some kinds that were done or may have been, the last first."""
        wanted = frozenset(kinds)
        return [
            step
            for step in reversed(self.plan.steps)
            if step.kind in wanted
            and (self.states.get(step.id) in MAY_BE_DONE or step.id in self.held)
        ]


def _make_source(pack: Pack, plan: Plan, preparation: Preparation, change: ChangeRecord) -> _Undo:
    states = {each.step: each.state for each in change.steps}
    hardware = {each.unit: each.hardware for each in preparation.identities}
    ways: dict[UnitId, WayBack] = {}
    stuck: set[UnitId] = set()
    for id_ in dict.fromkeys(step.unit for step in plan.steps):
        downloads = plan.list_downloads(id_)
        if not any(states.get(step.id) in MAY_BE_DONE for step in downloads):
            continue
        unit, possible = pack.find_unit(id_), list_possible(downloads, states)
        way = None if unit is None else find_way_back(unit, hardware.get(id_, ""), possible)
        if way is None:
            stuck.add(id_)
        else:
            ways[id_] = way
    return _Undo(
        pack=pack,
        plan=plan,
        backups={(each.unit, each.identifier): each for each in preparation.backups},
        states=states,
        held={
            each.step: each.held
            for each in change.steps
            if each.state is StepState.DIFFERS and each.held
        },
        ways_back={unit: way.blocks for unit, way in ways.items()},
        stuck=frozenset(stuck),
        passed_by={unit: way.passed_by for unit, way in ways.items() if way.passed_by},
    )


def _find_record(unit: ControlUnit | None, step: Step) -> ConfigurationRecord | None:
    if unit is None:
        return None
    return next((each for each in unit.records if each.identifier == step.identifier), None)


def _is_layout_lost(source: _Undo, step: Step) -> bool:
    """Whether old bytes would be read differently, because the unit keeps its new software."""
    record = _find_record(source.pack.find_unit(step.unit), step)
    if step.unit not in source.stuck or record is None:
        return False
    downloads = source.plan.list_downloads(step.unit)
    *newer, old = list_possible(downloads, source.states)
    before = record.choose_layout(parse_version(old))
    return any(record.choose_layout(parse_version(each)) != before for each in newer)


def _restore(source: _Undo) -> Iterator[Step]:
    for step in source.list_done(_WRITES):
        backup = source.backups.get((step.unit, step.identifier))
        before = source.held.get(step.id, step.after)
        if backup is None or _is_layout_lost(source, step):
            continue
        # Where the car was prepared once more after the step was done, the backup holds what the
        # work wrote; what was there before it stands in the plan, and an earlier backup agreed.
        old = step.before if backup.data == step.after else backup.data
        if old == before:
            continue
        yield replace(
            step,
            what=f"restore from the backup: {step.what}",
            before=before,
            after=old,
        )


def _program_back(source: _Undo) -> Iterator[Step]:
    """The downloads of the way back, unit by unit, the one that was programmed last first."""
    done = source.list_done((StepKind.PROGRAM,))
    for id_ in dict.fromkeys(step.unit for step in done):
        own = [step for step in reversed(done) if step.unit == id_]
        unit = source.pack.find_unit(id_)
        blocks = source.ways_back.get(id_, ())
        if unit is None or not blocks:
            yield from _end_downloads(source, own)
            continue
        if id_ in source.passed_by:
            # What was begun over such a version is ended first: the way back begins above it.
            yield from _end_downloads(source, own)
        before = own[-1].software_after
        for number, block in enumerate(blocks, start=1):
            what = f"program {unit.title} back to software {block.version}"
            step = replace(own[-1], what=what + word_place(number, len(blocks)))
            # On the way a unit has software that neither the old nor the new records belong to.
            safe = number == len(blocks)
            yield replace(make_download(unit, block, before, step), safe_after=safe)
            before = str(block.version)


def _end_downloads(source: _Undo, own: list[Step]) -> Iterator[Step]:
    """End what was cut, where no way leads back from there.

    A unit that was left in its boot loader shows no records, so that nothing else of it could be
    restored.
    """
    for step in own:
        if source.states.get(step.id) is StepState.UNCERTAIN:
            yield replace(
                step,
                what=f"end the download of {step.software_after} if it was begun",
                only_if_begun=True,
            )


def _make_tail(
    source: _Undo, unit: ControlUnit, kind: StepKind, what: str, seconds: float
) -> Step:
    supply = source.pack.supply
    return Step(
        id="",
        kind=kind,
        unit=unit.id,
        address=unit.address,
        network=unit.network,
        what=what,
        session=EXTENDED_SESSION,
        seconds=seconds,
        current_a=supply.base_current_a if supply else 0.0,
    )


def _make_steps(source: _Undo) -> tuple[Step, ...]:
    """Software first, then every write in reverse order, so that the master's list comes last."""
    steps = [*_program_back(source), *mark_stops(list(_restore(source)))]
    touched = {step.unit for step in steps}
    units = [each for each in source.pack.units if each.id in touched]
    written = {step.unit for step in steps if step.kind in _WRITES}
    steps += [
        _make_tail(source, unit, StepKind.RESET, f"reset {unit.title}", unit.reset_seconds)
        for unit in units
        if unit.id in written
    ]
    steps += [
        _make_tail(
            source,
            unit,
            StepKind.CLEAR_FAULTS,
            f"clear the fault codes of {unit.title}",
            CLEAR_SECONDS,
        )
        for unit in units
    ]
    return tuple(steps)


def _say(severity: Severity, id_: str, what: str, where: str, next_step: str) -> Finding:
    return Finding(id=id_, severity=severity, what=what, where=where, next_step=next_step)


def _list_findings(source: _Undo, steps: tuple[Step, ...]) -> Iterator[Finding]:
    for unit in sorted(source.stuck):
        yield _say(
            Severity.WARNING,
            "software-stays",
            "The new software stays: the pack has no way back to "
            f"{source.plan.list_downloads(unit)[0].software_before} for this hardware.",
            unit,
            "If the old software is needed, get it from your own licensed source. A download that "
            "was begun and not ended is ended first.",
        )
    for unit, versions in sorted(source.passed_by.items()):
        yield _say(
            Severity.WARNING,
            "software-passed-by",
            f"If it has software {' or '.join(versions)}, it keeps that: the way back begins at "
            "another version.",
            unit,
            "Then nothing is sent to it, and the undo stops there: get the old software from your "
            "own licensed source.",
        )
    for step in source.plan.steps:
        if step.kind not in _WRITES:
            continue
        where = f"{step.unit} 0x{step.identifier:04X}"
        backup = source.backups.get((step.unit, step.identifier))
        held = "" if backup is None else backup.data.hex().upper()
        state = source.states.get(step.id)
        if state is StepState.DIFFERS and step.id not in source.held:
            yield _say(
                Severity.WARNING,
                "neither-old-nor-new",
                "The unit holds neither the old nor the new bytes, so it is left as it is.",
                where,
                f"Survey the car again; the bytes before the work were {held or 'not saved'}.",
            )
        elif (state in MAY_BE_DONE or step.id in source.held) and backup is None:
            yield _say(
                Severity.BLOCKING,
                "backup-missing",
                "There is no backup of what this step replaced.",
                where,
                "Restore it from another backup of this car.",
            )
        elif state in MAY_BE_DONE and _is_layout_lost(source, step):
            yield _say(
                Severity.WARNING,
                "layout-stays",
                "The old bytes do not fit the software that stays, so they are not restored.",
                where,
                f"The bytes before the work were {held}.",
            )
    if not steps:
        yield _say(
            Severity.NOTE,
            "nothing-to-undo",
            "Nothing has to be restored: no step changed anything.",
            source.plan.vin,
            "",
        )


def _undo_field(edit: FieldEdit) -> FieldEdit:
    changed = edit.result != edit.current
    return replace(
        edit,
        base=edit.target,
        current=edit.result,
        target=edit.base,
        result=edit.current,
        verdict=_choose_verdict(edit) if changed else FieldVerdict.UNCHANGED,
        reason=_RESTORED if changed else edit.reason,
    )


def _choose_verdict(edit: FieldEdit) -> FieldVerdict:
    """A checksum stays one, so that it is shown as one on its way back too."""
    checksum = edit.verdict is FieldVerdict.RECOMPUTED
    return FieldVerdict.RECOMPUTED if checksum else FieldVerdict.APPLIED


def _undo_edits(plan: Plan, steps: tuple[Step, ...]) -> tuple[RecordEdit, ...]:
    restored = {(step.unit, step.identifier): step for step in steps if step.kind in _WRITES}
    edits = []
    for edit in plan.edits:
        step = restored.get((edit.unit, edit.identifier))
        if step is not None:
            fields = tuple(map(_undo_field, edit.fields))
            edits.append(replace(edit, before=step.before, after=step.after, fields=fields))
    return tuple(edits)


def _expect_again(plan: Plan) -> tuple[ExpectedFault, ...]:
    """What the work had settled comes back with the state before it; the rest shows as it did."""
    return tuple(
        replace(each, phase=FaultPhase.DURING, cause=f"{each.cause}, as before the work")
        if each.phase is FaultPhase.GONE_AFTER
        else each
        for each in plan.expected_faults
    )


def make_undo_plan(pack: Pack, plan: Plan, preparation: Preparation, change: ChangeRecord) -> Plan:
    """Make the plan that restores the backups, for the steps that were or may have been done.

    It is carried out like any plan, after a preparation of its own. Software goes back only where
    the pack has the old block for the unit's hardware; where not, a finding says so.

    Raises:
        SafetyError: the records are not of one job, or a backup is damaged.
    """
    check_chain(pack, plan, preparation, change)
    source = _make_source(pack, plan, preparation, change)
    ordered = order_steps(pack, _make_steps(source), PlanPurpose.UNDO)
    steps = ordered.steps
    lists_restored = any(step.kind is StepKind.WRITE_OPTION_LIST for step in steps)
    after, month_after = (
        (plan.options_before, plan.month_before)
        if lists_restored
        else (plan.options_after, plan.month_after)
    )
    touched = {step.unit for step in steps}
    supply, supply_findings = forecast(pack, ordered.load)
    return Plan(
        purpose=PlanPurpose.UNDO,
        pack_digest=pack.digest,
        survey_digest=plan.survey_digest,
        report_digest="",
        preparation_digest=compute_digest(preparation),
        module=plan.module,
        vin=plan.vin,
        identities=tuple(each for each in plan.identities if each[0] in touched),
        month_before=plan.month_after,
        month_after=month_after,
        month_reason=_RESTORED if plan.month_after != month_after else "",
        options_before=plan.options_after,
        options_after=after,
        option_changes=tuple(
            OptionChange(option=each.option, declared=not each.declared, reasons=(_RESTORED,))
            for each in plan.option_changes
            if lists_restored
        ),
        edits=_undo_edits(plan, steps),
        steps=steps,
        supply=supply,
        seconds=ordered.seconds,
        order=ordered.order,
        expected_faults=_expect_again(plan),
        cautions=choose_cautions(
            systems=[(unit.system, unit.title) for unit in pack.units if unit.id in touched],
            month_changes=plan.month_after != month_after,
            programming=any(step.kind is StepKind.PROGRAM for step in steps),
            supply=supply is not None,
        ),
        findings=(*_list_findings(source, steps), *ordered.findings, *supply_findings),
    )
