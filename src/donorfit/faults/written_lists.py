"""Fault code lists as people write them down: text, CSV or JSON; nothing is silently dropped.

Text has one code a line, after the unit's name where there is one, with its status behind it::

    gateway  U1123-00  0x2F    # a remark
    P0135

CSV has a first line that names its columns: ``unit``, ``code``, ``status``, ``availability``. JSON
is a list of objects with these keys, or an object that holds such a list under ``faults``.
"""

import csv
import json
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from itertools import islice
from typing import Any

from donorfit.faults.code_words import is_code
from donorfit.faults.status import STATUS_MAX
from donorfit.records.survey import FaultRead, UnitSurvey
from donorfit.vehicle.fault import KnownFault
from donorfit.vehicle.fault_code import FaultStatus, parse_fault_code
from donorfit.vehicle.identity import Address, FaultCode, UnitId

COLUMNS = ("unit", "code", "status", "availability")
NO_UNIT = UnitId("car")
"""Stands where a list does not say whose code it is."""
STORED = int(FaultStatus.CONFIRMED)
"""Status taken where a list gives none: a reader lists stored codes."""
MOST_ENTRIES = 100_000
_LONGEST = 60
_CODE = re.compile(r"[PCBUpcbu][0-3][0-9A-Fa-f]{3}(?:-?[0-9A-Fa-f]{2})?")
_HEX = re.compile(r"0[xX][0-9A-Fa-f]+|[0-9A-Fa-f]{2}")


@dataclass(frozen=True, slots=True, kw_only=True)
class WrittenFault:
    """One usable entry: where it stands and what it says."""

    line: int
    unit: UnitId
    code: FaultCode
    status: int
    availability: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Unread:
    """One entry that could not be used: its line, the beginning of its text, and why."""

    line: int
    text: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class WrittenList:
    """A list read.

    Attributes:
        form: ``text``, ``CSV`` or ``JSON``.
        faults: usable entries in the list's order.
        unread: entries that could not be used; with ``faults``, everything that stands there.
        notes: what else has to be said, such as columns that were not used.
    """

    form: str
    faults: tuple[WrittenFault, ...]
    unread: tuple[Unread, ...]
    notes: tuple[str, ...] = ()

    @property
    def complete(self) -> bool:
        """Whether everything that stands in the list was understood."""
        return not self.unread and len(self.faults) < MOST_ENTRIES

    def to_surveys(self) -> tuple[UnitSurvey, ...]:
        """The list as fault lists of units that answered, in the order of their first entry."""
        of: dict[UnitId, list[WrittenFault]] = {}
        for each in self.faults:
            of.setdefault(each.unit, []).append(each)
        return tuple(
            UnitSurvey(
                unit=unit,
                address=Address(0),
                answered=True,
                faults=tuple(FaultRead(code=each.code, status=each.status) for each in entries),
                fault_availability=_join_masks(entries),
            )
            for unit, entries in of.items()
        )


def _join_masks(entries: list[WrittenFault]) -> int:
    mask = 0
    for each in entries:
        mask |= each.availability
    return mask


class _NotUsable(ValueError):  # noqa: N818 - a reason, caught where it arises
    """Why an entry cannot be used."""


def read_written_list(text: str) -> WrittenList:
    """Read a list; its form shows by itself. Never raises for rubbish."""
    start = text.lstrip("\ufeff \t\r\n")
    if start[:1] in {"[", "{"}:
        return _read_json(text)
    first = next((line for line in _list_lines(text) if _strip(line)), "")
    head = [each.strip(' "').lower() for each in re.split("[,;\t]", first.lstrip("\ufeff"))]
    if len(head) > 1 and "code" in head:
        return _read_csv(text, _find_delimiter(first))
    return _read_text(text)


def _list_lines(text: str) -> list[str]:
    """Lines as an editor counts them: other signs that end a line do not count."""
    return text.replace("\r\n", "\n").replace("\r", "\n").split("\n")


def _strip(line: str) -> str:
    return line.lstrip("\ufeff").split("#", 1)[0].strip()


def _find_delimiter(head: str) -> str:
    return max(",;\t", key=head.count)


def _read_text(text: str) -> WrittenList:
    entries = (
        (number, line, _split_words(_strip(line)))
        for number, line in enumerate(_list_lines(text), 1)
        if _strip(line)
    )
    return _gather("text", entries, ())


def _split_words(line: str) -> dict[str, Any] | str:
    """Words before the code name the unit, the one behind it is the status."""
    words = re.split(r"[\s,;]+", line.strip(",; \t"))
    place = next((n for n, word in enumerate(words) if _CODE.fullmatch(word)), None)
    if place is None:
        place = next((n for n, word in enumerate(words) if word.lower().startswith("0x")), None)
    if place is None:
        return "no fault code stands in it"
    behind = words[place + 1 :]
    if len(behind) > 1:
        return f"{behind[1]!r} behind the status is not understood"
    status = behind[0] if behind else None
    return {"unit": " ".join(words[:place]), "code": words[place], "status": status}


def _read_csv(text: str, delimiter: str) -> WrittenList:
    reader = csv.reader(_list_lines(text.lstrip("\ufeff")), delimiter=delimiter)
    head: list[str] = []
    rows: list[tuple[int, str, dict[str, Any] | str]] = []
    try:
        for cells in reader:
            number = reader.line_num
            if not any(cell.strip() for cell in cells) or cells[0].lstrip().startswith("#"):
                continue
            if not head:
                head = [cell.strip().lower() for cell in cells]
                continue
            row: dict[str, Any] | str = {
                name: cell.strip() for name, cell in zip(head, cells, strict=False)
            }
            if len(cells) > len(head):
                row = f"{len(cells)} cells under {len(head)} columns"
            rows.append((number, delimiter.join(cells), row))
    except csv.Error as error:
        rows.append((reader.line_num, "", f"no CSV from here on: {error}"))
    others = [name for name in head if name not in COLUMNS]
    notes = (f"columns not used: {', '.join(others)}",) if others else ()
    return _gather("CSV", iter(rows), notes)


