"""Every data class of the core is frozen, and what it holds cannot change either, all the way down.

Linters and type checkers do not see this: a frozen class may hold a list.
"""

import dataclasses
import datetime as dt
import decimal
import fractions
import importlib
import inspect
import pkgutil
import re
import types
import typing
from collections.abc import Iterator
from dataclasses import dataclass, field
from enum import Enum
from pathlib import Path

import pytest

from donorfit.vehicle import rules

# Packages and modules of which every data class is a value.
VALUES = (
    "errors", "vehicle", "records", "equipment", "configuration", "evidence", "network",
    "electrical", "faults", "diagnostics", "ordering", "figures", "stages", "simulator",
)  # fmt: skip

# Data classes that change on purpose, each with its reason.
MAY_CHANGE = {
    "donorfit.faults.covers._Search": "workings of one search, made and dropped in one call",
    "donorfit.equipment.columns.Columns": "columns of one file while it is being read",
    "donorfit.equipment.explain.Roles": "names a loaded rule base, which holds a running solver",
    "donorfit.equipment.explanation_steps._Draft": "one explanation while it is being written",
    "donorfit.equipment.mistakes.Notes": "gathers the mistakes of one file while it is being read",
    "donorfit.equipment.repair.Prepared": "names a loaded rule base, which holds a running solver",
    "donorfit.equipment.repair_search.Problem": "one search at the size of 18,000 options",
    "donorfit.equipment.skeleton.Skeleton": "an index at the size of 18,000 options",
    "donorfit.equipment.uvl_attributes.OptionNotes": "one option while its line is being read",
    "donorfit.equipment.uvl_expressions.ReadFormula": "one formula while it is being read",
    "donorfit.equipment.uvl_terms.TermReader": "reads the terms of one file",
    "donorfit.equipment.uvl_tree.Tree": "the tree of one file while it is being read",
    "donorfit.ordering.search._Listing": "workings of one search, made and dropped in one call",
    "donorfit.ordering.search._Search": "workings of one search, made and dropped in one call",
    "donorfit.stages.plan.order._Case": "workings of one plan, made and dropped in one call",
    "donorfit.stages.plan.undo._Undo": "workings of one plan, made and dropped in one call",
}

# Fields whose type cannot be shown to be immutable, each with its reason.
MAY_HOLD = {
    "Together.strands": "a strand is a running generator; it is carried out, never stored",
}

SIMPLE = (
    str, int, float, bool, bytes, complex, type(None), re.Pattern, decimal.Decimal,
    fractions.Fraction, dt.date, dt.datetime, dt.time, dt.timedelta,
    dt.timezone,
)  # fmt: skip

# Types that hold themselves are named in their own text; a module that borrows one lacks the name.
HOLDS_ITSELF = {"AttributeValue": rules.AttributeValue}

# Types that are as immutable as what they hold.
TRANSPARENT = (tuple, frozenset, types.MappingProxyType, types.UnionType, type)


def find_parts(kind: object) -> tuple[object, ...]:
    """Types inside a type that is immutable itself if those are."""
    origin, arguments = typing.get_origin(kind), typing.get_args(kind)
    if isinstance(kind, typing.NewType):
        return (kind.__supertype__,)
    if isinstance(kind, typing.TypeVar):
        return kind.__constraints__ or (kind.__bound__,)
    if origin in {typing.Literal, type}:
        return ()
    if origin in {typing.Annotated, typing.ClassVar, typing.Final}:
        return arguments[:1]
    return tuple(each for each in arguments if each is not ...)


def find_faults(kind: object, seen: frozenset[object] = frozenset()) -> Iterator[str]:
    """Why values of this type can change; nothing where they cannot."""
    # A reference by name is left over only where a type holds itself: it is being judged already.
    if kind in seen or kind in SIMPLE or isinstance(kind, typing.ForwardRef):
        return
    origin = typing.get_origin(kind) or kind
    if inspect.isclass(origin) and origin not in TRANSPARENT:
        yield from find_class_faults(origin, seen | {kind})
    parts = find_parts(kind)
    is_open = kind in TRANSPARENT or not (inspect.isclass(origin) or origin is typing.Literal)
    if is_open and not parts:
        yield f"{kind} is not known to be immutable"
    for part in parts:
        yield from find_faults(part, seen | {kind})


