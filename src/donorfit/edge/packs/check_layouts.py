"""Check configuration records: places, values, rules, and ranges of software versions."""

from collections.abc import Iterator

from donorfit.configuration import ALGORITHMS
from donorfit.configuration.bits import get_limits, make_mask
from donorfit.edge.packs.build_units import build_field
from donorfit.edge.packs.pack_notes import PackNotes, suggest
from donorfit.edge.packs.pack_parts import PackParts
from donorfit.edge.packs.unit_shapes import (
    ChecksumShape,
    FieldShape,
    LayoutShape,
    RecordShape,
    UnitShape,
)
from donorfit.records.counted import count
from donorfit.vehicle.identity import SoftwareVersion


def check_layouts(parts: PackParts, notes: PackNotes) -> None:
    """Check every layout of every record."""
    for file, unit, record in parts.list_records():
        _check_ranges(file, unit, record, notes)
        for layout in record.layout:
            _check_layout(file, layout, notes)
    _check_facts(parts, notes)


def _parse(text: str | None) -> SoftwareVersion | None:
    return None if text is None else SoftwareVersion.parse(text)


def _check_ranges(file: str, unit: UnitShape, record: RecordShape, notes: PackNotes) -> None:
    """Layouts must cover every software version once."""
    where = f"{unit.id}, record {record.name!r}"
    ranges = []
    for layout in record.layout:
        start, end = _parse(layout.software_from), _parse(layout.software_before)
        if start is not None and end is not None and start >= end:
            line = layout.get_line("software_before")
            notes.add(file, line, f"{where}: the range of versions is empty", "correct it")
            return
        ranges.append((start or SoftwareVersion(()), end, layout))
    if record.is_partial:
        return
    ranges.sort(key=lambda each: each[0])
    covered: SoftwareVersion | None = SoftwareVersion(())
    for start, end, layout in ranges:
        line = layout.get_line("software_from")
        if covered is None or start < covered:
            notes.add(file, line, f"{where}: two layouts hold for {start}", "let them not overlap")
        elif start > covered:
            since = f"from {covered} on" if covered.parts else "from the first version on"
            what = f"{where}: no layout holds {since}, before {start}"
            notes.add(file, line, what, "close the gap between the layouts")
        covered = end if end is None or covered is None else max(covered, end)
    if covered is not None:
        what = f"{where}: no layout holds from software {covered} on"
        notes.add(file, record.get_line(), what, "leave the last layout open")


def _check_layout(file: str, layout: LayoutShape, notes: PackNotes) -> None:
    taken: dict[tuple[int, int], str] = {}
    names: set[str] = set()
    if layout.checksum is not None:
        _check_checksum(file, layout, layout.checksum, taken, notes)
    for field in layout.field:
        if field.name in names:
            line = field.get_line("name")
            notes.add(file, line, f"the field {field.name!r} is there twice", "rename one")
        names.add(field.name)
        _check_place(file, layout, field, taken, notes)
        _check_values(file, field, notes)


def _check_checksum(
    file: str,
    layout: LayoutShape,
    checksum: ChecksumShape,
    taken: dict[tuple[int, int], str],
    notes: PackNotes,
) -> None:
    line = checksum.get_line()
    if checksum.algorithm not in ALGORITHMS:
        what = f"the checksum {checksum.algorithm!r} is not known"
        notes.add(file, line, what, f"use one of {', '.join(ALGORITHMS)}")
        return
    if checksum.first_byte > checksum.last_byte:
        notes.add(file, line, "the checksum covers nothing", "let first_byte come first")
    size = _count_checksum_bytes(checksum.algorithm)
    if max(checksum.byte + size - 1, checksum.last_byte) >= layout.length_bytes:
        what = f"the checksum reaches beyond the record's {count(layout.length_bytes, 'byte')}"
        notes.add(file, line, what, "correct its places or the length")
        return
    for byte in range(checksum.byte, checksum.byte + size):
        taken.update({(byte, bit): "the checksum" for bit in range(8)})