def _read_json(text: str) -> WrittenList:
    decoder = json.JSONDecoder()
    body, offset, notes = text.lstrip("\ufeff"), 0, []
    if body.lstrip().startswith("{"):
        match = re.search(r'"faults"\s*:\s*\[', body)
        if match is None:
            why = 'the object holds no list under "faults"'
            return _gather("JSON", iter([(1, body, why)]), ())
        offset = match.end() - 1
    rows: list[tuple[int, str, dict[str, Any] | str]] = []
    place = body.index("[", offset) + 1
    while True:
        place = _skip(body, place)
        line = body.count("\n", 0, place) + 1
        if place >= len(body):
            rows.append((line, "", "the list has no end"))
            break
        if body[place] == "]":
            break
        try:
            value, place = decoder.raw_decode(body, place)
        except (ValueError, RecursionError) as error:
            rows.append((line, body[place:], f"no JSON from here on: {error}"))
            break
        is_object = isinstance(value, dict)
        others = set(value) - set(COLUMNS) if is_object else set()
        notes += [name for name in sorted(map(str, others)) if name not in notes]
        rows.append((line, json.dumps(value), value if is_object else "not an object"))
    said = (f"keys not used: {', '.join(notes)}",) if notes else ()
    return _gather("JSON", iter(rows), said)


def place_codes(
    found: WrittenList, known: Iterable[KnownFault]
) -> tuple[WrittenList, tuple[str, ...]]:
    """Give codes without a unit the one unit that knows them, where just one does.

    Returns:
        The list, and for every code that could not be placed a sentence.
    """
    units: dict[FaultCode, set[UnitId]] = {}
    for fault in known:
        units.setdefault(fault.code, set()).add(fault.unit)
    placed, notes = [], []
    for each in found.faults:
        owners = sorted(units.get(each.code, ()))
        if each.unit != NO_UNIT or not owners:
            placed.append(each)
        elif len(owners) == 1:
            placed.append(replace(each, unit=owners[0]))
        else:
            placed.append(each)
            names = ", ".join(owners)
            notes.append(f"line {each.line}: the code is known of {names}: name the unit")
    return replace(found, faults=tuple(placed)), tuple(notes)


def _skip(body: str, place: int) -> int:
    while place < len(body) and body[place] in " \t\r\n,":
        place += 1
    return place


def _gather(
    form: str,
    entries: Iterator[tuple[int, str, dict[str, Any] | str]],
    notes: tuple[str, ...],
) -> WrittenList:
    faults: list[WrittenFault] = []
    unread: list[Unread] = []
    for line, text, entry in islice(entries, MOST_ENTRIES):
        try:
            if isinstance(entry, str):
                raise _NotUsable(entry)  # noqa: TRY301 - one way out for every reason
            faults.append(_read_entry(line, entry))
        except _NotUsable as reason:
            short = text if len(text) <= _LONGEST else f"{text[:_LONGEST]}..."
            unread.append(Unread(line=line, text=short.strip(), why=str(reason)))
    rest = sum(1 for _ in entries)
    if rest:
        notes = (*notes, f"{rest} entries after the first {MOST_ENTRIES} were not read")
    return WrittenList(form=form, faults=tuple(faults), unread=tuple(unread), notes=notes)


def _read_entry(line: int, entry: Mapping[str, Any]) -> WrittenFault:
    return WrittenFault(
        line=line,
        unit=UnitId(_read_unit(entry.get("unit"))),
        code=_read_code(entry.get("code")),
        status=_read_byte(entry.get("status"), "status", STORED),
        availability=_read_byte(entry.get("availability"), "availability", 0),
    )


def _read_unit(value: object) -> str:
    if value is None or value == "":
        return NO_UNIT
    if not isinstance(value, str):
        message = f"unit {value!r} is no name"
        raise _NotUsable(message)
    return value.strip()


def _read_code(value: object) -> FaultCode:
    """A code as text such as ``P0123-00`` or ``0xD2345F``, or in JSON as a number."""
    if value is None or value == "":
        message = "no code"
        raise _NotUsable(message)
    number = value if isinstance(value, int) and not isinstance(value, bool) else -1
    if isinstance(value, str):
        text = value.strip()
        if _CODE.fullmatch(text):
            return parse_fault_code(text if "-" in text else f"{text[:5]}-{text[5:] or '00'}")
        if re.fullmatch(r"0[xX][0-9A-Fa-f]{1,8}", text):
            number = int(text, 16)
    if not is_code(number):
        message = f"code {value!r} is no fault code of three bytes"
        raise _NotUsable(message)
    return FaultCode(number)


def _read_byte(value: object, name: str, missing: int) -> int:
    if value is None or value == "":
        return missing
    number = value if isinstance(value, int) and not isinstance(value, bool) else -1
    if isinstance(value, str) and _HEX.fullmatch(value.strip()):
        number = int(value.strip(), 16)
    if not 0 <= number <= STATUS_MAX:
        message = f"{name} {value!r} is no byte, such as 0x2F"
        raise _NotUsable(message)
    return number
