"""Records as canonical JSON (RFC 8785) and back, and their digests.

Bytes are written as upper-case hex, months and versions as text, so that a person can read them.
"""

import dataclasses
import hashlib
import json
from collections.abc import Callable
from functools import cache
from typing import Any, TypeVar

import rfc8785
from cattrs import Converter
from cattrs.errors import BaseValidationError
from cattrs.gen import make_dict_unstructure_fn, override

from donorfit.records.growth import ADDED_LATER
from donorfit.vehicle.identity import BuildMonth, SoftwareVersion

T = TypeVar("T")


class UnreadableRecordError(ValueError):
    """Bytes that are not the record they should be; the text says why."""


@cache
def _get_converter() -> Converter:
    converter = Converter(forbid_extra_keys=True)
    converter.register_unstructure_hook(bytes, lambda value: value.hex().upper())
    converter.register_structure_hook(bytes, lambda value, _: bytes.fromhex(value))
    converter.register_unstructure_hook(BuildMonth, str)
    converter.register_structure_hook(BuildMonth, lambda value, _: BuildMonth.parse(value))
    converter.register_unstructure_hook(SoftwareVersion, str)
    converter.register_structure_hook(
        SoftwareVersion, lambda value, _: SoftwareVersion.parse(value)
    )
    converter.register_unstructure_hook_factory(
        _grew, lambda kind: _leave_out_defaults(converter, kind)
    )
    return converter


def _grew(kind: Any) -> bool:
    return bool(_list_later_fields(kind))


def _list_later_fields(kind: Any) -> list[str]:
    if not isinstance(kind, type) or not dataclasses.is_dataclass(kind):
        return []
    return [each.name for each in dataclasses.fields(kind) if each.metadata == ADDED_LATER]


def _leave_out_defaults(converter: Converter, kind: Any) -> Callable[[Any], Any]:
    later: dict[str, Any] = {
        name: override(omit_if_default=True) for name in _list_later_fields(kind)
    }
    return make_dict_unstructure_fn(kind, converter, **later)


def to_plain(record: object) -> Any:
    """The record as dictionaries, lists, strings and numbers."""
    return _get_converter().unstructure(record)


def encode(record: object) -> bytes:
    """The record as canonical JSON: equal records give equal bytes."""
    return rfc8785.dumps(_sort_sets(to_plain(record)))


def _sort_sets(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _sort_sets(each) for key, each in value.items()}
    if isinstance(value, set | frozenset):
        return sorted(_sort_sets(each) for each in value)
    if isinstance(value, list | tuple):
        return [_sort_sets(each) for each in value]
    return value


def decode(data: bytes, kind: type[T]) -> T:
    """Read canonical JSON back into a record of a kind.

    Raises:
        UnreadableRecordError: the bytes are no JSON or no such record.
    """
    try:
        return _get_converter().structure(json.loads(data), kind)
    except (BaseValidationError, ValueError, TypeError, KeyError, RecursionError) as error:
        message = f"this is no {kind.__name__}: {error}"
        raise UnreadableRecordError(message) from error


def compute_digest(record: object) -> str:
    """SHA-256 of the canonical JSON, lower-case hex."""
    return hashlib.sha256(encode(record)).hexdigest()
