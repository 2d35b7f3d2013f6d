"""Fields in bytes: read, written, put into words, carried between layouts."""

from typing import Any

import pytest

from donorfit.configuration.bits import get_limits, make_mask, read_field, write_field
from donorfit.configuration.fields import (
    carry_value,
    describe_value,
    get_meaning,
    read_fields,
    write_fields,
)
from donorfit.errors import InputError, MisuseError
from donorfit.vehicle.layout import ByteOrder, Choice, Field, Layout, Scale


def make_field(name: str = "x", first_bit: Any = 7, bit_length: Any = 8, **more: Any) -> Any:
    return Field(name=name, title=name.title(), first_bit=first_bit, bit_length=bit_length, **more)


LITTLE = {"byte_order": ByteOrder.LITTLE}
DATA = bytes.fromhex("12 34 56 78")


@pytest.mark.parametrize(
    ("field", "value"),
    [
        (make_field(first_bit=7), 0x12),
        (make_field(first_bit=3, bit_length=4), 0x2),
        (make_field(first_bit=7, bit_length=16), 0x1234),
        (make_field(first_bit=3, bit_length=8), 0x23),
        (make_field(first_bit=15, bit_length=24), 0x345678),
        (make_field(first_bit=0, bit_length=8, **LITTLE), 0x12),
        (make_field(first_bit=0, bit_length=16, **LITTLE), 0x3412),
        (make_field(first_bit=4, bit_length=8, **LITTLE), 0x41),
        (make_field(first_bit=31, bit_length=1, **LITTLE), 0),
        (make_field(first_bit=30, bit_length=1), 1),
        (make_field(first_bit=30, bit_length=3, signed=True), -1),
    ],
)
def test_a_field_is_read_as_dbc_counts_bits(field: Field, value: int) -> None:
    assert read_field(field, DATA) == value


def test_a_field_beyond_the_bytes_is_not_known() -> None:
    assert read_field(make_field(first_bit=31, bit_length=9), DATA) is None
    assert read_field(make_field(first_bit=31, bit_length=2, **LITTLE), DATA) is None
    assert make_mask(make_field(first_bit=39), 4) == bytes(4)


def test_an_impossible_field_has_no_place() -> None:
    assert read_field(make_field(first_bit=-1), DATA) is None
    assert read_field(make_field(bit_length=0), DATA) is None


def test_writing_leaves_all_other_bits_alone() -> None:
    field = make_field(first_bit=3, bit_length=8)
    assert write_field(field, b"\xff\xff\xff", 0) == b"\xf0\x0f\xff"
    assert write_field(field, b"\x00\x00\x00", 0xFF) == b"\x0f\xf0\x00"


@pytest.mark.parametrize("raw", [-1, 256])
def test_a_value_too_large_is_refused_with_the_limits(raw: int) -> None:
    with pytest.raises(InputError, match="0 to 255"):
        write_field(make_field(), DATA, raw)


def test_signed_limits() -> None:
    assert get_limits(make_field(bit_length=3, signed=True)) == (-4, 3)


def test_a_field_that_does_not_fit_the_record_cannot_be_written() -> None:
    with pytest.raises(InputError, match=r"outside a record of 1 byte\b"):
        write_field(make_field(first_bit=15), b"\x00", 1)


def test_all_fields_outside_are_named_at_once() -> None:
    layout = Layout(
        length_bytes=6,
        fields=(make_field("a"), make_field("b", first_bit=39), make_field("c", first_bit=47)),
    )
    with pytest.raises(InputError, match="fields b, c"):
        read_fields(layout, DATA)


def test_an_unknown_field_name_is_a_bug() -> None:
    with pytest.raises(MisuseError, match="no field 'y'"):
        write_fields(Layout(length_bytes=1, fields=(make_field(),)), b"\x00", [("y", 1)])


@pytest.mark.parametrize(
    ("field", "raw", "text"),
    [
        (make_field(choices=(Choice(raw=2, name="bright"),)), 2, "bright (2)"),
        (make_field(choices=(Choice(raw=2, name="bright"),)), 3, "3 (no known value)"),
        (make_field(scale=Scale(factor=0.5, offset=-40, unit="degC")), 100, "10 degC (100)"),
        (make_field(), 9, "9"),
        (make_field(), None, "not known"),
    ],
)
def test_values_in_words(field: Field, raw: int, text: str) -> None:
    assert describe_value(field, raw) == text


class TestCarriedBetweenLayouts:
    def test_by_name_of_the_value(self) -> None:
        old = make_field(choices=(Choice(raw=0, name="off"), Choice(raw=1, name="on")))
        new = make_field(choices=(Choice(raw=0, name="off"), Choice(raw=2, name="on")))
        assert carry_value(old, new, 1) == 2

    def test_a_name_that_is_gone_cannot_be_carried(self) -> None:
        old = make_field(choices=(Choice(raw=3, name="dim"),))
        new = make_field(choices=(Choice(raw=0, name="off"),))
        assert carry_value(old, new, 3) is None

    def test_by_physical_value(self) -> None:
        old = make_field(scale=Scale(factor=1.0, offset=0.0, unit="cm"))
        new = make_field(scale=Scale(factor=5.0, offset=0.0, unit="cm"))
        assert carry_value(old, new, 150) == 30
        assert carry_value(old, new, 151) is None

    def test_a_number_that_does_not_fit_cannot_be_carried(self) -> None:
        assert carry_value(make_field(bit_length=8), make_field(bit_length=4), 16) is None
        assert carry_value(make_field(bit_length=8), make_field(bit_length=4), 15) == 15


def test_meaning_is_name_then_physical_value_then_number() -> None:
    assert get_meaning(make_field(choices=(Choice(raw=1, name="on"),)), 1) == "on"
    assert get_meaning(make_field(scale=Scale(factor=0.1, offset=0, unit="V")), 123) == 12.3
    assert get_meaning(make_field(), 7) == 7.0
