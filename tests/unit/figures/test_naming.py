"""Values in words, bytes of fields, fault codes in text."""

from dataclasses import replace
from typing import Any

import pytest

from donorfit.figures.naming import (
    gather_names,
    get_field_note,
    get_option_title,
    get_unit_title,
    list_bytes_used,
    word_value,
    write_value,
)
from donorfit.vehicle.fault_code import write_fault_code
from donorfit.vehicle.layout import ByteOrder, Checksum, Choice, Field, Scale


@pytest.mark.parametrize(
    ("code", "text"),
    [
        # bit layout of SAE J2012-DA: two bits letter, two bits digit, then three hex digits
        (0x012300, "P0123-00"),
        (0x420011, "C0200-11"),
        (0x9A0113, "B1A01-13"),
        (0xD40087, "U1400-87"),
        (0xFFFFFF, "U3FFF-FF"),
        (0x000000, "P0000-00"),
    ],
)
def test_fault_code_text(code: int, text: str) -> None:
    assert write_fault_code(code) == text


@pytest.mark.parametrize(
    ("first_bit", "length", "order", "used"),
    [
        (0, 1, ByteOrder.BIG, (0,)),
        (7, 8, ByteOrder.BIG, (0,)),
        (7, 9, ByteOrder.BIG, (0, 1)),
        (3, 12, ByteOrder.BIG, (0, 1)),
        (15, 16, ByteOrder.BIG, (1, 2)),
        (0, 8, ByteOrder.LITTLE, (0,)),
        (4, 8, ByteOrder.LITTLE, (0, 1)),
        (8, 16, ByteOrder.LITTLE, (1, 2)),
        (63, 2, ByteOrder.LITTLE, (7, 8)),
    ],
)
def test_bytes_of_a_field(
    first_bit: int, length: int, order: ByteOrder, used: tuple[int, ...]
) -> None:
    field = Field(name="f", title="F", first_bit=first_bit, bit_length=length, byte_order=order)
    assert list_bytes_used(field) == used


@pytest.mark.reference
@pytest.mark.parametrize("order", [ByteOrder.BIG, ByteOrder.LITTLE])
def test_bytes_of_a_field_agree_with_cantools(order: ByteOrder) -> None:
    """cantools (independent library) sets the field's bits; the bytes that change are ours."""
    cantools = pytest.importorskip("cantools")
    from cantools.database.can import Message, Signal
    from cantools.database.conversion import BaseConversion

    for first_bit in range(0, 24, 3):
        for length in (1, 5, 8, 11):
            signal = Signal(
                "f",
                start=first_bit,
                length=length,
                byte_order="big_endian" if order is ByteOrder.BIG else "little_endian",
                conversion=BaseConversion.factory(),
            )
            message = Message(1, "m", 8, [signal], strict=True)
            data = message.encode({"f": 2**length - 1})
            changed = tuple(place for place, value in enumerate(data) if value)
            field = Field(
                name="f", title="F", first_bit=first_bit, bit_length=length, byte_order=order
            )
            assert list_bytes_used(field) == changed
    assert cantools


def test_values_in_words() -> None:
    choice = Field(
        name="f", title="F", first_bit=0, bit_length=2, choices=(Choice(raw=1, name="on"),)
    )
    scaled = Field(
        name="f",
        title="F",
        first_bit=0,
        bit_length=8,
        scale=Scale(factor=5, offset=-40, unit="cm"),
    )
    assert write_value(choice, 1) == "on"
    assert write_value(choice, 3) == "3 (no name)"
    assert write_value(scaled, 30) == "110 cm"


def test_titles_and_notes_come_from_the_pack(job: Any) -> None:
    names = gather_names(job.pack, edits=job.plan.edits)
    assert get_unit_title(names, "gateway") == "Gateway"
    assert get_unit_title(names, "unheard") == "unheard"
    assert get_option_title(names, "tow_coupling") == "Towing coupling, swivelling"
    assert get_option_title(names, "unheard") == ""
    note = get_field_note(names, "park_distance", 0x2F42, "first_tone_distance")
    assert note is not None
    assert note.bytes_used == (1,)
    assert word_value(note, 30) == "150 cm"
    assert word_value(note, None) == "not known"
    assert word_value(None, 7) == "7"


def test_only_asked_options_are_named(job: Any) -> None:
    names = gather_names(job.pack, options=["tow_coupling"])
    assert [option for option, _ in names.options] == ["tow_coupling"]


@pytest.mark.parametrize(
    ("algorithm", "used"),
    [("crc8-autosar", (5,)), ("crc16-ccitt-false", (5, 6)), ("sum8", (5,)), ("xor", (5,))],
)
def test_bytes_of_a_checksum_are_known(job: Any, algorithm: str, used: tuple[int, ...]) -> None:
    unit = job.pack.find_unit("park_distance")
    layout = replace(
        unit.records[0].layouts[0],
        checksum=Checksum(algorithm=algorithm, byte=5, first_byte=0, last_byte=4),
    )
    record = replace(unit.records[0], layouts=(layout,))
    pack = replace(job.pack, units=(replace(unit, records=(record,)),))
    field = replace(job.plan.edits[0].fields[-1], name="checksum")
    edit = replace(job.plan.edits[2], fields=(field,))
    (note,) = gather_names(pack, edits=(edit,)).fields
    assert note.bytes_used == used
