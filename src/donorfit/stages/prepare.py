"""Prepare: backups read twice, identities checked, supply proved, the car kept awake."""

import hashlib
from collections.abc import Generator
from dataclasses import dataclass
from typing import Any

from donorfit.diagnostics.conversation import Chosen, Question, Together
from donorfit.diagnostics.negative_response import AUTHENTICATION_WORDS
from donorfit.diagnostics.readings import (
    Missing,
    ask_authentication,
    read_identifier,
    read_supply,
    read_text,
)
from donorfit.records.encoding import compute_digest
from donorfit.records.finding import Finding, Severity
from donorfit.records.plan import Plan, PlannedCaution, PlanPurpose, Step, StepKind
from donorfit.records.preparation import Backup, Identity, Preparation, WakeCheck
from donorfit.vehicle.control_unit import (
    HARDWARE_IDENTIFIER,
    SERIAL_IDENTIFIER,
    SOFTWARE_IDENTIFIER,
    VIN_IDENTIFIER,
    ControlUnit,
)
from donorfit.vehicle.identity import UnitId
from donorfit.vehicle.pack import Pack, WakeCondition, WakeProof

YES, NO = "yes", "no"
UNDERSTOOD, STOP = "understood", "stop"
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
    confirmed, findings = yield from _confirm_cautions(plan.cautions)
    wake_checks = yield from _check_awake(pack)
    findings += [
        _block("not-awake", f"The car may fall asleep: {check.text}.", check.id, check.shown_by)
        for check in wake_checks
        if not check.met
    ]
    vin_findings = yield from _check_vin(pack, plan)
    touched = _list_touched(pack, plan)
    results: tuple[_Prepared, ...] = yield Together(
        tuple((unit.id, _prepare_unit(unit, plan)) for unit in touched)
    )
    supply_volts, supply_findings = yield from _prove_supply(pack, plan, support_current_a)
    findings += [*vin_findings, *supply_findings]
    findings += [finding for result in results for finding in result.findings]
    findings += [
        _block("open-question", f"The plan has an open question: {question.text}", question.id)
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


def _block(id_: str, what: str, where: str = "", why: str = "", next_step: str = "") -> Finding:
    return Finding(
        id=id_,
        severity=Severity.BLOCKING,
        what=what,
        where=where,
        why=why,
        next_step=next_step or "Mend it, then prepare again.",
    )


def _list_touched(pack: Pack, plan: Plan) -> list[ControlUnit]:
    names = {step.unit for step in plan.steps if step.kind is not StepKind.CLEAR_FAULTS}
    return [unit for unit in pack.units if unit.id in names]


def _confirm_cautions(
    cautions: tuple[PlannedCaution, ...],
) -> Generator[Any, Any, tuple[list[str], list[Finding]]]:
    confirmed: list[str] = []
    findings: list[Finding] = []
    for caution in cautions:
        answer = yield Question(
            id=f"caution-{caution.id}", text=caution.text, choices=(UNDERSTOOD, STOP)
        )
        if isinstance(answer, Chosen) and answer.choice == UNDERSTOOD:
            confirmed.append(caution.id)
        else:
            findings.append(
                _block("caution-open", f"A caution is not confirmed: {caution.text}", caution.id)
            )
    return confirmed, findings


def _check_awake(pack: Pack) -> Generator[Any, Any, list[WakeCheck]]:
    checks = []
    for condition in pack.wake_conditions:
        unit = pack.find_unit(condition.unit)
        if condition.proof is WakeProof.READ and unit is not None:
            met, shown_by = yield from _read_condition(condition, unit)
        else:
            answer = yield Question(
                id=f"awake-{condition.id}", text=f"{condition.text}: is it so?", choices=(YES, NO)
            )
            met = isinstance(answer, Chosen) and answer.choice == YES
            shown_by = "the person says so" if met else "the person says no"
        checks.append(WakeCheck(id=condition.id, text=condition.text, met=met, shown_by=shown_by))
    return checks


def _read_condition(
    condition: WakeCondition, unit: ControlUnit
) -> Generator[Any, Any, tuple[bool, str]]:
    data = yield from read_identifier(unit, condition.identifier, f"read {condition.id}")
    where = f"{unit.id} {condition.identifier:04X}"
    if isinstance(data, Missing):
        return False, f"{where}: {data.why}"
    if condition.byte >= len(data):
        return False, f"{where}: only {len(data)} bytes"
    value = data[condition.byte]
    met = value & condition.mask == condition.value
    return met, f"{where} byte {condition.byte} is {value:02X}"


def _check_vin(pack: Pack, plan: Plan) -> Generator[Any, Any, list[Finding]]:
    """The car must be the plan's: the master keeper says who it is."""
    keepers = pack.list_keepers()
    if not keepers:
        return []
    vin = yield from read_text(keepers[0], VIN_IDENTIFIER, "read VIN")
    if isinstance(vin, Missing):
        return [_block("vin-unreadable", "The car's VIN could not be read.", why=vin.why)]
    if vin != plan.vin:
        return [
            _block(
                "other-car",
                f"This is another car: {vin}.",
                why=f"The plan was made for {plan.vin}.",
                next_step="Connect to the plan's car, or make a survey and a plan for this one.",
            )
        ]
    return []


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
                _block("identity-unreadable", f"{unit.title}: {what} failed.", unit.id, text.why)
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
            _block(
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
            return _block(
                "no-backup",
                f"{unit.title} {step.identifier:04X} cannot be backed up.",
                unit.id,
                data.why,
            )
        reads.append(data)
    if reads[0] != reads[1]:
        return _block(
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
        _block(
            "changed-since-survey",
            f"{unit.title} {step.identifier:04X} has changed since the survey.",
            unit.id,
            f"{backup.data.hex().upper()} instead of {step.before.hex().upper()}",
            "Make a new survey and a new plan.",
        )
    ]


def _prove_supply(
    pack: Pack, plan: Plan, support_current_a: float | None
) -> Generator[Any, Any, tuple[float | None, list[Finding]]]:
    """Measured voltage inside the window now, and a supply that holds to the end of the plan."""
    if pack.supply is None:
        return None, []
    unit = pack.find_unit(UnitId(pack.supply.unit))
    if unit is None:
        return None, []
    volts = yield from read_supply(unit, pack.supply.identifier, pack.supply.volts_per_bit)
    if isinstance(volts, Missing):
        return None, [
            _block("supply-unreadable", "The supply cannot be read.", unit.id, volts.why)
        ]
    findings = []
    low, high = pack.supply.lowest_volts, pack.supply.highest_volts
    if not low <= volts <= high:
        findings.append(
            _block(
                "supply-outside",
                f"The supply is at {volts:.2f} V.",
                unit.id,
                f"this family asks for {low:.1f} to {high:.1f} V",
                "Connect or adjust the support supply, wait until it has settled.",
            )
        )
    forecast = plan.supply
    if forecast is not None:
        findings += _judge_support(
            forecast.support_current_a,
            forecast.window_low_volts,
            forecast.lowest_volts_unsupported,
            support_current_a,
        )
    return volts, findings


def _judge_support(
    needed_a: float, window_low_volts: float, alone_volts: float, given_a: float | None
) -> list[Finding]:
    alone_holds = alone_volts >= window_low_volts
    if (given_a or 0.0) >= needed_a or (given_a is None and alone_holds):
        return []
    return [
        _block(
            "support-too-weak",
            f"The supply will not hold: {given_a or 0:g} A continuous, {needed_a:g} A needed.",
            why=f"the battery alone would fall to {alone_volts:.2f} V, "
            f"the window ends at {window_low_volts:.1f} V",
            next_step=f"Connect a supply of at least {needed_a:g} A and say so: --support-amps.",
        )
    ]
