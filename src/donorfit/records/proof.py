"""Proof: read back, fault codes compared, checks by hand."""

from dataclasses import dataclass, field
from enum import Enum

from donorfit.records.finding import Finding
from donorfit.records.growth import ADDED_LATER
from donorfit.vehicle.identity import DataIdentifier, FaultCode, UnitId


class FaultVerdict(Enum):
    """What became of a fault code between before and after."""

    GONE = "gone"
    NOT_TESTED = "not tested yet"
    EXPECTED = "expected now"
    OLD = "was there before, unrelated"
    STILL_THERE = "still there, should be gone"
    NEW = "new"


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultComparison:
    """One fault code before and after; a status is None where the code was not listed."""

    unit: UnitId
    code: FaultCode
    title: str
    status_before: int | None
    status_after: int | None
    verdict: FaultVerdict
    explanation: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadBack:
    """One record read back and compared."""

    unit: UnitId
    identifier: DataIdentifier
    expected: bytes
    read: bytes
    equal: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckResult:
    """A check by hand: ``yes``, ``no`` or ``open``."""

    id: str
    text: str
    answer: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Proof:
    """What can be shown after the work.

    Attributes:
        plan_digest: the plan.
        change_digest: the change record.
        vin: the car.
        proved_at: ISO 8601 with offset.
        read_backs: one a record touched.
        faults: one a code seen before or after.
        checks: one a hand check.
        proved: everything read back equal, no code still there that should be gone, none new.
        findings: what else has to be said.
        supply_volts: supply afterwards; None where it was not read.
    """

    plan_digest: str
    change_digest: str
    vin: str
    proved_at: str
    read_backs: tuple[ReadBack, ...]
    faults: tuple[FaultComparison, ...]
    checks: tuple[CheckResult, ...]
    proved: bool
    findings: tuple[Finding, ...] = ()
    supply_volts: float | None = field(default=None, metadata=ADDED_LATER)
