"""Prove: read everything back, compare fault codes, ask for the checks by hand."""

from collections.abc import Generator
from typing import Any

from donorfit.diagnostics.conversation import Chosen, Pause, Question, Together
from donorfit.diagnostics.readings import (
    Missing,
    read_faults,
    read_identifier,
    read_supply,
    read_text,
)
from donorfit.faults import compare_faults
from donorfit.records.change_record import ChangeRecord
from donorfit.records.counted import choose, count
from donorfit.records.encoding import compute_digest
from donorfit.records.finding import Finding, Severity
from donorfit.records.plan import Plan, Step, StepKind
from donorfit.records.proof import CheckResult, FaultVerdict, Proof, ReadBack
from donorfit.records.survey import FaultRead, Survey, UnitSurvey
from donorfit.vehicle.control_unit import SOFTWARE_IDENTIFIER, ControlUnit
from donorfit.vehicle.fault_code import FaultStatus
from donorfit.vehicle.identity import DataIdentifier
from donorfit.vehicle.pack import Pack

YES, NO, OPEN = "yes", "no", "open"
MOST_FAULT_LOOKS = 6
FAULT_PAUSE_S = 5.0

_BAD = frozenset((FaultVerdict.STILL_THERE, FaultVerdict.NEW))
_WRITES = frozenset((StepKind.WRITE_OPTION_LIST, StepKind.WRITE_RECORD))
_UNTESTED = (
    FaultStatus.TEST_NOT_COMPLETED_SINCE_LAST_CLEAR
    | FaultStatus.TEST_NOT_COMPLETED_THIS_OPERATION_CYCLE
)


def prove(
    pack: Pack, plan: Plan, before: Survey, change: ChangeRecord, proved_at: str
) -> Generator[Any, Any, Proof]:
    """Show what the car holds now.

    Args:
        pack: the car family.
        plan: what was to be done.
        before: the survey that the plan was made from.
        change: what was done.
        proved_at: ISO 8601 time with offset.
    """
    # The person's answers outlive a proof that was cut; what the car holds is read after them, so
    # that it is read anew whenever the proof is taken up.
    checks = []
    for check in plan.checks:
        answer = yield Question(id=f"check-{check.id}", text=check.text, choices=(YES, NO, OPEN))
        said = answer.choice if isinstance(answer, Chosen) else OPEN
        checks.append(CheckResult(id=check.id, text=check.text, answer=said))
    read_backs, findings = yield from _read_back(pack, plan)
    after = yield from _read_all_faults(pack)
    faults = compare_faults(before.units, after, plan.expected_faults, pack.faults)
    findings += _judge_unread(plan, before, after)
    findings += _judge_checks(checks)
    supply_volts = yield from _read_supply(pack)
    if not change.finished:
        findings.append(
            Finding(
                id="not-finished",
                severity=Severity.BLOCKING,
                what="The plan was not carried out to its end.",
                why=change.stop_reason,
                next_step="donorfit resume JOB, or donorfit undo JOB",
            )
        )
    proved = (
        change.finished
        and all(each.equal for each in read_backs)
        and not any(fault.verdict in _BAD for fault in faults)
        and not any(check.answer == NO for check in checks)
        and not any(finding.severity is Severity.BLOCKING for finding in findings)
    )
    return Proof(
        plan_digest=compute_digest(plan),
        change_digest=compute_digest(change),
        vin=plan.vin,
        proved_at=proved_at,
        read_backs=tuple(read_backs),
        faults=tuple(faults),
        checks=tuple(checks),
        proved=proved,
        findings=tuple(findings),
        supply_volts=supply_volts,
    )


def _read_supply(pack: Pack) -> Generator[Any, Any, float | None]:
    """Supply after the work, to be held against the forecast; None where it cannot be read."""
    window = pack.supply
    unit = pack.find_unit(window.unit) if window is not None else None
    if window is None or unit is None:
        return None
    volts = yield from read_supply(unit, window.identifier, window.volts_per_bit)
    return None if isinstance(volts, Missing) else volts


def _judge_unread(plan: Plan, before: Survey, after: tuple[UnitSurvey, ...]) -> list[Finding]:
    """Units whose fault codes could not be read now, though they listed them before or are new."""
    touched = {step.unit for step in plan.steps}
    findings = []
    for each in after:
        then = before.find_unit(each.unit)
        listed = then is not None and bool(then.faults or then.fault_availability)
        if each.answered or not (listed or each.unit in touched):
            continue
        findings.append(
            Finding(
                id="faults-unread",
                severity=Severity.BLOCKING if listed else Severity.WARNING,
                what=f"The fault codes of {each.unit} could not be read: they show nothing.",
                where=each.unit,
                why="; ".join(each.refusals),
                next_step="See that it is awake, then prove again: donorfit prove JOB",
            )
        )
    return findings


