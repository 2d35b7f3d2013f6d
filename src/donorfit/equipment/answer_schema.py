"""JSON schemas (draft 2020-12) of the answers, made from their data classes."""

from dataclasses import fields, is_dataclass
from enum import Enum
from types import NoneType, UnionType
from typing import Any, Union, get_args, get_origin, get_type_hints

from donorfit.equipment.answer_parts import ReplayAnswer
from donorfit.equipment.answers import (
    CheckAnswer,
    CompareAnswer,
    Explanation,
    FactsAnswer,
    ImpliedAnswer,
    LeftoversAnswer,
    MonthsAnswer,
    RepairAnswer,
)
from donorfit.vehicle.identity import BuildMonth

ANSWERS: tuple[tuple[str, type], ...] = (
    ("check", CheckAnswer),
    ("why", Explanation),
    ("repair", RepairAnswer),
    ("implied", ImpliedAnswer),
    ("months", MonthsAnswer),
    ("compare", CompareAnswer),
    ("facts", FactsAnswer),
    ("leftovers", LeftoversAnswer),
    ("replay", ReplayAnswer),
)
"""Command and the answer it prints with ``--json``."""

MONTH = {"type": "string", "pattern": r"^\d{4}-\d{2}$", "description": "build month, YYYY-MM"}
_PLAIN = {str: "string", bool: "boolean", int: "integer", float: "number", NoneType: "null"}


def make_schema(command: str, answer: type) -> dict[str, Any]:
    """Schema of what one command prints; descriptions come from the classes' docstrings."""
    definitions: dict[str, Any] = {}
    body = _describe_class(answer, definitions)
    body["properties"] = {
        "schema": {"const": f"donorfit/options-{command}/1"},
        **body["properties"],
    }
    body["required"] = ["schema", *body["required"]]
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": f"Answer of donorfit options {command}",
        **body,
        "$defs": dict(sorted(definitions.items())),
    }


def _describe_class(kind: type, definitions: dict[str, Any]) -> dict[str, Any]:
    hints = get_type_hints(kind)
    notes = _read_notes(kind)
    properties = {}
    for each in fields(kind):
        described = _describe(hints[each.name], definitions)
        if each.name in notes:
            described = {**described, "description": notes[each.name]}
        properties[each.name] = described
    return {
        "description": (kind.__doc__ or "").split("\n\n")[0].replace("\n", " ").strip(),
        "type": "object",
        "properties": properties,
        "required": list(properties),
        "additionalProperties": False,
    }


def _read_notes(kind: type) -> dict[str, str]:
    """What the docstring says of each attribute."""
    notes: dict[str, str] = {}
    _, _, listed = (kind.__doc__ or "").partition("Attributes:\n")
    name = ""
    for line in listed.splitlines():
        text = line.strip()
        if line.startswith(" " * 8) and not line.startswith(" " * 9) and ": " in text:
            name, _, text = text.partition(": ")
            notes[name] = text
        elif name and text:
            notes[name] += f" {text}"
    return notes


def _describe(hint: Any, definitions: dict[str, Any]) -> dict[str, Any]:
    hint = getattr(hint, "__supertype__", hint)
    if hint is BuildMonth or hint in _PLAIN:
        return dict(MONTH) if hint is BuildMonth else {"type": _PLAIN[hint]}
    origin = get_origin(hint)
    if origin is tuple:
        return {"type": "array", "items": _describe(get_args(hint)[0], definitions)}
    if origin in {Union, UnionType}:
        return {"anyOf": [_describe(each, definitions) for each in get_args(hint)]}
    if isinstance(hint, type) and issubclass(hint, Enum):
        return {"enum": [each.value for each in hint]}
    if isinstance(hint, type) and is_dataclass(hint):
        if hint.__name__ not in definitions:
            definitions[hint.__name__] = {}
            definitions[hint.__name__] = _describe_class(hint, definitions)
        return {"$ref": f"#/$defs/{hint.__name__}"}
    message = f"no schema for {hint!r}"
    raise TypeError(message)
