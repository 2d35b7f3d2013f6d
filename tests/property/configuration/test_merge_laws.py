"""Laws of the three-way merge, on random layouts and values."""

from collections.abc import Iterable
from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st

from donorfit.configuration import (
    DerivedValue,
    MergeInput,
    MergeResult,
    is_checksum_right,
    merge,
    read_fields,
    write_checksum,
    write_fields,
)
from donorfit.configuration.bits import get_limits, make_mask
from donorfit.configuration.merge_bytes import mask_known
from donorfit.vehicle.identity import DataIdentifier, UnitId
from donorfit.vehicle.layout import ByteOrder, Checksum, Field, FieldKind, Layout

LENGTH = 12
ALGORITHMS = ("crc8-sae-j1850", "crc8-autosar", "crc16-ccitt-false", "sum8", "xor8")


@st.composite
def layouts(draw: st.DrawFn) -> Layout:
    """Fields that do not overlap, of both byte orders, and a checksum at the end or none."""
    algorithm = draw(st.sampled_from([None, *ALGORITHMS]))
    room = LENGTH if algorithm is None else LENGTH - 2
    used = 0
    fields: list[Field] = []
    for number in range(draw(st.integers(0, 8))):
        field = Field(
            name=f"f{number}",
            title=f"F{number}",
            first_bit=draw(st.integers(0, 8 * room - 1)),
            bit_length=draw(st.integers(1, 20)),
            byte_order=draw(st.sampled_from(ByteOrder)),
            signed=draw(st.booleans()),
            kind=draw(st.sampled_from([FieldKind.DERIVED, FieldKind.DERIVED, FieldKind.PER_CAR])),
        )
        bits = int.from_bytes(make_mask(field, room))
        if bits and not bits & used:
            used |= bits
            fields.append(field)
    checksum = None
    if algorithm is not None:
        checksum = Checksum(algorithm=algorithm, byte=room, first_byte=0, last_byte=room - 1)
    return Layout(length_bytes=LENGTH, fields=tuple(fields), checksum=checksum)


def draw_values(draw: st.DrawFn, layout: Layout) -> tuple[DerivedValue, ...]:
    found = []
    for field in layout.fields:
        low, high = get_limits(field)
        raw = draw(st.integers(low, min(high, low + 3)))
        found.append(DerivedValue(name=field.name, raw=raw, possible=(raw,), reason="drawn"))
    return tuple(found)


def fill(layout: Layout, start: bytes, values: Iterable[DerivedValue]) -> bytes:
    raws = [(each.name, each.raw) for each in values if each.raw is not None]
    data = write_fields(layout, start, raws)
    return data if layout.checksum is None else write_checksum(layout.checksum, data)


@st.composite
def cases(draw: st.DrawFn) -> MergeInput:
    layout = draw(layouts())
    start = draw(st.binary(min_size=LENGTH, max_size=LENGTH))
    return MergeInput(
        unit=UnitId("u"),
        identifier=DataIdentifier(1),
        record="r",
        layout_before=layout,
        layout_after=layout,
        base=draw_values(draw, layout),
        current=fill(layout, start, draw_values(draw, layout)),
        target=draw_values(draw, layout),
    )


def with_kept(case: MergeInput, values: tuple[DerivedValue, ...]) -> bytes:
    """The current bytes with derived fields set; per-car fields as they are."""
    derived = {each.name for each in case.layout_after.fields if each.kind is FieldKind.DERIVED}
    return fill(case.layout_after, case.current, [v for v in values if v.name in derived])


def take(case: MergeInput) -> tuple[DerivedValue, ...]:
    """What the car holds, as if it were derived."""
    raws = read_fields(case.layout_before, case.current)
    return tuple(DerivedValue(name=n, raw=r, possible=(r,), reason="read") for n, r in raws)


@given(cases())
def test_untouched_record_becomes_the_target(case: MergeInput) -> None:
    case = replace(case, current=with_kept(case, case.base))
    assert merge(case).after == with_kept(case, case.target)


@given(cases())
def test_nothing_changes_where_the_list_changes_nothing(case: MergeInput) -> None:
    result = merge(replace(case, target=case.base))
    assert result.after == case.current
    assert result.questions == ()


@given(cases())
def test_a_record_that_holds_the_target_stays(case: MergeInput) -> None:
    result = merge(replace(case, target=take(case)))
    assert result.after == case.current
    assert result.questions == ()
    assert result.customised == ()


@given(cases())
def test_merging_the_result_again_changes_nothing(case: MergeInput) -> None:
    first = merge(case)
    again = merge(replace(case, current=first.after))
    assert again.after == first.after


@given(cases(), st.sampled_from(["keep", "change"]))
def test_answers_settle_every_question(case: MergeInput, answer: str) -> None:
    asked = merge(case).questions
    result = merge(replace(case, answers=tuple((each.id, answer) for each in asked)))
    assert all(each.chosen for each in result.questions)
    values = {each.name: each.raw for each in case.target}
    read = dict(read_fields(case.layout_after, result.after))
    current = dict(read_fields(case.layout_before, case.current))
    for each in asked:
        name = each.id.rsplit("-", 1)[1]
        assert read[name] == (values[name] if answer == "change" else current[name])


@given(cases())
def test_bits_outside_the_fields_never_change(case: MergeInput) -> None:
    result = merge(case)
    mask = mask_known(case.layout_after, LENGTH)
    for old, new, known in zip(case.current, result.after, mask, strict=True):
        assert old & ~known & 0xFF == new & ~known & 0xFF


@given(cases())
def test_per_car_fields_never_change_and_the_checksum_is_right(case: MergeInput) -> None:
    result = merge(case)
    before = dict(read_fields(case.layout_before, case.current))
    after = dict(read_fields(case.layout_after, result.after))
    for field in case.layout_after.fields:
        if field.kind is FieldKind.PER_CAR:
            assert before[field.name] == after[field.name]
    checksum = case.layout_after.checksum
    assert checksum is None or is_checksum_right(checksum, result.after)


@given(cases())
def test_every_field_is_accounted_for_and_reads_back(case: MergeInput) -> None:
    result: MergeResult = merge(case)
    named = [each.name for each in result.fields if each.name != "checksum"]
    assert named == [each.name for each in case.layout_after.fields]
    read = dict(read_fields(case.layout_after, result.after))
    for edit in result.fields:
        if edit.name != "checksum" and edit.result is not None:
            assert read[edit.name] == edit.result


@given(cases(), st.data())
def test_a_damaged_record_is_never_written(case: MergeInput, data: st.DataObject) -> None:
    """CRC, sum and xor all notice one changed bit in a covered byte."""
    checksum = case.layout_before.checksum
    if checksum is None:
        return
    place = data.draw(st.integers(0, checksum.last_byte))
    bit = data.draw(st.integers(0, 7))
    damaged = bytearray(case.current)
    damaged[place] ^= 1 << bit
    result = merge(replace(case, current=bytes(damaged)))
    assert result.blocked
    assert result.after == bytes(damaged)
