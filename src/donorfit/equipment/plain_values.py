"""Answers as plain JSON values; the shapes are those of ``donorfit/schemas/options-*.json``."""

from dataclasses import fields, is_dataclass
from enum import Enum
from typing import Any

from donorfit.vehicle.identity import BuildMonth


def to_plain(value: Any) -> Any:
    """Dictionaries, lists, texts and numbers; months as ``YYYY-MM``."""
    if isinstance(value, BuildMonth):
        return str(value)
    if isinstance(value, Enum):
        return value.value
    if is_dataclass(value) and not isinstance(value, type):
        return {each.name: to_plain(getattr(value, each.name)) for each in fields(value)}
    if isinstance(value, tuple | list):
        return [to_plain(each) for each in value]
    return value
