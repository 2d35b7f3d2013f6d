"""Plan: everything that will be changed, in order, with reasons."""

from dataclasses import dataclass, field
from enum import Enum

from donorfit.records.finding import Finding
from donorfit.records.growth import ADDED_LATER
from donorfit.records.session_order import SessionOrder
from donorfit.vehicle.identity import (
    Address,
    BuildMonth,
    DataIdentifier,
    FaultCode,
    OptionName,
    UnitId,
)

NO_IDENTIFIER = DataIdentifier(0)
"""Stands where a step writes under no data identifier."""


class PlanPurpose(Enum):
    """What a plan is for."""

    RETROFIT = "retrofit"
    UNDO = "undo"


@dataclass(frozen=True, slots=True, kw_only=True)
class OptionChange:
    """One entry of the option list that becomes declared or is taken out, and why."""

    option: OptionName
    declared: bool
    reasons: tuple[str, ...]


class FieldVerdict(Enum):
    """What the three-way merge decided about one field."""

    UNCHANGED = "unchanged"
    APPLIED = "applied"
    KEPT = "kept from owner"
    ALREADY = "already there"
    ASKED = "asked"
    UNVERIFIED = "unverified after change"
    RECOMPUTED = "recomputed"


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldEdit:
    """One field of one record through the merge; None where a value is not known.

    Attributes:
        name: field.
        title: what a person reads.
        base: raw value derived from the old option list.
        current: raw value read.
        target: raw value derived from the new option list.
        result: raw value that will be in the record.
        verdict: what was decided.
        reason: rule or note behind it.
    """

    name: str
    title: str
    base: int | None
    current: int | None
    target: int | None
    result: int | None
    verdict: FieldVerdict
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordEdit:
    """One configuration record before and after, field by field."""

    unit: UnitId
    identifier: DataIdentifier
    record: str
    before: bytes
    after: bytes
    fields: tuple[FieldEdit, ...]


