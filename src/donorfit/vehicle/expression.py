"""Conditions on a car: what a configuration value or a requirement depends on.

The written form uses the operators of UVL (``&``, ``|``, ``!``, parentheses) over option names and
two comparisons, ``month >= 2021-07`` and ``software >= 3.2`` (also ``<``).
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import assert_never

from donorfit.vehicle.identity import BuildMonth, OptionName, SoftwareVersion

MAX_DEPTH = 50


@dataclass(frozen=True, slots=True)
class Always:
    """True for every car."""


@dataclass(frozen=True, slots=True)
class HasOption:
    """The option is declared."""

    option: OptionName


@dataclass(frozen=True, slots=True)
class BuiltFrom:
    """The build month is this one or later."""

    month: BuildMonth


@dataclass(frozen=True, slots=True)
class SoftwareFrom:
    """The unit's own software is this version or newer."""

    version: SoftwareVersion


@dataclass(frozen=True, slots=True)
class Not:
    """The condition does not hold."""

    condition: "Condition"


@dataclass(frozen=True, slots=True)
class AllOf:
    """Every condition holds."""

    conditions: tuple["Condition", ...]


@dataclass(frozen=True, slots=True)
class AnyOf:
    """At least one condition holds."""

    conditions: tuple["Condition", ...]


Condition = Always | HasOption | BuiltFrom | SoftwareFrom | Not | AllOf | AnyOf


@dataclass(frozen=True, slots=True, kw_only=True)
class Facts:
    """What a condition is judged against.

    Attributes:
        options: all options that are declared.
        month: the declared build month.
        software: software version of the unit in question; None where it is not known.
    """

    options: frozenset[OptionName]
    month: BuildMonth
    software: SoftwareVersion | None = None


def holds(  # noqa: PLR0911 - one return a case
    condition: Condition, facts: Facts
) -> bool | None:
    """Judge a condition: true, false, or None where an unknown software version decides."""
    match condition:
        case Always():
            return True
        case HasOption(option):
            return option in facts.options
        case BuiltFrom(month):
            return facts.month >= month
        case SoftwareFrom(version):
            return None if facts.software is None else facts.software >= version
        case Not(inner):
            value = holds(inner, facts)
            return None if value is None else not value
        case AllOf(conditions):
            values = [holds(each, facts) for each in conditions]
            return False if False in values else (None if None in values else True)
        case AnyOf(conditions):
            values = [holds(each, facts) for each in conditions]
            return True if True in values else (None if None in values else False)
        case _:
            assert_never(condition)


def list_options(condition: Condition) -> frozenset[OptionName]:
    """All options that a condition mentions."""
    match condition:
        case HasOption(option):
            return frozenset((option,))
        case Not(inner):
            return list_options(inner)
        case AllOf(conditions) | AnyOf(conditions):
            return frozenset().union(*(list_options(each) for each in conditions))
        case Always() | BuiltFrom() | SoftwareFrom():
            return frozenset()
        case _:
            assert_never(condition)


def write_condition(  # noqa: PLR0911 - one return a case
    condition: Condition,
) -> str:
    """Write a condition so that :func:`parse_condition` reads the same one."""
    match condition:
        case Always():
            return "always"
        case HasOption(option):
            return option
        case BuiltFrom(month):
            return f"month >= {month}"
        case SoftwareFrom(version):
            return f"software >= {version}"
        case Not(BuiltFrom(month)):
            return f"month < {month}"
        case Not(SoftwareFrom(version)):
            return f"software < {version}"
        case Not(inner):
            return f"!({write_condition(inner)})"
        case AllOf(conditions):
            return " & ".join(f"({write_condition(each)})" for each in conditions)
        case AnyOf(conditions):
            return " | ".join(f"({write_condition(each)})" for each in conditions)
        case _:
            assert_never(condition)


_TOKEN = re.compile(r"\s*(?:(>=|<|[&|!()])|([A-Za-z0-9_.\-]+))")


def _split(text: str) -> Iterator[str]:
    position = 0
    end = len(text.rstrip())
    while position < end:
        match = _TOKEN.match(text, position)
        if match is None:
            message = f"cannot read {text[position:end].strip()[:20]!r} at place {position + 1}"
            raise ValueError(message)
        position = match.end()
        yield match[1] or match[2]


class _Reader:
    """Recursive descent over the tokens of one condition."""

    def __init__(self, text: str) -> None:
        self._tokens = [*_split(text), ""]
        self._at = 0
        self._depth = 0

    def read(self) -> Condition:
        condition = self._either()
        if self._tokens[self._at]:
            message = f"did not expect {self._tokens[self._at]!r}"
            raise ValueError(message)
        return condition

    def _take(self) -> str:
        token = self._tokens[self._at]
        if not token:
            message = "the condition ends too early"
            raise ValueError(message)
        self._at += 1
        return token

    def _skip(self, token: str) -> bool:
        found = self._tokens[self._at] == token
        self._at += found
        return found

    def _either(self) -> Condition:
        parts = [self._both()]
        while self._skip("|"):
            parts.append(self._both())
        return parts[0] if len(parts) == 1 else AnyOf(tuple(parts))

    def _both(self) -> Condition:
        parts = [self._single()]
        while self._skip("&"):
            parts.append(self._single())
        return parts[0] if len(parts) == 1 else AllOf(tuple(parts))

    def _single(self) -> Condition:
        self._depth += 1
        if self._depth > MAX_DEPTH:
            message = f"nested more than {MAX_DEPTH} deep"
            raise ValueError(message)
        try:
            token = self._take()
            if token == "!":  # noqa: S105 - an operator, no secret
                return Not(self._single())
            if token == "(":  # noqa: S105
                inner = self._either()
                if not self._skip(")"):
                    message = "a closing parenthesis is missing"
                    raise ValueError(message)
                return inner
            return self._leaf(token)
        finally:
            self._depth -= 1

    def _leaf(self, token: str) -> Condition:
        if token in {"month", "software"} and self._tokens[self._at] in {">=", "<"}:
            operator, limit = self._take(), self._take()
            condition: Condition = (
                BuiltFrom(BuildMonth.parse(limit))
                if token == "month"  # noqa: S105
                else SoftwareFrom(SoftwareVersion.parse(limit))
            )
            return condition if operator == ">=" else Not(condition)
        if token == "always":  # noqa: S105
            return Always()
        if not re.fullmatch(r"[A-Za-z_][A-Za-z0-9_]*", token):
            message = f"{token!r} is no option name"
            raise ValueError(message)
        return HasOption(OptionName(token))


def parse_condition(text: str) -> Condition:
    """Read the written form; raise ValueError with the reason on anything else."""
    return _Reader(text).read()
