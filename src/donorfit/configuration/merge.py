"""Three-way merge of one configuration record, field by field."""

from donorfit.configuration.bits import read_field, write_field
from donorfit.configuration.checksums import is_checksum_right, read_checksum, write_checksum
from donorfit.configuration.decisions import Decision, decide
from donorfit.configuration.derivation import DerivedValue
from donorfit.configuration.fields import carry_value, find_field
from donorfit.configuration.merge_bytes import find_block, list_byte_findings, make_start
from donorfit.configuration.merge_findings import list_field_findings, list_lost_fields
from donorfit.configuration.merge_values import FieldCase, MergeInput, MergeResult
from donorfit.records.plan import FieldEdit, FieldVerdict
from donorfit.vehicle.layout import Field, FieldKind

_NOT_DERIVED = "the layout of the new list does not derive it"


def _make_case(given: MergeInput, field: Field) -> FieldCase:
    """Bring base, current and target of one field into the layout after, by the field's name."""
    old = find_field(given.layout_before, field.name)
    base_value = next((each for each in given.base if each.name == field.name), None)
    target_value = next(
        (each for each in given.target if each.name == field.name),
        DerivedValue(name=field.name, raw=None, possible=(None,), reason=_NOT_DERIVED),
    )
    read = None if old is None else read_field(old, given.current)
    current = None if old is None or read is None else carry_value(old, field, read)
    base = None if base_value is None else base_value.raw
    if old is not None and base is not None:
        base = carry_value(old, field, base)
    return FieldCase(
        field=field,
        base=base,
        current=current,
        target=target_value.raw,
        base_value=base_value,
        target_value=target_value,
        lost=read if read is not None and current is None else None,
    )


def _make_edit(case: FieldCase, decision: Decision) -> FieldEdit:
    return FieldEdit(
        name=case.field.name,
        title=case.field.title,
        base=case.base,
        current=case.current,
        target=case.target,
        result=decision.result,
        verdict=decision.verdict,
        reason=decision.reason,
    )


def _write(cases: list[FieldCase], decisions: list[Decision], start: bytes) -> bytes:
    """Write every field that has a value, also the kept ones: a new layout may have moved them."""
    data = start
    for case, decision in zip(cases, decisions, strict=True):
        if decision.result is not None:
            data = write_field(case.field, data, decision.result)
    return data


def _close_checksum(given: MergeInput, data: bytes) -> tuple[bytes, tuple[FieldEdit, ...]]:
    """Recompute the checksum last, where the new bytes need another one."""
    checksum = given.layout_after.checksum
    if checksum is None or is_checksum_right(checksum, data):
        return data, ()
    before = given.layout_before.checksum
    after = write_checksum(checksum, data)
    edit = FieldEdit(
        name="checksum",
        title="Checksum",
        base=None,
        current=None if before is None else read_checksum(before, given.current),
        target=None,
        result=read_checksum(checksum, after),
        verdict=FieldVerdict.RECOMPUTED,
        reason=f"{checksum.algorithm} over bytes {checksum.first_byte} to {checksum.last_byte}",
    )
    return after, (edit,)


def merge(given: MergeInput) -> MergeResult:
    """Merge one record.

    Works on fields, never on single bits. Bits outside every field and per-car fields always stay;
    the checksum is recomputed last, and only where that of the bytes read was right.

    Raises:
        InputError: a derived value does not fit its field, or an answer is none of the choices.
    """
    block = find_block(given)
    if block is not None:
        return MergeResult(after=given.current, fields=(), findings=(block,))
    cases = [_make_case(given, field) for field in given.layout_after.fields]
    decisions = [decide(given, case) for case in cases]
    start = make_start(given)
    after, checksum_edit = _close_checksum(given, _write(cases, decisions, start))
    edits = tuple(map(_make_edit, cases, decisions))
    lost_edits, lost_findings = list_lost_fields(given)
    findings = (
        *list_byte_findings(given, start),
        *list_field_findings(given, cases, decisions, changed=after != given.current),
        *lost_findings,
    )
    customised = tuple(
        case.field.name
        for case, decision in zip(cases, decisions, strict=True)
        if case.field.kind is FieldKind.DERIVED
        and case.target is not None
        and decision.result != case.target
    )
    return MergeResult(
        after=after,
        fields=(*edits, *lost_edits, *checksum_edit),
        questions=tuple(each.question for each in decisions if each.question is not None),
        findings=findings,
        customised=customised,
    )