def _count_checksum_bytes(algorithm: str) -> int:
    digits = algorithm.split("-", 1)[0].removeprefix("crc")
    return int(digits) // 8 if digits.isdecimal() else 1


def _list_bits(field: FieldShape, length_bytes: int) -> Iterator[tuple[int, int]]:
    mask = make_mask(build_field(field), length_bytes)
    for byte, value in enumerate(mask):
        yield from ((byte, bit) for bit in range(8) if value >> bit & 1)


def _check_place(
    file: str,
    layout: LayoutShape,
    field: FieldShape,
    taken: dict[tuple[int, int], str],
    notes: PackNotes,
) -> None:
    bits = list(_list_bits(field, layout.length_bytes))
    line = field.get_line("first_bit")
    if not bits:
        what = (
            f"the field {field.name!r} reaches beyond the record's "
            f"{count(layout.length_bytes, 'byte')}"
        )
        notes.add(file, line, what, "correct first_bit, bit_length or length_bytes")
        return
    for other in dict.fromkeys(taken[bit] for bit in bits if bit in taken):
        byte, bit = next(each for each in bits if taken.get(each) == other)
        what = f"the field {field.name!r} overlaps {other} (byte {byte}, bit {bit})"
        notes.add(file, line, what, "move one of them")
    taken.update(dict.fromkeys(bits, f"the field {field.name!r}"))


def _check_values(file: str, field: FieldShape, notes: PackNotes) -> None:
    low, high = get_limits(build_field(field))
    seen: dict[int, str] = {}
    for name, raw in field.choices.items():
        line = field.get_line("choices")
        if not low <= raw <= high:
            what = f"{field.name}: the choice {name!r} = {raw} does not fit {low} to {high}"
            notes.add(file, line, what, "correct the value or bit_length")
        if raw in seen:
            what = f"{field.name}: the choices {seen[raw]!r} and {name!r} are both {raw}"
            notes.add(file, line, what, "give one of them another value")
        seen.setdefault(raw, name)
    for rule in field.rules:
        line = rule.get_line("value")
        if isinstance(rule.value, str):
            if rule.value not in field.choices:
                what = f"{field.name}: the rule gives {rule.value!r}, which is no choice"
                notes.add(file, line, what, suggest(rule.value, field.choices))
        elif not low <= rule.value <= high:
            what = f"{field.name}: the rule gives {rule.value}, outside {low} to {high}"
            notes.add(file, line, what, "correct the value or bit_length")
        elif field.choices and rule.value not in seen:
            what = f"{field.name}: the rule gives {rule.value}, which no choice names"
            notes.add(file, line, what, "add the choice or correct the value")
    if field.scale is not None and field.scale.factor == 0:
        notes.add(file, field.scale.get_line(), f"{field.name}: the factor is 0", "correct it")


def _check_facts(parts: PackParts, notes: PackNotes) -> None:
    """Fields that hold the same fact must be able to say the same things."""
    holders: dict[str, list[tuple[str, UnitShape, FieldShape]]] = {}
    for file, unit, record in parts.list_records():
        for layout in record.layout:
            for field in layout.field:
                if field.same_fact:
                    holders.setdefault(field.same_fact, []).append((file, unit, field))
    for fact, found in holders.items():
        first_file, first_unit, first = found[0]
        if len({(unit.id, field.name) for _, unit, field in found}) == 1:
            line = first.get_line("same_fact")
            what = f"only {first_unit.id}.{first.name} holds the fact {fact!r}"
            notes.warn(first_file, line, what, suggest(fact, set(holders) - {fact}))
        for file, unit, field in found[1:]:
            if set(field.choices) != set(first.choices):
                line = field.get_line("same_fact")
                what = (
                    f"{unit.id}.{field.name} and {first_unit.id}.{first.name} hold the fact "
                    f"{fact!r} but have other choices"
                )
                notes.add(file, line, what, "give both the same choices")
