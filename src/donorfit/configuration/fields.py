"""Fields of a record as values: read, written, put into words, carried between layouts."""

from collections.abc import Iterable
from math import isclose

from donorfit.configuration.bits import get_limits, read_field, write_field
from donorfit.errors import InputError, MisuseError
from donorfit.records.counted import count
from donorfit.vehicle.layout import Field, Layout

Values = tuple[tuple[str, int], ...]
"""Field names and raw values, in the layout's order."""


def find_field(layout: Layout, name: str) -> Field | None:
    """The field of that name; None where the layout has none."""
    return next((each for each in layout.fields if each.name == name), None)


def read_fields(layout: Layout, data: bytes) -> Values:
    """Raw values of all fields, in the layout's order.

    Raises:
        InputError: the bytes end before some field does.
    """
    values = [(field.name, read_field(field, data)) for field in layout.fields]
    outside = [name for name, raw in values if raw is None]
    if outside:
        raise InputError(
            what=f"A record of {count(len(data), 'byte')} does not hold every field of its "
            "layout.",
            where=f"fields {', '.join(outside)}",
            why=f"The layout has {count(layout.length_bytes, 'byte')}.",
            next_step="Check the unit's software version and the layouts in the pack.",
        )
    return tuple((name, raw) for name, raw in values if raw is not None)


def write_fields(layout: Layout, data: bytes, values: Iterable[tuple[str, int]]) -> bytes:
    """The bytes with the named fields set; everything else, the checksum too, stays as it is.

    Raises:
        InputError: a value does not fit its field, or a field does not fit the bytes.
        MisuseError: the layout has no field of that name.
    """
    for name, raw in values:
        field = find_field(layout, name)
        if field is None:
            raise MisuseError(
                what=f"The layout has no field {name!r}.",
                why=f"It has {', '.join(each.name for each in layout.fields) or 'none'}.",
            )
        data = write_field(field, data, raw)
    return data


def find_choice(field: Field, raw: int | None) -> str | None:
    """Name of a raw value; None where the field gives it no name."""
    return next((each.name for each in field.choices if each.raw == raw), None)


def is_outside_choices(field: Field, raw: int | None) -> bool:
    """Whether the field has named values and this is none of them."""
    return bool(field.choices) and raw is not None and find_choice(field, raw) is None


def describe_value(field: Field, raw: int | None) -> str:
    """Put a raw value into words: its name, or the physical value with its unit."""
    if raw is None:
        return "not known"
    name = find_choice(field, raw)
    if name is not None:
        return f"{name} ({raw})"
    if is_outside_choices(field, raw):
        return f"{raw} (no known value)"
    if field.scale is None:
        return str(raw)
    physical = round(raw * field.scale.factor + field.scale.offset, 9)
    return f"{physical:g} {field.scale.unit}".strip() + f" ({raw})"


def get_meaning(field: Field, raw: int) -> str | float:
    """What a raw value stands for, comparable between fields that are coded differently."""
    name = find_choice(field, raw)
    if name is not None:
        return name
    if field.scale is not None:
        return float(round(raw * field.scale.factor + field.scale.offset, 9))
    return float(raw)


def carry_value(source: Field, target: Field, raw: int) -> int | None:
    """The raw value of ``target`` that means what ``raw`` means in ``source``.

    By name where both name their values, by physical value where both are scaled, else the number
    itself. None where ``target`` cannot hold it.
    """
    if source == target:
        return raw
    name = find_choice(source, raw)
    if name is not None and target.choices:
        return next((each.raw for each in target.choices if each.name == name), None)
    if source.scale is not None and target.scale is not None and target.scale.factor:
        physical = raw * source.scale.factor + source.scale.offset
        exact = (physical - target.scale.offset) / target.scale.factor
        raw = round(exact)
        if not isclose(exact, raw, abs_tol=1e-6):
            return None
    low, high = get_limits(target)
    return raw if low <= raw <= high else None
