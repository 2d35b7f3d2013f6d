"""Where the bits of a field lie in the bytes of a record, as DBC counts them.

Bit ``8 * byte + n``, ``n = 0`` the least significant of its byte. A little-endian field goes up
from its least significant bit; a big-endian field goes down from its most significant bit and on
with bit 7 of the next byte.
"""

from donorfit.errors import InputError
from donorfit.records.counted import count
from donorfit.vehicle.layout import ByteOrder, Field

_BYTE = 8


def _find_shift(field: Field, length_bytes: int) -> int | None:
    """Distance of the field's lowest bit from the lowest of the whole; None where outside."""
    if field.first_bit < 0 or field.bit_length < 1:
        return None
    if field.byte_order is ByteOrder.LITTLE:
        shift = field.first_bit
        return shift if shift + field.bit_length <= _BYTE * length_bytes else None
    byte, bit = divmod(field.first_bit, _BYTE)
    shift = _BYTE * length_bytes - (_BYTE * byte + _BYTE - 1 - bit) - field.bit_length
    return shift if shift >= 0 else None


def make_mask(field: Field, length_bytes: int) -> bytes:
    """Bytes with a one for every bit of the field; all zero where the field does not fit."""
    shift = _find_shift(field, length_bytes)
    ones = 0 if shift is None else ((1 << field.bit_length) - 1) << shift
    return ones.to_bytes(length_bytes, field.byte_order.value)


def get_limits(field: Field) -> tuple[int, int]:
    """Smallest and largest raw value of a field."""
    if field.signed:
        return -(1 << (field.bit_length - 1)), (1 << (field.bit_length - 1)) - 1
    return 0, (1 << field.bit_length) - 1


def read_field(field: Field, data: bytes) -> int | None:
    """Raw value of one field; None where the bytes end before the field does."""
    shift = _find_shift(field, len(data))
    if shift is None:
        return None
    raw = (int.from_bytes(data, field.byte_order.value) >> shift) & ((1 << field.bit_length) - 1)
    negative = field.signed and raw >> (field.bit_length - 1)
    return raw - (1 << field.bit_length) if negative else raw


def write_field(field: Field, data: bytes, raw: int) -> bytes:
    """The bytes with one field set; no bit outside the field changes.

    Raises:
        InputError: the value does not fit the field, or the field does not fit the bytes.
    """
    low, high = get_limits(field)
    if not low <= raw <= high:
        raise InputError(
            what=f"The value {raw} does not fit the field {field.name!r}.",
            where=f"field {field.name!r}, {field.bit_length} bits",
            why=f"It holds {low} to {high}.",
            next_step="Correct the value, or the field's length in the pack.",
        )
    shift = _find_shift(field, len(data))
    if shift is None:
        raise InputError(
            what=f"The field {field.name!r} lies outside a record of {count(len(data), 'byte')}.",
            where=f"field {field.name!r}, first bit {field.first_bit}",
            next_step="Check the layout in the pack against the length of the record.",
        )
    ones = (1 << field.bit_length) - 1
    whole = int.from_bytes(data, field.byte_order.value) & ~(ones << shift)
    return (whole | ((raw & ones) << shift)).to_bytes(len(data), field.byte_order.value)
