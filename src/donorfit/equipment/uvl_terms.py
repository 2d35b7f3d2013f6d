"""Numbers and texts inside formulas: constants, attributes, sums over options, typed options.

A term is linear: a constant, plus what options add while they are on, plus at most one typed
option. Whatever is not linear is said to be unsupported, never left out silently.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from fractions import Fraction

from donorfit.equipment.uvl_attributes import read_month
from donorfit.vehicle.rules import (
    AND,
    COMPARISON_BASE,
    FALSE,
    NOT,
    OR,
    TRUE,
    Attributes,
    AttributeValue,
    Comparison,
    Formula,
    Subject,
)

LARGEST_SUM = 2_000
"""Options that one sum may run over."""

_FLIPPED = {"<": ">", ">": "<", "<=": ">=", ">=": "<="}
_JUDGE = {
    "==": lambda a, b: a == b,
    "!=": lambda a, b: a != b,
    "<": lambda a, b: a < b,
    "<=": lambda a, b: a <= b,
    ">": lambda a, b: a > b,
    ">=": lambda a, b: a >= b,
}


class Unsupported(Exception):  # noqa: N818 - no mistake of the file
    """A construct of the language that the reasoning cannot judge."""

    def __init__(self, kind: str, what: str) -> None:
        super().__init__(what)
        self.kind = kind


@dataclass(frozen=True, slots=True, kw_only=True)
class Term:
    """A linear number or a text.

    Attributes:
        constant: the constant part.
        weights: what each option adds while it is on.
        typed: typed options with their factor.
        average: whether the weights are averaged over the options that are on.
        text: a text constant; None for numbers.
        text_option: the typed option a text comes from; -1 for none.
        is_month: whether this is the build month itself.
        truth: value of a Boolean attribute; None for everything else.
    """

    constant: Fraction = Fraction(0)
    weights: tuple[tuple[int, Fraction], ...] = ()
    typed: tuple[tuple[int, Fraction], ...] = ()
    average: bool = False
    text: str | None = None
    text_option: int = -1
    is_month: bool = False
    truth: bool | None = None

    @classmethod
    def of(cls, number: Fraction) -> "Term":
        """A constant number."""
        return cls(constant=number)

    @classmethod
    def of_text(cls, text: str) -> "Term":
        """A constant text."""
        return cls(text=text)

    @property
    def is_constant(self) -> bool:
        """Whether this is a plain number."""
        return not (self.weights or self.typed or self.is_month or is_text(self))

    def scale(self, factor: Fraction) -> "Term":
        """Multiply everything."""
        return replace(
            self,
            constant=self.constant * factor,
            weights=tuple((option, weight * factor) for option, weight in self.weights),
            typed=tuple((option, weight * factor) for option, weight in self.typed),
        )

    def combine(self, operator: str, other: "Term") -> "Term":
        """Apply ``+ - * /``; raise Unsupported where the result is not linear."""
        if is_text(self) or is_text(other):
            kind = "calculation with texts"
            raise Unsupported(kind, "texts can only be compared")
        if self.is_month or other.is_month:
            kind = "calculation with the build month"
            raise Unsupported(kind, "the build month can only be compared with a month")
        if self.average or other.average:
            kind = "calculation with averages"
            raise Unsupported(kind, "an average can only be compared with a number")
        if operator in "+-":
            return self._add(other.scale(Fraction(1 if operator == "+" else -1)))
        if operator == "*" and self.is_constant:
            return other.scale(self.constant)
        if not other.is_constant:
            kind = "product of two unknowns"
            raise Unsupported(kind, "only products and quotients with a constant are judged")
        if operator == "*":
            return self.scale(other.constant)
        if other.constant == 0:
            kind = "division by zero"
            raise Unsupported(kind, "it divides by zero")
        return self.scale(1 / other.constant)

    def _add(self, other: "Term") -> "Term":
        return Term(
            constant=self.constant + other.constant,
            weights=_merge(self.weights, other.weights),
            typed=_merge(self.typed, other.typed),
        )


def _merge(
    left: tuple[tuple[int, Fraction], ...], right: tuple[tuple[int, Fraction], ...]
) -> tuple[tuple[int, Fraction], ...]:
    total: dict[int, Fraction] = {}
    for option, weight in (*left, *right):
        total[option] = total.get(option, Fraction(0)) + weight
    return tuple((option, weight) for option, weight in total.items() if weight)


def is_text(term: Term) -> bool:
    """Whether a term is a text."""
    return term.text is not None or term.text_option >= 0


@dataclass(frozen=True, slots=True)
class Compared:
    """A comparison as a formula over atoms."""

    formula: Formula
    comparisons: tuple[Comparison, ...] = ()


def _constant(truth: bool) -> Compared:  # noqa: FBT001
    return Compared((TRUE if truth else FALSE,))


def compare(operator: str, left: Term, right: Term, text: str) -> Compared:
    """Turn ``left operator right`` into a formula.

    Raises:
        ValueError: the build month is compared with something that is no month.
        Unsupported: the comparison is not linear.
    """
    if is_text(left) or is_text(right):
        return _compare_texts(operator, left, right, text)
    if left.is_month or right.is_month:
        return _compare_month(operator, left, right, text)
    if left.average or right.average:
        return _compare_average(operator, left, right, text)
    difference = left.combine("-", right)
    if difference.is_constant:
        return _constant(_JUDGE[operator](difference.constant, 0))
    if difference.typed:
        return _compare_typed(operator, difference, text)
    return _compare_weights(operator, difference, text)


def _atom(comparison: Comparison) -> Compared:
    return Compared((COMPARISON_BASE,), (comparison,))


def _compare_weights(operator: str, term: Term, text: str) -> Compared:
    return _atom(
        Comparison(
            subject=Subject.WEIGHTS,
            operator=operator,
            bound=-term.constant,
            weights=term.weights,
            text=text,
        )
    )


def _compare_typed(operator: str, term: Term, text: str) -> Compared:
    if len(term.typed) > 1 or term.weights:
        kind = "comparison of two unknown numbers"
        raise Unsupported(kind, "a typed option can only be compared with a constant")
    option, factor = term.typed[0]
    return _atom(
        Comparison(
            subject=Subject.NUMBER,
            operator=_FLIPPED.get(operator, operator) if factor < 0 else operator,
            bound=-term.constant / factor,
            option=option,
            text=text,
        )
    )


def _compare_month(operator: str, left: Term, right: Term, text: str) -> Compared:
    if right.is_month:
        left, right, operator = right, left, _FLIPPED.get(operator, operator)
    if right.is_month or not right.is_constant or right.constant.denominator != 1:
        kind = "calculation with the build month"
        raise Unsupported(kind, "the build month can only be compared with a month")
    month = read_month(int(right.constant))
    return _atom(
        Comparison(
            subject=Subject.MONTH,
            operator=operator,
            bound=Fraction(month.ordinal),
            text=text,
        )
    )


def _compare_average(operator: str, left: Term, right: Term, text: str) -> Compared:
    """``avg op c``: none on and ``0 op c``, or some on and the sum of (value - c) ``op 0``."""
    if right.average:
        left, right, operator = right, left, _FLIPPED.get(operator, operator)
    if not right.is_constant:
        kind = "calculation with averages"
        raise Unsupported(kind, "an average can only be compared with a number")
    members = [option for option, _ in left.weights]
    shifted = Term(
        weights=tuple((option, weight - right.constant) for option, weight in left.weights)
    )
    some: list[int] = [members[0]] if members else [FALSE]
    for member in members[1:]:
        some += [member, OR]
    none = [*some, NOT, TRUE if _JUDGE[operator](0, right.constant) else FALSE, AND]
    inner = _compare_weights(operator, shifted, text)
    return Compared((*none, *some, *inner.formula, AND, OR), inner.comparisons)


def _compare_texts(operator: str, left: Term, right: Term, text: str) -> Compared:
    if operator not in {"==", "!="}:
        kind = "order of texts"
        raise Unsupported(kind, f"texts cannot be compared by {operator}")
    if left.text_option < 0:
        left, right = right, left
    if left.text_option < 0:
        return _constant((left.text == right.text) == (operator == "=="))
    if right.text_option >= 0:
        kind = "comparison of two unknown texts"
        raise Unsupported(kind, "a text option can only be compared with a constant text")
    return _atom(
        Comparison(
            subject=Subject.TEXT,
            operator=operator,
            option=left.text_option,
            literal=right.text or "",
            text=text,
        )
    )


@dataclass(slots=True)
class TermReader:
    """Finds what a name in a formula stands for.

    Attributes:
        places: place of each option by name, dotted names of imported ones included.
        parents: parent of each option, for sums over a part of the tree.
        attributes: attributes of each option that has some.
        types: type of each typed option.
        month_name: name of the build month's feature; empty where there is none.
    """

    places: Mapping[str, int]
    parents: list[int]
    attributes: dict[int, Attributes]
    types: dict[int, str]
    month_name: str = ""
    _sums: dict[str, list[tuple[int, Fraction]]] = field(default_factory=dict)

    def find_option(self, token: str) -> int | None:
        """Place of an option; None where there is none. Quotes around parts are dropped."""
        place = self.places.get(token)
        return self.places.get(token.replace('"', "")) if place is None else place

    def get_value(self, option: int) -> Term | None:
        """What a typed option stands for in a calculation; None for one without a type."""
        kind = self.types.get(option, "Boolean")
        if kind == "Boolean":
            return None
        if kind == "String":
            return Term(text_option=option)
        return Term(typed=((option, Fraction(1)),))

    def find_attribute(self, token: str) -> Term | None:
        """Value of ``option.attribute``, or the build month; None where there is neither."""
        plain = token.replace('"', "")
        if self.month_name and plain == self.month_name:
            return Term(is_month=True)
        parts = plain.split(".")
        for cut in range(len(parts) - 1, 0, -1):
            option = self.places.get(".".join(parts[:cut]))
            if option is not None:
                key = ".".join(parts[cut:])
                return next(
                    (_of_value(v) for k, v in self.attributes.get(option, ()) if k == key), None
                )
        return None

    def apply(self, function: str, arguments: list[str]) -> Term:
        """Apply ``sum avg len floor ceil``.

        Raises:
            LookupError: an argument is unknown (its name is the error's argument).
            Unsupported: the function of a typed option.
        """
        if function in {"sum", "avg"}:
            return self._aggregate(function, arguments)
        name = arguments[0]
        option = self.find_option(name)
        term = self.find_attribute(name) if option is None else self.get_value(option)
        if term is None:
            raise LookupError(name)
        if function == "len" and term.text is not None:
            return Term.of(Fraction(len(term.text)))
        if function != "len" and term.is_constant:
            rounding = math.floor if function == "floor" else math.ceil
            return Term.of(Fraction(rounding(term.constant)))
        if function != "len" and term.typed and self.types[term.typed[0][0]] == "Integer":
            return term
        kind = f"{function} of a typed option"
        raise Unsupported(kind, f"{function}({name}) has no known value")

    def _aggregate(self, function: str, arguments: list[str]) -> Term:
        names = [argument.replace('"', "") for argument in arguments]
        # The reference implementation takes the attribute first; older files name it last.
        first = len(names) > 1 and bool(self._list_values(names[0]))
        attribute = names[0] if first else names[-1]
        if len(arguments) > 1:
            if not self._list_values(attribute) and self.find_option(attribute) is not None:
                kind = f"{function} over typed options"
                raise Unsupported(kind, f"{function} over typed options has no known value")
            part = arguments[1 if first else 0]
            root = self.find_option(part)
            if root is None:
                raise LookupError(part)
            values = [v for v in self._list_values(attribute) if self._is_below(v[0], root)]
        else:
            values = self._list_values(attribute)
        if not values:
            dotted = self.find_attribute(attribute)
            if dotted is not None and dotted.is_constant:
                return dotted
            raise LookupError(attribute)
        if len(values) > LARGEST_SUM:
            kind = "very long sum"
            raise Unsupported(kind, f"{function} runs over {len(values)} options")
        return Term(weights=tuple(values), average=function == "avg")

    def _list_values(self, attribute: str) -> list[tuple[int, Fraction]]:
        found = self._sums.get(attribute)
        if found is None:
            found = self._sums[attribute] = [
                (option, Fraction(str(value)))
                for option, pairs in self.attributes.items()
                for key, value in pairs
                if key == attribute
                and isinstance(value, int | float)
                and not isinstance(value, bool)
            ]
        return found

    def _is_below(self, option: int, root: int) -> bool:
        while option >= 0 and option != root:
            option = self.parents[option]
        return option == root


def _of_value(value: AttributeValue) -> Term | None:
    if isinstance(value, bool):
        return Term(truth=value)
    if isinstance(value, int | float):
        return Term.of(Fraction(str(value)))
    return Term.of_text(value) if isinstance(value, str) else None
