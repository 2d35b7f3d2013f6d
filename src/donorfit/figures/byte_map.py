"""Byte map: one configuration record before and after, and what decides each byte."""

from dataclasses import dataclass

from donorfit.figures.drawing import BODY, LEADING, SMALL, Drawing, Ink
from donorfit.figures.lettering import wrap
from donorfit.figures.naming import get_field_note, get_unit_title, word_value
from donorfit.figures.palette import Role
from donorfit.records.counted import choose, count
from donorfit.records.handover import FieldNote, Names
from donorfit.records.plan import FieldEdit, FieldVerdict, RecordEdit

_ROW = 8
_CELL = 34.0
_HIGH = 40.0
_LEFT = 46.0
_LIST = 352.0
_MOST_ROWS = 16
_MOST_FIELDS = 24
_MARK_HIGH = 6.0
ARROW = "\N{RIGHTWARDS ARROW}"

_MARKS = {
    FieldVerdict.APPLIED: ("derived", Ink(fill="derived")),
    FieldVerdict.KEPT: ("kept from owner", Ink(hatch=Role.OWNER, stroke="owner")),
    FieldVerdict.RECOMPUTED: ("recomputed", Ink(fill="page", stroke="neutral", dash="2 2")),
    FieldVerdict.ALREADY: ("already there", Ink(fill="page", stroke="derived", width=1.6)),
    FieldVerdict.ASKED: ("asked", Ink(fill="weak")),
    FieldVerdict.UNVERIFIED: ("unverified", Ink(hatch=Role.WEAK, stroke="weak")),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Entry:
    """One field that is shown, and what the pack says of it."""

    field: FieldEdit
    note: FieldNote | None


def draw_byte_map(edit: RecordEdit, names: Names, *, key: str = "") -> str:
    """One record as a grid of bytes with its fields beside it; an SVG text.

    Changed bytes show the old value struck out above the new one. The strip below a byte says
    what decided it. Rows of eight in which nothing happens are counted, not drawn.
    """
    title = f"{get_unit_title(names, edit.unit)}: {edit.record}"
    drawing = Drawing(key or f"bytes-{edit.unit}-{edit.identifier:04x}")
    y = drawing.add_lines(2, 13, title, drawing.width - 4, bold=True, most=2)
    entries = _list_entries(edit, names)
    bottom = _draw_grid(drawing, y, edit, entries)
    side = _draw_fields(drawing, y + 4, entries)
    return drawing.finish(max(bottom, side) + 4, title, write_byte_finding(edit))


def write_byte_finding(edit: RecordEdit) -> str:
    """How many bytes and fields change and stay, in a sentence."""
    changed = sum(
        place >= len(edit.before) or edit.before[place] != value
        for place, value in enumerate(edit.after)
    )
    verdicts = [field.verdict for field in edit.fields]
    return (
        f"{changed} of {count(len(edit.after), 'byte')} of record 0x{edit.identifier:04X} "
        f"{choose(changed, 'changes', 'change')}. Fields "
        f"that follow the option list: {verdicts.count(FieldVerdict.APPLIED)}; kept from the "
        f"owner: {verdicts.count(FieldVerdict.KEPT)}; recomputed: "
        f"{verdicts.count(FieldVerdict.RECOMPUTED)}."
    )


def _list_entries(edit: RecordEdit, names: Names) -> list[_Entry]:
    shown = [field for field in edit.fields if field.verdict is not FieldVerdict.UNCHANGED]
    return [
        _Entry(
            field=field,
            note=get_field_note(names, edit.unit, edit.identifier, field.name),
        )
        for field in shown
    ]


def _draw_grid(drawing: Drawing, top: float, edit: RecordEdit, entries: list[_Entry]) -> float:
    length = max(len(edit.before), len(edit.after))
    by_byte: dict[int, list[_Entry]] = {}
    for entry in entries:
        for place in entry.note.bytes_used if entry.note else ():
            by_byte.setdefault(place, []).append(entry)
    for column in range(min(_ROW, length)):
        x = _LEFT + _CELL * (column + 0.5)
        drawing.add_text(x, top, f"+{column}", size=SMALL, anchor="middle", colour="soft")
    y, quiet, drawn = top + 5, 0, 0
    for first in range(0, length, _ROW):
        places = range(first, min(first + _ROW, length))
        busy = any(place in by_byte or _get(edit.before, place) != _get(edit.after, place)
                   for place in places)  # fmt: skip
        if drawn >= _MOST_ROWS or (not busy and length > _ROW):
            quiet += len(places)
            continue
        drawn += 1
        drawing.add_text(2, y + 24, f"{first:04X}", size=SMALL, colour="soft")
        for place in places:
            corner = (_LEFT + _CELL * (place - first), y)
            _draw_byte(drawing, corner, edit, place, by_byte.get(place, []))
        y += _HIGH + 4
    if quiet:
        text = f"{quiet} more bytes without a change"
        drawing.add_text(_LEFT, y + 11, text, size=SMALL, colour="soft")
        y += 18
    return y


def _get(data: bytes, place: int) -> int | None:
    return data[place] if place < len(data) else None


def _draw_byte(
    drawing: Drawing,
    corner: tuple[float, float],
    edit: RecordEdit,
    place: int,
    here: list[_Entry],
) -> None:
    x, y = corner
    old, new = _get(edit.before, place), _get(edit.after, place)
    drawing.add_box(x + 1, y, _CELL - 2, _HIGH, Ink(fill="page", stroke="line"), corner=2)
    middle = x + _CELL / 2
    if old == new:
        drawing.add_text(middle, y + 20, f"{new or 0:02X}", anchor="middle", colour="soft")
    else:
        if old is not None:
            drawing.add_text(
                middle, y + 12, f"{old:02X}", size=SMALL, anchor="middle", struck=True,
                colour="soft",
            )  # fmt: skip
        text = "--" if new is None else f"{new:02X}"
        drawing.add_text(middle, y + 25.5, text, anchor="middle", bold=True)
    if not here:
        return
    width = (_CELL - 6) / len(here)
    for at, entry in enumerate(here):
        _draw_mark(drawing, x + 3 + at * width, y + _HIGH - 9, width - 1, entry.field.verdict)


def _draw_mark(drawing: Drawing, x: float, y: float, width: float, verdict: FieldVerdict) -> None:
    ink = _MARKS[verdict][1] if verdict in _MARKS else Ink(stroke="line")
    drawing.add_box(x, y, width, _MARK_HIGH, ink, corner=1)


def _draw_fields(drawing: Drawing, top: float, entries: list[_Entry]) -> float:
    y = top
    room = drawing.width - _LIST - 30
    for entry in entries[:_MOST_FIELDS]:
        field = entry.field
        _draw_mark(drawing, _LIST, y - 7, 18, field.verdict)
        word = _MARKS[field.verdict][0] if field.verdict in _MARKS else field.verdict.value
        places = entry.note.bytes_used if entry.note else ()
        where = f", byte {_write_places(places)}" if places else ""
        drawing.add_text(_LIST + 26, y, f"{word}{where}", size=SMALL, colour="soft")
        y += BODY * LEADING
        for line in wrap(f"{field.title or field.name}: {_word_change(entry)}", BODY, room):
            drawing.add_text(_LIST + 26, y, line)
            y += BODY * LEADING
        y += 4
    if len(entries) > _MOST_FIELDS:
        more = f"{len(entries) - _MOST_FIELDS} more fields are in the table"
        drawing.add_text(_LIST + 26, y, more, size=SMALL, colour="soft")
        y += BODY * LEADING
    return y - BODY


def _write_places(places: tuple[int, ...]) -> str:
    first, last = places[0], places[-1]
    return f"{first:04X}" if first == last else f"{first:04X}-{last:04X}"


def _word_change(entry: _Entry) -> str:
    field = entry.field
    if field.verdict is FieldVerdict.RECOMPUTED:
        old = "?" if field.current is None else f"{field.current:02X}"
        new = "?" if field.result is None else f"{field.result:02X}"
        return f"{old} {ARROW} {new}"
    before, after = word_value(entry.note, field.current), word_value(entry.note, field.result)
    return after if before == after else f"{before} {ARROW} {after}"