def find_class_faults(kind: type, seen: frozenset[object]) -> Iterator[str]:
    """Why instances of a class can change."""
    if issubclass(kind, Enum):
        return
    if dataclasses.is_dataclass(kind):
        if not kind.__dataclass_params__.frozen:
            yield f"{kind.__qualname__} is not frozen"
        hints = typing.get_type_hints(kind, localns=HOLDS_ITSELF)
        for each in dataclasses.fields(kind):
            for fault in find_faults(hints[each.name], seen):
                yield f"{kind.__qualname__}.{each.name}: {fault}"
    elif issubclass(kind, tuple) and hasattr(kind, "_fields"):
        for name, each in typing.get_type_hints(kind).items():
            for fault in find_faults(each, seen):
                yield f"{kind.__qualname__}.{name}: {fault}"
    else:
        yield f"{kind.__qualname__} is not known to be immutable"


def list_data_classes(repository: Path) -> list[type]:
    """Data classes that are defined in the core, by importing every module of it."""
    names = []
    for part in VALUES:
        place = repository / "src" / "donorfit" / part
        if place.with_suffix(".py").is_file():
            names.append(f"donorfit.{part}")
        elif (place / "__init__.py").is_file():
            prefix = f"donorfit.{part}."
            names.append(prefix.rstrip("."))
            names += [each.name for each in pkgutil.walk_packages([str(place)], prefix)]
    return [
        kind
        for name in names
        for kind in vars(importlib.import_module(name)).values()
        if inspect.isclass(kind) and dataclasses.is_dataclass(kind) and kind.__module__ == name
    ]


def test_core_values_never_change(repository: Path) -> None:
    kinds = list_data_classes(repository)
    assert len(kinds) > 20
    faults = [
        f"{kind.__module__}: {fault}"
        for kind in kinds
        if f"{kind.__module__}.{kind.__qualname__}" not in MAY_CHANGE
        for fault in find_faults(kind)
        if not any(f"{place}: " in f"{fault}: " for place in MAY_HOLD)
    ]
    assert sorted(set(faults)) == []


def test_core_values_have_slots(repository: Path) -> None:
    kinds = list_data_classes(repository)
    assert [str(kind) for kind in kinds if "__slots__" not in vars(kind)] == []


def test_no_exception_is_left_over(repository: Path) -> None:
    names = {f"{kind.__module__}.{kind.__qualname__}" for kind in list_data_classes(repository)}
    fields = {
        f"{kind.__qualname__}.{each.name}"
        for kind in list_data_classes(repository)
        for each in dataclasses.fields(kind)
    }
    assert set(MAY_CHANGE) <= names
    assert set(MAY_HOLD) <= fields


Name = typing.NewType("Name", str)


@dataclass(frozen=True)
class Sound:
    """Everything that is allowed, and itself again."""

    name: Name
    parts: tuple["Sound", ...] = ()
    map: types.MappingProxyType[str, frozenset[bytes]] | None = None
    kind: typing.Literal["a", "b"] = "a"


Tree = str | tuple["Tree", ...]


@dataclass(frozen=True)
class SoundTree:
    tree: Tree


LooseTree = list[int] | tuple["LooseTree", ...]


@dataclass(frozen=True)
class HoldsLooseTree:
    tree: tuple["LooseTree", ...]


@dataclass
class Loose:
    name: str


@dataclass(frozen=True)
class HoldsList:
    parts: list[int] = field(default_factory=list)


@dataclass(frozen=True)
class HoldsMap:
    parts: typing.Mapping[str, int]


@dataclass(frozen=True)
class HoldsDeep:
    parts: tuple[HoldsList | None, ...]


@dataclass(frozen=True)
class HoldsBytearray:
    parts: tuple[bytearray, ...]


@dataclass(frozen=True)
class HoldsAnything:
    part: object


@dataclass(frozen=True)
class HoldsBareTuple:
    parts: tuple


@pytest.mark.parametrize("kind", [Sound, SoundTree])
def test_sound_value_passes(kind: type) -> None:
    assert list(find_faults(kind)) == []


@pytest.mark.parametrize(
    "kind",
    [
        Loose,
        HoldsLooseTree,
        HoldsList,
        HoldsMap,
        HoldsDeep,
        HoldsBytearray,
        HoldsAnything,
        HoldsBareTuple,
    ],
)
def test_breach_is_caught(kind: type) -> None:
    assert list(find_faults(kind)) != []
