"""What a merge is given beside the bytes, and what it returns."""

from dataclasses import dataclass, field
from enum import Enum

from donorfit.configuration.derivation import DerivedValue
from donorfit.records.finding import Finding, Severity
from donorfit.records.plan import FieldEdit, OpenQuestion
from donorfit.vehicle.identity import DataIdentifier, UnitId
from donorfit.vehicle.layout import Field, Layout

KEEP = "keep"
CHANGE = "change"
CHOICES = (KEEP, CHANGE)
"""Answers to a question of a merge: keep what the car holds, or take the new value."""


class Origin(Enum):
    """Whose values a record holds before the work."""

    HOST = "the host car"
    DONOR = "the donor car"


@dataclass(frozen=True, slots=True, kw_only=True)
class PeerShare:
    """How many other cars of the family hold a value that their option lists do not give."""

    name: str
    raw: int
    share: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RivalRule:
    """Another rule that fits the cars read so far, and what it says of one field.

    Attributes:
        name: field.
        base: raw value that it derives from the old option list.
        target: raw value that it derives from the new one.
        votes: how many cars support it.
        rule: the rule in words.
    """

    name: str
    base: int | None
    target: int | None
    votes: int
    rule: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PeerEvidence:
    """What other cars of the family say about one record.

    Attributes:
        usual: the bytes that most of them hold in the layout after; None where unknown.
        shares: values that owners often set.
        rivals: rules that compete with the pack's.
    """

    usual: bytes | None = None
    shares: tuple[PeerShare, ...] = ()
    rivals: tuple[RivalRule, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class MergeInput:
    """One record to be merged.

    Attributes:
        unit: the control unit.
        identifier: data identifier of the record.
        record: name of the record.
        layout_before: layout of the bytes read.
        layout_after: layout of the bytes to be written.
        base: derived from the old option list, in the layout before; of a donor module from the
            donor's list, or unknown.
        current: bytes read.
        target: derived from the new option list, in the layout after.
        origin: whose values the record holds.
        peers: what other cars say.
        overrides: raw values decided elsewhere, in the layout after, such as for a shared fact.
        answers: question ids and answers already given.
        writable: false where the unit refuses writes of this record.
    """

    unit: UnitId
    identifier: DataIdentifier
    record: str
    layout_before: Layout
    layout_after: Layout
    base: tuple[DerivedValue, ...]
    current: bytes
    target: tuple[DerivedValue, ...]
    origin: Origin = Origin.HOST
    peers: PeerEvidence = field(default_factory=PeerEvidence)
    overrides: tuple[tuple[str, int], ...] = ()
    answers: tuple[tuple[str, str], ...] = ()
    writable: bool = True

    @property
    def where(self) -> str:
        """Unit, record and identifier in words."""
        return f"{self.unit}, {self.record} (0x{self.identifier:04X})"

    def name_question(self, name: str) -> str:
        """Stable id of the question about one field."""
        return f"{self.unit}-{self.identifier:04X}-{name}"

    def find_answer(self, name: str) -> str:
        """Answer given about one field; empty where none is."""
        return next(
            (answer for id_, answer in self.answers if id_ == self.name_question(name)), ""
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class MergeResult:
    """One record after the merge.

    Attributes:
        after: bytes to be written; those read where the merge is blocked.
        fields: one an entry of the layout after, then fields that the new layout lost, then the
            checksum.
        questions: conflicts that only the owner can decide, answered or not.
        findings: what else has to be said.
        customised: fields that keep a value other than the derived one.
    """

    after: bytes
    fields: tuple[FieldEdit, ...]
    questions: tuple[OpenQuestion, ...] = ()
    findings: tuple[Finding, ...] = ()
    customised: tuple[str, ...] = ()

    @property
    def blocked(self) -> bool:
        """Whether the record must not be written."""
        return any(each.severity is Severity.BLOCKING for each in self.findings)


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldCase:
    """One field of the layout after, with everything that the decision rests on.

    Attributes:
        field: the field.
        base: derived from the old list, carried into the layout after.
        current: read, carried into the layout after; None where the field is new there or the
            value cannot be carried.
        target: derived from the new list.
        base_value: where ``base`` comes from; None where the layout before lacks the field.
        target_value: where ``target`` comes from.
        lost: the raw value read that the layout after cannot hold; None where none is lost.
    """

    field: Field
    base: int | None
    current: int | None
    target: int | None
    base_value: DerivedValue | None
    target_value: DerivedValue
    lost: int | None = None
