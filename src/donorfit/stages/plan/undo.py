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
from donorfit.stages.plan.steps import CLEAR_SECONDS, EXTENDED_SESSION, mark_stops
from donorfit.stages.plan.supply import forecast
from donorfit.stages.plan.undo_chain import check_chain
from donorfit.vehicle.control_unit import ControlUnit, SoftwareBlock
from donorfit.vehicle.identity import DataIdentifier, UnitId
from donorfit.vehicle.layout import ConfigurationRecord
from donorfit.vehicle.pack import Pack

_WRITES = frozenset((StepKind.WRITE_OPTION_LIST, StepKind.WRITE_RECORD))
_MAY_BE_DONE = frozenset((StepState.DONE, StepState.ALREADY, StepState.UNCERTAIN))
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
        old_blocks: software to go back to, for units whose old block the pack has.
        stuck: units that keep the new software, because the pack has not the old one.
    """

    pack: Pack
    plan: Plan
    backups: Mapping[Place, Backup]
    states: Mapping[str, StepState]
    held: Mapping[str, bytes]
    old_blocks: Mapping[UnitId, SoftwareBlock]
    stuck: frozenset[UnitId]

    def list_done(self, kinds: Iterable[StepKind]) -> list[Step]:
        """Steps of some kinds that were done or may have been, the last first."""
        wanted = frozenset(kinds)
        return [
            step
            for step in reversed(self.plan.steps)
            if step.kind in wanted
            and (self.states.get(step.id) in _MAY_BE_DONE or step.id in self.held)
        ]


def _find_old_block(
    unit: ControlUnit, version: str, hardware: str, now: str
) -> SoftwareBlock | None:
    wanted, there = parse_version(version), parse_version(now)
    return next(
        (
            each
            for each in unit.software_blocks
            if each.version == wanted and hardware in each.hardware and each.may_replace(there)
        ),
        None,
    )


def _make_source(pack: Pack, plan: Plan, preparation: Preparation, change: ChangeRecord) -> _Undo:
    states = {each.step: each.state for each in change.steps}
    hardware = {each.unit: each.hardware for each in preparation.identities}
    old_blocks: dict[UnitId, SoftwareBlock] = {}
    stuck: set[UnitId] = set()
    for step in plan.steps:
        if step.kind is not StepKind.PROGRAM or states.get(step.id) not in _MAY_BE_DONE:
            continue
        unit = pack.find_unit(step.unit)
        block = (
            None
            if unit is None
            else _find_old_block(
                unit, step.software_before, hardware.get(step.unit, ""), step.software_after
            )
        )
        if block is None:
            stuck.add(step.unit)
        else:
            old_blocks[step.unit] = block
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
        old_blocks=old_blocks,
        stuck=frozenset(stuck),
    )


def _find_record(unit: ControlUnit | None, step: Step) -> ConfigurationRecord | None:
    if unit is None:
        return None
    return next((each for each in unit.records if each.identifier == step.identifier), None)


def _is_layout_lost(source: _Undo, step: Step) -> bool:
    """Whether old bytes would be read differently, because the unit keeps its new software."""
    program = next(
        (
            each
            for each in source.plan.steps
            if each.kind is StepKind.PROGRAM and each.unit == step.unit
        ),
        None,
    )
    record = _find_record(source.pack.find_unit(step.unit), step)
    if step.unit not in source.stuck or program is None or record is None:
        return False
    return record.choose_layout(parse_version(program.software_before)) != record.choose_layout(
        parse_version(program.software_after)
    )


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
    for step in source.list_done((StepKind.PROGRAM,)):
        block = source.old_blocks.get(step.unit)
        if block is None and source.states.get(step.id) is StepState.UNCERTAIN:
            # A unit that was left in its boot loader shows no records, so that nothing else of
            # it could be restored.
            yield replace(
                step,
                what=f"end the download of {step.software_after} if it was begun",
                only_if_begun=True,
            )
        elif block is not None:
            yield replace(
                step,
                what=f"program {step.unit} back to software {block.version}",
                software_file=block.file,
                software_sha256=block.sha256,
                software_before=step.software_after,
                software_after=str(block.version),
                memory_address=block.memory_address,
                routine_check=block.routine_check,
                seconds=block.seconds,
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
            "The new software stays: the pack does not have the old block for this hardware.",
            unit,
            "If the old software is needed, get it from your own licensed source. A download that "
            "was begun and not ended is ended first.",
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
        elif (state in _MAY_BE_DONE or step.id in source.held) and backup is None:
            yield _say(
                Severity.BLOCKING,
                "backup-missing",
                "There is no backup of what this step replaced.",
                where,
                "Restore it from another backup of this car.",
            )
        elif state in _MAY_BE_DONE and _is_layout_lost(source, step):
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
        verdict=FieldVerdict.APPLIED if changed else FieldVerdict.UNCHANGED,
        reason=_RESTORED if changed else edit.reason,
    )


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
    """What the work had settled comes back with the state before it."""
    return tuple(
        replace(
            each,
            phase=FaultPhase.DURING,
            cause=f"{each.cause}, as before the work",
        )
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
