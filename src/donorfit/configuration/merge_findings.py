"""What a merge has to say beside its edits."""

from collections.abc import Sequence

from donorfit.configuration.bits import read_field
from donorfit.configuration.decisions import Decision
from donorfit.configuration.fields import describe_value, find_field, is_outside_choices
from donorfit.configuration.merge_values import FieldCase, MergeInput, Origin
from donorfit.records.counted import count
from donorfit.records.finding import Finding, Severity
from donorfit.records.plan import FieldEdit, FieldVerdict
from donorfit.vehicle.layout import FieldKind

Rows = Sequence[tuple[FieldCase, Decision]]


def _find_fixed(given: MergeInput, rows: Rows) -> Finding | None:
    """Fixed fields that do not hold what the pack says: reported, never written."""
    odd = [
        f"{case.field.title}: {describe_value(case.field, case.current)}"
        + (
            ""
            if case.target is None
            else f", the pack says {describe_value(case.field, case.target)}"
        )
        for case, _ in rows
        if case.field.kind is FieldKind.FIXED
        and (
            (case.target is not None and case.target != case.current)
            or is_outside_choices(case.field, case.current)
        )
    ]
    if not odd:
        return None
    return Finding(
        id="fixed-field-differs",
        severity=Severity.WARNING,
        what=f"{len(odd)} fixed fields do not hold the value that they have in this family.",
        where=given.where,
        why="Fixed fields are read only or can be written once, so they stay.",
        evidence=tuple(odd),
        next_step="Check that the unit is of this family and hardware.",
    )


def _find_unknown_values(given: MergeInput, rows: Rows) -> Finding | None:
    odd = [
        f"{case.field.title}: {case.current}"
        for case, decision in rows
        if case.field.kind is FieldKind.DERIVED
        and is_outside_choices(case.field, case.current)
        and decision.result == case.current
    ]
    if not odd:
        return None
    return Finding(
        id="value-unknown",
        severity=Severity.WARNING,
        what=f"{count(len(odd), 'field holds a value', 'fields hold values')} that the pack does "
        "not know; kept as read.",
        where=given.where,
        evidence=tuple(odd),
        next_step="Check the unit's software version, or add the values to the pack.",
    )


def _find_donor_values(given: MergeInput, rows: Rows) -> Finding | None:
    """Values of the donor car: replaced ones are listed, those that stay all the more."""
    if given.origin is not Origin.DONOR:
        return None
    listed = [
        f"{case.field.title}: {describe_value(case.field, case.current)} becomes "
        f"{describe_value(case.field, decision.result)}"
        for case, decision in rows
        if decision.verdict is FieldVerdict.APPLIED
    ]
    left = [
        f"{case.field.title}: {describe_value(case.field, case.current)} stays"
        for case, decision in rows
        if case.field.kind is FieldKind.DERIVED and case.target is None
    ]
    if not listed and not left:
        return None
    return Finding(
        id="donor-values",
        severity=Severity.WARNING if left else Severity.NOTE,
        what=f"The module held its own car's values: {len(listed)} are replaced, "
        f"{len(left)} stay because nothing is derived for them.",
        where=given.where,
        why="The donor car's equipment and its owner's wishes are not those of this car.",
        evidence=(*listed, *left),
        next_step="Look at the values that stay before the plan is applied." if left else "",
    )


def _find_unverified(given: MergeInput, rows: Rows) -> Finding | None:
    listed = tuple(
        f"{case.field.title}: {describe_value(case.field, decision.result)}, {decision.reason}"
        for case, decision in rows
        if decision.verdict is FieldVerdict.UNVERIFIED
    )
    if not listed or given.origin is Origin.DONOR:
        return None
    return Finding(
        id="field-unverified",
        severity=Severity.WARNING,
        what=f"{len(listed)} fields keep their value though the new one is not known.",
        where=given.where,
        evidence=listed,
        next_step="Read the unit's software version, or check these functions by hand.",
    )


def _find_not_writable(given: MergeInput, rows: Rows) -> Finding | None:
    wanted = tuple(
        f"{case.field.title}: {describe_value(case.field, case.current)} would become "
        f"{describe_value(case.field, decision.result)}"
        for case, decision in rows
        if decision.result is not None and decision.result != case.current
    )
    return Finding(
        id="record-not-writable",
        severity=Severity.BLOCKING,
        what="The record would have to change, but the unit refuses writes of it by design.",
        where=given.where,
        evidence=wanted,
        next_step="Ask a workshop that is licensed for this unit.",
    )


def list_field_findings(
    given: MergeInput, cases: list[FieldCase], decisions: list[Decision], *, changed: bool
) -> tuple[Finding, ...]:
    """What has to be said about the fields of the layout after."""
    rows = list(zip(cases, decisions, strict=True))
    found = [
        _find_fixed(given, rows),
        _find_unknown_values(given, rows),
        _find_donor_values(given, rows),
        _find_unverified(given, rows),
    ]
    if changed and not given.writable:
        found.append(_find_not_writable(given, rows))
    return tuple(each for each in found if each is not None)


def list_lost_fields(given: MergeInput) -> tuple[tuple[FieldEdit, ...], tuple[Finding, ...]]:
    """Fields of the layout before that the layout after does not have."""
    lost = [
        field
        for field in given.layout_before.fields
        if find_field(given.layout_after, field.name) is None
    ]
    bases = {each.name: each.raw for each in given.base}
    edits = tuple(
        FieldEdit(
            name=field.name,
            title=field.title,
            base=bases.get(field.name),
            current=read_field(field, given.current),
            target=None,
            result=None,
            verdict=FieldVerdict.UNVERIFIED,
            reason="the new layout of the record does not have it",
        )
        for field in lost
    )
    if not edits:
        return (), ()
    finding = Finding(
        id="fields-lost",
        severity=Severity.WARNING,
        what=f"The new layout of the record loses {count(len(edits), 'field')}.",
        where=given.where,
        evidence=tuple(
            f"{field.title}: {describe_value(field, edit.current)}"
            + (", the owner's own value" if edit.base not in (None, edit.current) else "")
            for field, edit in zip(lost, edits, strict=True)
        ),
        next_step="Note these values; going back to the old software brings the fields back.",
    )
    return edits, (finding,)
