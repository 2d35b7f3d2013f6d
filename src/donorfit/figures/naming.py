"""What a person calls the things that records name: titles and values from a pack, in words."""

import re
from collections.abc import Iterable

from donorfit.records.handover import FieldNote, Names
from donorfit.records.plan import FieldEdit, FieldVerdict, RecordEdit
from donorfit.vehicle.identity import DataIdentifier, OptionName, UnitId
from donorfit.vehicle.layout import ByteOrder, Checksum, Field
from donorfit.vehicle.pack import Pack

_MAX_BITS = 4096


def gather_names(
    pack: Pack,
    *,
    options: Iterable[OptionName] | None = None,
    edits: tuple[RecordEdit, ...] = (),
) -> Names:
    """Titles of all units, of the options asked for (None: all), and notes on edited fields."""
    wanted = None if options is None else frozenset(options)
    titles = (
        (name, pack.rules.get_title(place))
        for place, name in enumerate(pack.rules.names)
        if wanted is None or name in wanted
    )
    return Names(
        options=tuple((name, title) for name, title in titles if title != name),
        units=tuple((unit.id, unit.title) for unit in pack.units),
        fields=tuple(_note_fields(pack, edits)),
    )


def _note_fields(pack: Pack, edits: tuple[RecordEdit, ...]) -> Iterable[FieldNote]:
    for edit in edits:
        known, checksum = _list_fields(pack, edit)
        for each in edit.fields:
            field = known.get(each.name)
            if field is None and each.verdict is FieldVerdict.RECOMPUTED and checksum:
                yield FieldNote(
                    unit=edit.unit,
                    identifier=edit.identifier,
                    field=each.name,
                    bytes_used=_list_checksum_bytes(checksum),
                )
            elif field is not None:
                yield FieldNote(
                    unit=edit.unit,
                    identifier=edit.identifier,
                    field=each.name,
                    bytes_used=list_bytes_used(field),
                    words=tuple(
                        (raw, write_value(field, raw)) for raw in sorted(_list_values(each))
                    ),
                )


def _list_checksum_bytes(checksum: Checksum) -> tuple[int, ...]:
    """Bytes of a checksum; its algorithm's name holds its length in bits."""
    bits = re.search(r"\d+", checksum.algorithm)
    length = max(1, int(bits[0]) // 8) if bits else 1
    return tuple(range(checksum.byte, checksum.byte + length))


def _list_fields(pack: Pack, edit: RecordEdit) -> tuple[dict[str, Field], Checksum | None]:
    """Fields and checksum of the layouts; those of the layout with the right length win."""
    unit = pack.find_unit(edit.unit)
    found: dict[str, Field] = {}
    checksum: Checksum | None = None
    if unit is None:
        return found, checksum
    layouts = [
        layout
        for record in unit.records
        if record.identifier == edit.identifier
        for layout in record.layouts
    ]
    for layout in sorted(layouts, key=lambda each: each.length_bytes == len(edit.after)):
        found.update((field.name, field) for field in layout.fields)
        checksum = layout.checksum or checksum
    return found, checksum


def _list_values(edit: FieldEdit) -> set[int]:
    values = (edit.base, edit.current, edit.target, edit.result)
    return {value for value in values if value is not None}


def list_bytes_used(field: Field) -> tuple[int, ...]:
    """Places of the bytes that a field lies in, by the bit convention of the layout module."""
    length = min(field.bit_length, _MAX_BITS)
    if field.byte_order is ByteOrder.LITTLE:
        last = field.first_bit + length - 1
        return tuple(range(field.first_bit // 8, last // 8 + 1))
    # big endian: the first bit is the most significant one, the rest goes on into later bytes
    left_in_first = field.first_bit % 8 + 1
    more = max(0, length - left_in_first)
    first = field.first_bit // 8
    return tuple(range(first, first + 1 + (more + 7) // 8))


def write_value(field: Field, raw: int) -> str:
    """A raw value as a person reads it: its name, its physical value, or the number itself."""
    for choice in field.choices:
        if choice.raw == raw:
            return choice.name
    if field.scale is not None:
        value = raw * field.scale.factor + field.scale.offset
        return f"{value:.6g} {field.scale.unit}".rstrip()
    return f"{raw} (no name)" if field.choices else str(raw)


def get_option_title(names: Names, option: OptionName) -> str:
    """Title of an option; empty where the pack gives none beside the name."""
    return next((title for name, title in names.options if name == option), "")


def get_unit_title(names: Names, unit: UnitId) -> str:
    """Title of a control unit; its name where the pack does not know it."""
    return next((title for name, title in names.units if name == unit), unit)


def get_field_note(
    names: Names, unit: UnitId, identifier: DataIdentifier, field: str
) -> FieldNote | None:
    """What is noted of a field; None where nothing is."""
    return next(
        (
            note
            for note in names.fields
            if note.unit == unit and note.identifier == identifier and note.field == field
        ),
        None,
    )


def word_value(note: FieldNote | None, raw: int | None) -> str:
    """A raw value in words: from the note where it has one, otherwise the number."""
    if raw is None:
        return "not known"
    words = "" if note is None else dict(note.words).get(raw, "")
    return words or str(raw)


def count_kept(edits: Iterable[RecordEdit]) -> int:
    """How many fields stay as the owner or the car itself has them."""
    return sum(field.verdict is FieldVerdict.KEPT for edit in edits for field in edit.fields)
