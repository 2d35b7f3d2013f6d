"""Bit positions against cantools, an independent reader of the DBC convention."""

from pathlib import Path
from random import Random

import cantools
import pytest
from cantools.database.can.message import Message
from cantools.database.can.signal import Signal
from cantools.database.errors import Error
from hypothesis import given
from hypothesis import strategies as st

from donorfit.configuration import read_fields, write_fields
from donorfit.configuration.bits import get_limits, make_mask
from donorfit.vehicle.layout import ByteOrder, Field, Layout

pytestmark = pytest.mark.reference

LENGTH = 8


@st.composite
def layouts(draw: st.DrawFn) -> Layout:
    used = 0
    fields: list[Field] = []
    for number in range(draw(st.integers(1, 10))):
        field = Field(
            name=f"f{number}",
            title="",
            first_bit=draw(st.integers(0, 8 * LENGTH - 1)),
            bit_length=draw(st.integers(1, 40)),
            byte_order=draw(st.sampled_from(ByteOrder)),
            signed=draw(st.booleans()),
        )
        bits = int.from_bytes(make_mask(field, LENGTH))
        if bits and not bits & used:
            used |= bits
            fields.append(field)
    return Layout(length_bytes=LENGTH, fields=tuple(fields))


def make_message(layout: Layout) -> Message:
    signals = [
        Signal(
            name=field.name,
            start=field.first_bit,
            length=field.bit_length,
            byte_order="big_endian" if field.byte_order is ByteOrder.BIG else "little_endian",
            is_signed=field.signed,
        )
        for field in layout.fields
    ]
    return Message(frame_id=1, name="m", length=layout.length_bytes, signals=signals, strict=True)


@given(layouts(), st.binary(min_size=LENGTH, max_size=LENGTH))
def test_random_layouts_are_read_alike(layout: Layout, data: bytes) -> None:
    assert dict(read_fields(layout, data)) == make_message(layout).decode(data)


@given(layouts(), st.data())
def test_random_layouts_are_written_alike(layout: Layout, draws: st.DataObject) -> None:
    values = {field.name: draws.draw(st.integers(*get_limits(field))) for field in layout.fields}
    assert write_fields(layout, bytes(LENGTH), values.items()) == make_message(layout).encode(
        values
    )


def list_descriptions(folder: Path) -> list[Path]:
    return sorted(folder.glob("networks/cantools/dbc/*.dbc"))


def read_messages(path: Path) -> list[Message]:
    try:
        database = cantools.database.load_file(path, strict=False)
    except (Error, UnicodeDecodeError):
        return []
    return list(getattr(database, "messages", ()))


def make_fields(message: Message) -> tuple[Field, ...]:
    return tuple(
        Field(
            name=signal.name,
            title="",
            first_bit=signal.start,
            bit_length=signal.length,
            byte_order=ByteOrder.BIG if signal.byte_order == "big_endian" else ByteOrder.LITTLE,
            signed=signal.is_signed,
        )
        for signal in message.signals
    )


def fits(fields: tuple[Field, ...], message: Message) -> bool:
    """Some published test files hold signals that overlap, or lie outside their message."""
    masks = [int.from_bytes(make_mask(field, message.length)) for field in fields]
    return all(masks) and sum(masks).bit_count() == sum(mask.bit_count() for mask in masks)


def test_signals_of_published_descriptions_are_read_alike(shared_data: Path) -> None:
    """Every signal of cantools' own test files (MIT), read from random bytes."""
    random = Random(7)
    compared = 0
    for path in list_descriptions(shared_data):
        for message in read_messages(path):
            plain = not message.is_multiplexed() and not message.is_container
            plain = plain and not any(each.is_float for each in message.signals)
            fields = make_fields(message)
            if not plain or not fields or not fits(fields, message):
                continue
            for _ in range(5):
                data = random.randbytes(message.length)
                ours = read_fields(Layout(length_bytes=message.length, fields=fields), data)
                theirs = message.decode(data, decode_choices=False, scaling=False)
                assert dict(ours) == {field.name: theirs[field.name] for field in fields}
            compared += len(fields)
    assert compared > 500