class StepKind(Enum):
    """What a step does to a unit."""

    PROGRAM = "program software"
    WRITE_OPTION_LIST = "write option list"
    WRITE_RECORD = "write configuration record"
    RESET = "reset"
    CLEAR_FAULTS = "clear fault codes"


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One step, in the order of the plan.

    Attributes:
        id: stable name within the plan, such as ``s03``.
        kind: what it does.
        unit: unit it is done to.
        address: its logical address.
        network: network it sits on.
        what: the deed in a few words.
        identifier: data identifier written, for writes.
        before: bytes that must be there now, for writes.
        after: bytes that will be there, for writes.
        session: session needed.
        security_level: security level needed; 0 where none.
        software_file: file in the pack, for programming.
        software_sha256: digest of that file.
        software_before: version that must be reported before.
        software_after: version that must be reported after.
        only_if_begun: whether it only ends a download that may have been begun: a unit that
            reports ``software_before`` is left as it is.
        memory_address: where the block goes.
        routine_check: routine that checks it.
        seconds: realistic duration, also the wait after a reset.
        current_a: supply current of the car during the step.
        safe_after: whether the job can stop after it with a car that works.
        round: the round that it belongs to; 0 in plans that were made without rounds.
        waits_for: steps that are closed before it begins.
        waits_because: why it waits for them.
    """

    id: str
    kind: StepKind
    unit: UnitId
    address: Address
    network: str
    what: str
    identifier: DataIdentifier = NO_IDENTIFIER
    before: bytes = b""
    after: bytes = b""
    session: int = 3
    security_level: int = 0
    software_file: str = ""
    software_sha256: str = ""
    software_before: str = ""
    software_after: str = ""
    memory_address: int = 0
    routine_check: int = 0
    seconds: float = 0.0
    current_a: float = 0.0
    safe_after: bool = True
    round: int = field(default=0, metadata=ADDED_LATER)
    waits_for: tuple[str, ...] = field(default=(), metadata=ADDED_LATER)
    waits_because: str = field(default="", metadata=ADDED_LATER)
    only_if_begun: bool = field(default=False, metadata=ADDED_LATER)


@dataclass(frozen=True, slots=True, kw_only=True)
class SupplyForecast:
    """Supply over the planned session.

    Attributes:
        minutes: planned length of the session.
        charge_ah: charge that the car takes over that time.
        peak_current_a: highest current.
        support_current_a: smallest continuous current of a supply that holds the battery.
        lowest_volts: predicted lowest voltage with that supply, at the unit that reports it.
        lowest_volts_unsupported: the same with the battery alone.
        window_low_volts: lowest voltage that the family asks for.
        window_high_volts: highest voltage that the family allows.
        holds: whether the session may start with that supply.
        source: table that the prediction rests on.
        points: minute, current in ampere, voltage with support, voltage without.
        lowest_posts_volts: lowest voltage with support at the battery's posts.
        first_charge: charge of the battery that it begins with, 0..1, the worst case.
        last_charge: charge at the end with support.
        last_charge_unsupported: charge at the end on the battery alone.
    """

    minutes: float
    charge_ah: float
    peak_current_a: float
    support_current_a: float
    lowest_volts: float
    lowest_volts_unsupported: float
    window_low_volts: float
    window_high_volts: float
    holds: bool
    source: str
    points: tuple[tuple[float, float, float, float], ...] = ()
    lowest_posts_volts: float | None = field(default=None, metadata=ADDED_LATER)
    first_charge: float | None = field(default=None, metadata=ADDED_LATER)
    last_charge: float | None = field(default=None, metadata=ADDED_LATER)
    last_charge_unsupported: float | None = field(default=None, metadata=ADDED_LATER)


class FaultPhase(Enum):
    """When a fault code is expected."""

    DURING = "during the work"
    GONE_AFTER = "gone after the work"


@dataclass(frozen=True, slots=True, kw_only=True)
class ExpectedFault:
    """A fault code that the work explains."""

    unit: UnitId
    code: FaultCode
    title: str
    phase: FaultPhase
    cause: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedCaution:
    """A caution that what the plan touches brings up; to be confirmed before writing."""

    id: str
    text: str
    jurisdictions: tuple[str, ...]
    source: str
    seen: str
    because: str


@dataclass(frozen=True, slots=True, kw_only=True)
class WireOrder:
    """One wire between two cavities: host connector side, module side, size and fuse."""

    host_cavity: str
    module_cavity: str
    purpose: str
    cross_section_mm2: float
    fuse_a: float
    length_m: float
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedCheck:
    """A check by hand after the work."""

    id: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenQuestion:
    """A conflict that only the owner can decide; the plan cannot be applied before."""

    id: str
    text: str
    choices: tuple[str, ...]
    chosen: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """Everything that will be changed, in order, with reasons.

    Attributes:
        purpose: retrofit or undo.
        pack_digest: digest of the pack.
        survey_digest: digest of the survey that it was made from.
        report_digest: digest of the fit report; empty in an undo plan.
        preparation_digest: for an undo plan, the preparation it restores; else empty.
        module: donor module's id.
        vin: the car.
        identities: unit and serial number of every unit that is touched.
        month_before: declared build month.
        month_after: build month that will be declared.
        month_reason: why it changes; empty where it does not.
        options_before: declared options.
        options_after: options that will be declared.
        option_changes: the difference with reasons.
        edits: configuration records that change, with their fields.
        steps: what is done, in order.
        supply: supply forecast; None where the pack says nothing of the supply.
        seconds: realistic duration of the session.
        expected_faults: fault codes that the work explains.
        cautions: cautions to be confirmed.
        wires: wires to run.
        checks: checks by hand afterwards.
        questions: conflicts that the owner has to decide.
        findings: what else has to be said.
        order: what runs side by side; None in plans that were made without rounds, whose steps
            are done one after the other.
    """

    purpose: PlanPurpose
    pack_digest: str
    survey_digest: str
    report_digest: str
    module: str
    vin: str
    identities: tuple[tuple[UnitId, str], ...]
    month_before: BuildMonth | None
    month_after: BuildMonth | None
    month_reason: str
    options_before: tuple[OptionName, ...]
    options_after: tuple[OptionName, ...]
    option_changes: tuple[OptionChange, ...]
    edits: tuple[RecordEdit, ...]
    steps: tuple[Step, ...]
    supply: SupplyForecast | None
    seconds: float
    expected_faults: tuple[ExpectedFault, ...] = ()
    cautions: tuple[PlannedCaution, ...] = ()
    wires: tuple[WireOrder, ...] = ()
    checks: tuple[PlannedCheck, ...] = ()
    questions: tuple[OpenQuestion, ...] = ()
    findings: tuple[Finding, ...] = ()
    preparation_digest: str = ""
    order: SessionOrder | None = field(default=None, metadata=ADDED_LATER)

    def list_downloads(self, unit: UnitId) -> tuple[Step, ...]:
        """The downloads of one unit, in their order: each goes over what the one before brings."""
        return tuple(
            step for step in self.steps if step.kind is StepKind.PROGRAM and step.unit == unit
        )

    def list_first(self, begun: frozenset[str]) -> tuple[Step, ...]:
        """Downloads that come before all rounds, since a unit in its boot loader shows no records.

        Those that were begun, and before them what comes before them in their unit's row: it may
        be missing after all, and nothing is loaded over software that it may not replace.

        Args:
            begun: steps that an earlier run of this plan may have begun.
        """
        first = []
        for step in self.steps:
            row = self.list_downloads(step.unit) if step.kind is StepKind.PROGRAM else ()
            if step in row and any(each.id in begun for each in row[row.index(step) :]):
                first.append(step)
        return tuple(first)
