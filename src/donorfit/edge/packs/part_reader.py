"""Read one TOML part of a pack into its shape, with every mistake it holds.

A mistake in one entry must not hide those in the others. So what is wrong is taken out of its list
(the innermost entry that can stand alone), noted, and the rest is read; tables around it are
marked as partial.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Generic, TypeVar

from pydantic import ValidationError

from donorfit.edge.packs.pack_notes import PackNotes
from donorfit.edge.packs.pack_source import PackSource
from donorfit.edge.packs.shape_base import Shape, Table
from donorfit.edge.packs.toml_lines import Path, TomlText, read_toml, write_mistakes
from donorfit.errors import InputError

S = TypeVar("S", bound=Shape)

_ENTRIES = frozenset(
    (
        "unit",
        "record",
        "layout",
        "field",
        "software",
        "network",
        "ring",
        "connector",
        "fault",
        "module",
        "wake_condition",
        "caution",
    )
)
"""Lists whose entries can be left out without the rest losing its meaning."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Part(Generic[S]):
    """One part as read.

    Attributes:
        file: its name as a person can open it.
        values: what stands in it.
        raw: the tables before any check, for names that wrong entries still give.
    """

    file: str
    values: S
    raw: Mapping[str, Any]

    def list_names(self, table: str, key: str) -> set[str]:
        """Texts under ``key`` of every entry of an array of tables, wrong entries included."""
        entries = self.raw.get(table)
        rows = entries if isinstance(entries, list) else []
        found = [row.get(key) for row in rows if isinstance(row, dict)]
        return {each for each in found if isinstance(each, str)}


def read_part(source: PackSource, file: str, shape: type[S], notes: PackNotes) -> Part[S] | None:
    """Read one TOML file of a pack; None where nothing of it can be used."""
    if source.read_text(file, notes) is None:
        return None
    try:
        text = read_toml(source.files[file], file=source.show(file))
    except InputError as error:
        notes.extend(error.mistakes)
        return None
    values, found = read_shape(text, shape, notes)
    return None if values is None else Part(file=text.file, values=values, raw=found)


def read_shape(
    text: TomlText, shape: type[S], notes: PackNotes
) -> tuple[S | None, Mapping[str, Any]]:
    """Fit the values of a TOML text into a shape; None where nothing of it can be used."""
    table = _make_tables(text.values, (), text)
    while True:
        try:
            return shape.model_validate(table), text.values
        except ValidationError as error:
            errors = error.errors(include_url=False)
        moved = [
            {**each, "loc": _find_place(table, each["loc"])}
            for each in errors
            if not _follows_from_another(table, each)
        ]
        notes.extend(write_mistakes(text, moved))
        if not _take_out(table, [each["loc"] for each in errors]):
            return None, text.values


def _make_tables(value: Any, path: Path, text: TomlText) -> Any:
    if isinstance(value, list):
        return [_make_tables(each, (*path, place), text) for place, each in enumerate(value)]
    if not isinstance(value, dict):
        return value
    parts = {key: _make_tables(each, (*path, key), text) for key, each in value.items()}
    table = Table(parts, path=path, line=text.find_line(path))
    table.lines = {key: text.find_line((*path, key)) for key in value}
    return table


def _follows_from_another(table: Table, error: Mapping[str, Any]) -> bool:
    """Whether a list is too short only because wrong entries were taken out of it."""
    if error["type"] != "too_short":
        return False
    current: Any = table
    for key in error["loc"][:-1]:
        current = current[key]
    return isinstance(current, Table) and current.partial


def _find_place(table: Table, location: Sequence[str | int]) -> Path:
    """Path in the file of a place in the tables, which may have lost entries since."""
    current: Any = table
    path: Path = ()
    for key in location:
        path = (*path, key)
        try:
            current = current[key]
        except (KeyError, IndexError, TypeError):
            current = None
        if isinstance(current, Table):
            path = current.path
    return path


def _take_out(table: Table, locations: Sequence[Sequence[str | int]]) -> bool:
    """Take wrong entries out of their lists; false where a mistake lies in no such entry."""
    doomed: set[Path] = set()
    for location in locations:
        ends = [
            end + 1
            for end, key in enumerate(location)
            if isinstance(key, int) and end and location[end - 1] in _ENTRIES
        ]
        if not ends:
            return False
        doomed.add(tuple(location[: ends[-1]]))
    # deepest and last first, so that the places of the others stay right
    for path in sorted(doomed, key=lambda each: (len(each), each[-1]), reverse=True):
        _remove(table, path)
    return True


def _remove(table: Table, path: Path) -> None:
    current: Any = table
    for key in path[:-1]:
        if isinstance(current, Table):
            current.partial = True
        current = current[key]
    del current[path[-1]]