def _judge_checks(checks: list[CheckResult]) -> list[Finding]:
    open_checks = [check for check in checks if check.answer == OPEN]
    if not open_checks:
        return []
    return [
        Finding(
            id="checks-open",
            severity=Severity.NOTE,
            what=f"{count(len(open_checks), 'check')} by hand still open.",
            evidence=tuple(check.text for check in open_checks),
            next_step="Do them and prove again.",
        )
    ]


def _read_back(
    pack: Pack, plan: Plan
) -> Generator[Any, Any, tuple[list[ReadBack], list[Finding]]]:
    """Everything that the plan writes, read once more, and the software it programs."""
    read_backs: list[ReadBack] = []
    findings: list[Finding] = []
    for step in plan.steps:
        unit = pack.find_unit(step.unit)
        if unit is None:
            continue
        if step.kind in _WRITES:
            data = yield from read_identifier(unit, step.identifier, f"read back {step.what}")
            read = b"" if isinstance(data, Missing) else data
            read_backs.append(_compare(unit, step.identifier, step.after, read))
        elif step.kind is StepKind.PROGRAM and step == plan.list_downloads(unit.id)[-1]:
            version = yield from read_text(unit, SOFTWARE_IDENTIFIER, "read software version")
            read = b"" if isinstance(version, Missing) else version.encode("latin-1")
            expected = _expect_version(plan.list_downloads(unit.id), read.decode("latin-1"))
            read_backs.append(
                _compare(unit, SOFTWARE_IDENTIFIER, expected.encode("latin-1"), read)
            )
    differing = [each for each in read_backs if not each.equal]
    if differing:
        findings.append(
            Finding(
                id="read-back-differs",
                severity=Severity.BLOCKING,
                what=f"{count(len(differing), 'value')} read back "
                f"{choose(len(differing), 'differs', 'differ')} from the plan.",
                evidence=tuple(f"{each.unit} {each.identifier:04X}" for each in differing),
                next_step="donorfit resume JOB, or donorfit undo JOB",
            )
        )
    return read_backs, findings


def _expect_version(downloads: tuple[Step, ...], read: str) -> str:
    """The version that the last download brings.

    Downloads that are only ended where they were begun leave a unit at any version of their row.
    """
    row = {
        version for each in downloads for version in (each.software_before, each.software_after)
    }
    if all(each.only_if_begun for each in downloads) and read in row:
        return read
    return downloads[-1].software_after


def _compare(
    unit: ControlUnit, identifier: DataIdentifier, expected: bytes, read: bytes
) -> ReadBack:
    return ReadBack(
        unit=unit.id, identifier=identifier, expected=expected, read=read, equal=expected == read
    )


def _read_all_faults(pack: Pack) -> Generator[Any, Any, tuple[UnitSurvey, ...]]:
    """Fault codes of every unit; units whose tests have not run yet are asked again."""
    reads: tuple[UnitSurvey, ...] = yield Together(
        tuple((unit.id, _read_unit_faults(unit)) for unit in pack.units)
    )
    return reads


def _read_unit_faults(unit: ControlUnit) -> Generator[Any, Any, UnitSurvey]:
    survey = UnitSurvey(unit=unit.id, address=unit.address, answered=False)
    for look in range(MOST_FAULT_LOOKS):
        report = yield from read_faults(unit)
        if isinstance(report, Missing):
            # Whatever it says instead: an empty list would stand for a fault memory without codes.
            return UnitSurvey(
                unit=unit.id, address=unit.address, answered=False, refusals=(report.why,)
            )
        survey = UnitSurvey(
            unit=unit.id,
            address=unit.address,
            answered=True,
            faults=tuple(
                FaultRead(code=fault.code, status=int(fault.status)) for fault in report.faults
            ),
            fault_availability=int(report.availability),
        )
        untested = any(fault.status & _UNTESTED for fault in report.faults)
        if not untested or look + 1 == MOST_FAULT_LOOKS:
            break
        yield Pause(seconds=FAULT_PAUSE_S, why=f"{unit.title} has tests that have not run yet")
    return survey
