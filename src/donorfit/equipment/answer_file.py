"""Read back the explanations of an answer that was printed as JSON; everything is checked.

The shapes are those of the data classes, as in :mod:`donorfit.equipment.answer_schema`.
"""

import json
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from enum import Enum
from types import NoneType, UnionType
from typing import Any, Union, get_args, get_origin, get_type_hints

from donorfit.equipment.answers import Clash
from donorfit.equipment.mistakes import Notes
from donorfit.errors import InputError
from donorfit.vehicle.identity import BuildMonth

HOLDERS = ("why", "repair", "implied", "facts")
"""Commands whose answers may hold explanations."""

_WORDS = {str: "a text", bool: "true or false", int: "a whole number"}
_PREFIX, _VERSION = "donorfit/options-", "/1"


def read_clashes(text: str, *, file: str) -> tuple[Clash, ...]:
    """The explanations of one answer; none where the answer needed none.

    Raises:
        InputError: with all mistakes found.
    """
    notes = Notes(file)
    try:
        answer = json.loads(text)
    except json.JSONDecodeError as error:
        notes.add(error.lineno, error.colno, f"this is no JSON: {error.msg}", "correct it")
        answer = None
    except (RecursionError, ValueError) as error:
        notes.add(0, 0, f"this cannot be read as JSON: {error}", "write it again with --json")
        answer = None
    clashes = [] if notes.mistakes else _list_clashes(answer, notes)
    read = tuple(_Reader(notes).read(Clash, each, place) for place, each in clashes)
    if notes.mistakes:
        raise InputError(
            what=f"{file} holds no answer with explanations: {len(notes.mistakes)} mistake"
            f"{'s' * (len(notes.mistakes) != 1)}",
            mistakes=notes.mistakes,
            where=file,
            why=f"it must be what {', '.join(HOLDERS)} print with --json",
            next_step="write the answer again, or correct the places below",
        )
    return read


def _list_clashes(answer: Any, notes: Notes) -> list[tuple[str, Any]]:
    """Place and value of each explanation."""
    known = {f"{_PREFIX}{name}{_VERSION}" for name in HOLDERS}
    found = answer.get("schema") if isinstance(answer, dict) else None
    if not isinstance(answer, dict) or found not in known:
        notes.add(
            0,
            0,
            f"its schema is {found!r}" if isinstance(answer, dict) else "it is no object",
            f"give an answer whose schema is one of {', '.join(sorted(known))}",
        )
        return []
    key = "clashes" if found == f"{_PREFIX}why{_VERSION}" else "clash"
    value = answer.get(key, notes)
    if value is notes or (key == "clashes" and not isinstance(value, list)):
        notes.add(0, 0, f"{key!r} is missing or no list", "write the answer again with --json")
        return []
    if key == "clashes":
        return [(f"clashes[{number}]", each) for number, each in enumerate(value)]
    return [] if value is None else [("clash", value)]


class _Reader:
    """Turns plain values into the classes that a type hint names."""

    def __init__(self, notes: Notes) -> None:
        self._notes = notes

    def read(self, hint: Any, value: Any, place: str) -> Any:
        """One value; None after a mistake was noted."""
        hint = getattr(hint, "__supertype__", hint)
        if get_origin(hint) is tuple:
            return self._read_list(get_args(hint)[0], value, place)
        if get_origin(hint) in {Union, UnionType}:
            kinds = [each for each in get_args(hint) if each is not NoneType]
            return None if value is None else self.read(kinds[0], value, place)
        if hint is not BuildMonth and is_dataclass(hint):
            return self._read_class(hint, value, place)
        return self._read_plain(hint, value, place)

    def _read_list(self, inner: Any, value: Any, place: str) -> Any:
        if not isinstance(value, list):
            return self._refuse(place, value, "a list")
        return tuple(self.read(inner, each, f"{place}[{n}]") for n, each in enumerate(value))

    def _read_plain(self, hint: Any, value: Any, place: str) -> Any:
        """A text, number, truth value, build month or one word of a few."""
        if hint is BuildMonth:
            try:
                return BuildMonth.parse(value if isinstance(value, str) else "")
            except ValueError:
                return self._refuse(place, value, "a month as 2021-07")
        if issubclass(hint, Enum):
            known = {each.value: each for each in hint}
            if isinstance(value, str) and value in known:
                return known[value]
            return self._refuse(place, value, f"one of {', '.join(known)}")
        if type(value) is hint:
            return value
        return self._refuse(place, value, _WORDS[hint])

    def _read_class(self, kind: Any, value: Any, place: str) -> Any:
        if not isinstance(value, Mapping):
            return self._refuse(place, value, "an object")
        hints = get_type_hints(kind)
        for key in value:
            if key not in hints:
                self._refuse(f"{place}.{key}", value[key], "left out: the key is not known")
        before = len(self._notes.mistakes) + self._notes.left_out
        read = {}
        for each in fields(kind):
            if each.name in value:
                read[each.name] = self.read(
                    hints[each.name], value[each.name], f"{place}.{each.name}"
                )
            else:
                self._refuse(f"{place}.{each.name}", None, "there")
        broken = len(self._notes.mistakes) + self._notes.left_out > before
        return None if broken else kind(**read)

    def _refuse(self, place: str, value: Any, wanted: str) -> None:
        what = f"{place} is {json.dumps(value)[:60]}; it should be {wanted}"
        self._notes.add(0, 0, what, "write the answer again with --json")
