"""Prepare: backups read twice, identities checked, supply proved, the car kept awake."""

import hashlib
from collections.abc import Generator
from dataclasses import dataclass
from typing import Any

from donorfit.diagnostics.conversation import Together
from donorfit.diagnostics.negative_response import AUTHENTICATION_WORDS
from donorfit.diagnostics.readings import (
    Missing,
    ask_authentication,
    read_identifier,
    read_text,
)
from donorfit.records.encoding import compute_digest
from donorfit.records.finding import Finding, Severity
from donorfit.records.plan import Plan, PlanPurpose, Step, StepKind
from donorfit.records.preparation import Backup, Identity, Preparation
from donorfit.stages.prepare.conditions import (
    block,
    check_awake,
    check_vin,
    confirm_cautions,
    list_asleep,
    prove_supply,
)
from donorfit.vehicle.control_unit import (
    HARDWARE_IDENTIFIER,
    SERIAL_IDENTIFIER,
    SOFTWARE_IDENTIFIER,
    ControlUnit,
)
from donorfit.vehicle.pack import Pack

WRITES = frozenset((StepKind.WRITE_OPTION_LIST, StepKind.WRITE_RECORD))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Prepared:
    """What one unit gave."""

    identity: Identity | None
    backups: tuple[Backup, ...]
    findings: tuple[Finding, ...]


def prepare(
    pack: Pack, plan: Plan, prepared_at: str, support_current_a: float | None
) -> Generator[Any, Any, Preparation]:
    """Make the car ready for a plan; only reads and asks.

    Args:
        pack: the car family.
        plan: what will be done.
        prepared_at: ISO 8601 time with offset.
        support_current_a: continuous current of the supply in ampere; None: battery alone.
    """
    confirmed, findings = yield from confirm_cautions(plan.cautions)
    wake_checks = yield from check_awake(pack)
    findings += list_asleep(wake_checks)
    vin_findings = yield from check_vin(pack, plan)
    touched = _list_touched(pack, plan)
    results: tuple[_Prepared, ...] = yield Together(
        tuple((unit.id, _prepare_unit(unit, plan)) for unit in touched)
    )
    supply_volts, supply_findings = yield from prove_supply(pack, plan, support_current_a)
    findings += [*vin_findings, *supply_findings]
    findings += [finding for result in results for finding in result.findings]
    findings += [
        block("open-question", f"The plan has an open question: {question.text}", question.id)
        for question in plan.questions
        if not question.chosen
    ]
    return Preparation(
        plan_digest=compute_digest(plan),
        vin=plan.vin,
        prepared_at=prepared_at,
        backups=tuple(backup for result in results for backup in result.backups),
        identities=tuple(result.identity for result in results if result.identity is not None),
        wake_checks=tuple(wake_checks),
        supply_volts=supply_volts,
        support_current_a=support_current_a,
        ready=not any(finding.severity is Severity.BLOCKING for finding in findings),
        cautions_confirmed=tuple(confirmed),
        findings=tuple(findings),
    )


def _list_touched(pack: Pack, plan: Plan) -> list[ControlUnit]:
    names = {step.unit for step in plan.steps if step.kind is not StepKind.CLEAR_FAULTS}
    return [unit for unit in pack.units if unit.id in names]


def _prepare_unit(unit: ControlUnit, plan: Plan) -> Generator[Any, Any, _Prepared]:
    findings: list[Finding] = []
    texts = []
    for identifier, what in (
        (SERIAL_IDENTIFIER, "read serial number"),
        (HARDWARE_IDENTIFIER, "read hardware number"),
        (SOFTWARE_IDENTIFIER, "read software version"),
    ):
        text = yield from read_text(unit, identifier, what)
        if isinstance(text, Missing):
            findings.append(
                block("identity-unreadable", f"{unit.title}: {what} failed.", unit.id, text.why)
            )
            return _Prepared(identity=None, backups=(), findings=tuple(findings))
        texts.append(text)
    identity = Identity(
        unit=unit.id,
        address=unit.address,
        serial=texts[0],
        hardware=texts[1],
        software=texts[2],
    )
    planned = dict(plan.identities).get(unit.id)
    if planned is not None and planned != identity.serial:
        findings.append(
            block(
                "unit-swapped",
                f"{unit.title} is not the one that was surveyed.",
                unit.id,
                f"serial number {identity.serial} instead of {planned}",
                "Make a new survey and a new plan.",
            )
        )
    backups = []
    downloads = plan.list_downloads(unit.id)
    in_boot_loader = (
        plan.purpose is PlanPurpose.UNDO
        and bool(downloads)
        and all(
            identity.software not in {step.software_before, step.software_after}
            for step in downloads
        )
    )
    for step in plan.steps:
        if step.unit == unit.id and step.kind in WRITES:
            backup = yield from _back_up(unit, step, in_boot_loader=in_boot_loader)
            if isinstance(backup, Finding):
                findings.append(backup)
            else:
                backups.append(backup)
                findings.extend(_compare_with_plan(unit, step, backup))
    if (yield from ask_authentication(unit)):
        findings.append(_warn_of_authentication(unit))
    return _Prepared(identity=identity, backups=tuple(backups), findings=tuple(findings))


def _warn_of_authentication(unit: ControlUnit) -> Finding:
    return Finding(
        id="authentication-known",
        severity=Severity.WARNING,
        what=f"{unit.title} knows authentication and may ask for it before a write.",
        where=unit.id,
        why=AUTHENTICATION_WORDS,
        next_step="If it refuses, nothing in it is changed: what was written before stays, and "
        "donorfit undo JOB takes it back.",
    )


def _back_up(
    unit: ControlUnit, step: Step, *, in_boot_loader: bool
) -> Generator[Any, Any, Backup | Finding]:
    """Read twice; both reads must be the same bytes."""
    reads = []
    for what in ("back up", "verify the backup of"):
        data = yield from read_identifier(unit, step.identifier, f"{what} {step.identifier:04X}")
        if isinstance(data, Missing) and data.answered and in_boot_loader:
            # In its boot loader it shows no records. What it held before the work is kept since
            # then, and these are the bytes that the work wrote.
            data = step.before
        if isinstance(data, Missing):
            return block(
                "no-backup",
                f"{unit.title} {step.identifier:04X} cannot be backed up.",
                unit.id,
                data.why,
            )
        reads.append(data)
    if reads[0] != reads[1]:
        return block(
            "unsteady-record",
            f"{unit.title} {step.identifier:04X} reads differently twice.",
            unit.id,
            f"{reads[0].hex().upper()} then {reads[1].hex().upper()}",
        )
    return Backup(
        unit=unit.id,
        address=unit.address,
        identifier=step.identifier,
        data=reads[0],
        sha256=hashlib.sha256(reads[0]).hexdigest(),
    )


def _compare_with_plan(unit: ControlUnit, step: Step, backup: Backup) -> list[Finding]:
    if backup.data in {step.before, step.after}:
        return []
    return [
        block(
            "changed-since-survey",
            f"{unit.title} {step.identifier:04X} has changed since the survey.",
            unit.id,
            f"{backup.data.hex().upper()} instead of {step.before.hex().upper()}",
            "Make a new survey and a new plan.",
        )
    ]
