"""One merged record of the plan, and what has to be said about it."""

from collections.abc import Iterable
from dataclasses import dataclass, replace

from donorfit.configuration import MergeInput, MergeResult, describe_value, find_field
from donorfit.records.counted import choose, count
from donorfit.records.finding import Finding, Severity
from donorfit.records.plan import FieldEdit, FieldVerdict, RecordEdit
from donorfit.vehicle.control_unit import ControlUnit
from donorfit.vehicle.expression import Facts
from donorfit.vehicle.layout import ConfigurationRecord


@dataclass(frozen=True, slots=True, kw_only=True)
class MergedRecord:
    """One record of one unit with the result of its merge.

    Attributes:
        unit: the control unit.
        record: the record.
        given: what was merged.
        result: what came out.
        facts_after: what the target was derived from.
        after_programming: it can only be written once the new software runs, since its layout or
            a value depends on it.
    """

    unit: ControlUnit
    record: ConfigurationRecord
    given: MergeInput
    result: MergeResult
    facts_after: Facts
    after_programming: bool

    @property
    def changes(self) -> bool:
        """Whether other bytes should be in the unit afterwards."""
        return self.result.after != self.given.current

    @property
    def written(self) -> bool:
        """Whether the plan writes it."""
        return (
            self.changes
            and not self.unit.system.read_only
            and self.record.writable
            and not self.result.blocked
        )

    def make_edit(self) -> RecordEdit:
        """The record as the plan shows it."""
        return RecordEdit(
            unit=self.unit.id,
            identifier=self.record.identifier,
            record=self.record.name,
            before=self.given.current,
            after=self.result.after,
            fields=self.result.fields,
        )


def _word_wanted(merged: MergedRecord, edit: FieldEdit) -> str:
    field = find_field(merged.given.layout_after, edit.name)
    if field is None:
        return edit.title
    held, wanted = (describe_value(field, raw) for raw in (edit.current, edit.target))
    return f"{edit.title}: {held} would become {wanted}"


def _find_licensed(merged: MergedRecord) -> Finding | None:
    """A unit that is only ever read: say what a licensed workshop would have to set."""
    if not merged.unit.system.read_only:
        return None
    wanted = tuple(
        _word_wanted(merged, edit)
        for edit in merged.result.fields
        if edit.target is not None and edit.target not in {edit.base, edit.current}
    )
    if not wanted:
        return None
    return Finding(
        id="licensed-workshop",
        severity=Severity.WARNING,
        what=f"{merged.unit.title} would have to be configured anew; it is not written.",
        where=merged.given.where,
        why=f"Units of {merged.unit.system.value} systems are read, never written.",
        evidence=wanted,
        next_step="Ask a workshop that is licensed for this system.",
    )


def _word_kept(merged: MergedRecord, edit: FieldEdit) -> str:
    field = find_field(merged.given.layout_after, edit.name)
    if field is None:
        return f"{merged.given.where}: {edit.title}"
    held, derived = (describe_value(field, raw) for raw in (edit.result, edit.target))
    return f"{merged.given.where}: {edit.title} {held}, derived {derived}"


def find_kept(merged: Iterable[MergedRecord]) -> Finding | None:
    """Say which values of the owner's own stay, over all records; None where there are none."""
    kept = tuple(
        _word_kept(each, edit)
        for each in merged
        if not each.unit.system.read_only
        for edit in each.result.fields
        if edit.verdict is FieldVerdict.KEPT
    )
    if not kept:
        return None
    return Finding(
        id="owner-values-kept",
        severity=Severity.NOTE,
        what=f"{count(len(kept), 'value')} that the owner changed "
        f"{choose(len(kept), 'stays as it is', 'stay as they are')}.",
        where="configuration records",
        evidence=kept,
    )


def list_record_findings(merged: MergedRecord) -> tuple[Finding, ...]:
    """Findings of a record; one that is only read cannot be blocked, only doubtful."""
    licensed = _find_licensed(merged)
    if not merged.unit.system.read_only:
        return merged.result.findings
    soft = tuple(
        replace(each, severity=Severity.WARNING) if each.severity is Severity.BLOCKING else each
        for each in merged.result.findings
    )
    return soft if licensed is None else (*soft, licensed)
