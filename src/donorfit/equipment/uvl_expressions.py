"""Read one formula of UVL into postfix order, without recursion.

Precedence and left association follow the reference grammar ``UVLParser.g4``: ``* /`` bind
tightest, then ``+ -``, comparisons, ``!``, ``&``, ``|``, ``=>``, ``<=>``. A reference to an
attribute stands for its number whether or not its option is on, ``sum`` and ``avg`` look at the
options that are on: so does the reference implementation evaluate them.
"""

import re
from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum
from fractions import Fraction
from typing import NoReturn

from donorfit.equipment.mistakes import Notes
from donorfit.equipment.uvl_terms import Term, TermReader, Unsupported, compare, is_text
from donorfit.vehicle.rules import (
    AND,
    COMPARISON_BASE,
    EQUIVALENT,
    FALSE,
    IMPLIES,
    NOT,
    OR,
    TRUE,
    Comparison,
    Formula,
)

LONGEST_FORMULA = 200_000
"""Tokens of one formula."""

_TOKEN = re.compile(
    r"""\s*(?:
    (?P<operator><=>|=>|==|!=|<=|>=|[<>!&|+*/-])
  | (?P<open>\()
  | (?P<close>\))
  | (?P<number>(?:\d*\.\d+|\d+)(?![\w]))
  | (?P<name>(?:"[^"]+"|[A-Za-z_][\w\#§%?\\'äüöß;]*)(?:\.(?:"[^"]+"|[A-Za-z_][\w\#§%?\\'äüöß;]*))*)
  | (?P<text>'[^']*')
  | (?P<comma>,)
)""",
    re.VERBOSE,
)
_POWERS = {
    "<=>": 1,
    "=>": 2,
    "|": 3,
    "&": 4,
    "!": 5,
    "==": 6,
    "!=": 6,
    "<": 6,
    "<=": 6,
    ">": 6,
    ">=": 6,
    "+": 7,
    "-": 7,
    "*": 8,
    "/": 8,
}
_COMPARING = frozenset({"==", "!=", "<", "<=", ">", ">="})
_LOGICAL = {"&": AND, "|": OR, "=>": IMPLIES, "<=>": EQUIVALENT}
FUNCTIONS = frozenset({"sum", "avg", "len", "floor", "ceil"})


class Mood(Enum):
    """What a part of a formula can stand for."""

    TRUTH = "a condition"
    VALUE = "a number or text"
    EITHER = "an option"


@dataclass(slots=True)
class ReadFormula:
    """A formula in postfix order with its comparisons."""

    formula: Formula
    comparisons: tuple[Comparison, ...]


class FormulaMistakeError(ValueError):
    """A formula cannot be read: what, at which place, and what to do."""

    def __init__(self, what: str, place: int, next_step: str) -> None:
        super().__init__(what)
        self.place = place
        self.next_step = next_step


class FormulaReader:
    """Reads the formulas of one file against its options."""

    def __init__(self, terms: TermReader, notes: Notes, suggest: Callable[[str], str]) -> None:
        self._terms = terms
        self._find = terms.places.get
        self._notes = notes
        self._suggest = suggest
        self._simple: dict[str, re.Pattern[str]] = {}

    def read(self, text: str, line: int, column: int) -> ReadFormula | None:
        """Read a formula; mistakes and warnings go to the notes, and the answer is None."""
        quick = self._read_quickly(text)
        if quick is not None:
            return ReadFormula(quick, ())
        try:
            return _Reading(text, self._terms, self._suggest).read()
        except FormulaMistakeError as mistake:
            self._notes.add(line, column + mistake.place, str(mistake), mistake.next_step)
        except Unsupported as gap:
            self._notes.warn(line, gap.kind, f"{text.strip()!r}: {gap}; the rule is not used")
        return None

    def _read_quickly(self, text: str) -> Formula | None:
        """The plain shape of most rules: ``a => b``, each side perhaps with ``!``."""
        left, arrow, right = text.partition(" => ")
        if not arrow:
            return None
        formula: list[int] = []
        for side in (left, right):
            negative = side.startswith("!")
            place = self._find(side[1:] if negative else side)
            if place is None:
                return None
            formula.append(place)
            if negative:
                formula.append(NOT)
        formula.append(IMPLIES)
        return tuple(formula)


class _Reading:
    """One formula on its way: a shunting yard with the postfix output as its stack of operands."""

    def __init__(self, text: str, terms: TermReader, suggest: Callable[[str], str]) -> None:
        self._text = text
        self._terms = terms
        self._suggest = suggest
        self._operators: list[tuple[str, int]] = []
        self._out: list[int] = []
        self._operands: list[tuple[Mood, int, Term | None, int]] = []
        self._comparisons: list[Comparison] = []

    def read(self) -> ReadFormula:
        wants_operand = True
        at, count, end = 0, 0, len(self._text.rstrip())
        while at < end:
            match = _TOKEN.match(self._text, at)
            if match is None or match.lastgroup is None:
                shown = self._text[at:end].strip()[:20]
                self._fail(f"did not expect {shown!r}", self._skip(at))
            count += 1
            if count > LONGEST_FORMULA:
                self._fail(f"a formula of more than {LONGEST_FORMULA} words", at)
            kind, token = match.lastgroup, match[match.lastgroup]
            place, at = match.start(kind), match.end()
            if wants_operand:
                wants_operand, at = self._take_operand(kind, token, place, at)
            else:
                wants_operand = self._take_operator(kind, token, place)
        if wants_operand:
            self._fail("the formula ends too early", end)
        while self._operators:
            operator, place = self._operators.pop()
            if operator == "(":
                self._fail("a closing parenthesis is missing", place)
            self._apply(operator, place)
        mood, place, term, _ = self._operands[0]
        self._turn_into_truth(mood, place, term)
        return ReadFormula(tuple(self._out), tuple(self._comparisons))

    def _fail(self, what: str, place: int) -> NoReturn:
        raise FormulaMistakeError(
            what, place, "write a formula with option names and ! & | => <=> ( )"
        )

    def _skip(self, at: int) -> int:
        return at + len(self._text[at:]) - len(self._text[at:].lstrip())

    def _take_operand(self, kind: str, token: str, place: int, at: int) -> tuple[bool, int]:
        """Take a token where an operand is due; say whether one is still due, and go on where."""
        if kind == "open" or token == "!":  # noqa: S105 - an operator
            self._operators.append(("(" if kind == "open" else "!", place))
            return True, at
        if token == "-":  # noqa: S105 - an operator, no secret
            match = _TOKEN.match(self._text, at)
            if match is not None and match.lastgroup == "number":
                self._push_value(Term.of(-Fraction(match["number"])), place)
                return False, match.end()
        if kind == "number":
            self._push_value(Term.of(Fraction(token)), place)
        elif kind == "text":
            self._push_value(Term.of_text(token[1:-1]), place)
        elif kind == "name":
            return False, self._take_name(token, place, at)
        else:
            self._fail(f"did not expect {token!r}", place)
        return False, at

    def _take_name(self, token: str, place: int, at: int) -> int:
        if token in FUNCTIONS:
            match = re.compile(r"\s*\(([^()]*)\)").match(self._text, at)
            if match is not None:
                arguments = [part.strip() for part in match[1].split(",")]
                try:
                    self._push_value(self._terms.apply(token, arguments), place)
                except LookupError as error:
                    self._fail_unknown(str(error.args[0]), place)
                return match.end()
        if token in {"true", "false"}:
            self._operands.append((Mood.TRUTH, place, None, len(self._out)))
            self._out.append(TRUE if token == "true" else FALSE)  # noqa: S105
            return at
        option = self._terms.find_option(token)
        if option is not None:
            term = self._terms.get_value(option)
            self._operands.append((Mood.EITHER, place, term, len(self._out)))
            self._out.append(option)
            return at
        found = self._terms.find_attribute(token)
        if found is None:
            self._fail_unknown(token, place)
        self._push_value(found, place)
        return at

    def _fail_unknown(self, name: str, place: int) -> NoReturn:
        what = f"there is no option or attribute {name!r}"
        raise FormulaMistakeError(what, place, self._suggest(name))

    def _push_value(self, term: Term, place: int) -> None:
        if term.truth is not None:
            self._operands.append((Mood.EITHER, place, term, len(self._out)))
            self._out.append(TRUE if term.truth else FALSE)
            return
        self._operands.append((Mood.VALUE, place, term, len(self._out)))

    def _take_operator(self, kind: str, token: str, place: int) -> bool:
        """Take a token where an operator is due; say whether an operand is due next."""
        if kind == "close":
            while self._operators and self._operators[-1][0] != "(":
                self._apply(*self._operators.pop())
            if not self._operators:
                self._fail("this parenthesis closes nothing", place)
            self._operators.pop()
            return False
        power = _POWERS.get(token)
        if power is None or token == "!":  # noqa: S105
            self._fail(f"did not expect {token!r}", place)
        while self._operators and self._operators[-1][0] != "(":
            if _POWERS[self._operators[-1][0]] < power:
                break
            self._apply(*self._operators.pop())
        self._operators.append((token, place))
        return True

    def _apply(self, operator: str, place: int) -> None:
        mood, at, term, start = self._operands.pop()
        if operator == "!":
            self._turn_into_truth(mood, at, term)
            self._out.append(NOT)
            self._operands.append((Mood.TRUTH, place, None, start))
            return
        left_mood, left_at, left_term, left_start = self._operands.pop()
        if operator in _LOGICAL:
            self._turn_into_truth(left_mood, left_at, left_term)
            self._turn_into_truth(mood, at, term)
            self._out.append(_LOGICAL[operator])
            self._operands.append((Mood.TRUTH, left_at, None, left_start))
            return
        del self._out[left_start:]
        if operator in {"==", "!="} and Mood.TRUTH in (mood, left_mood):
            self._fail(f"{operator} compares numbers and texts; use <=>", place)
        left = self._turn_into_value(left_mood, left_at, left_term)
        right = self._turn_into_value(mood, at, term)
        if operator in _COMPARING:
            self._compare(operator, left, right, (left_at, place, left_start))
            return
        self._operands.append((Mood.VALUE, left_at, left.combine(operator, right), left_start))

    def _compare(self, operator: str, left: Term, right: Term, at: tuple[int, int, int]) -> None:
        left_at, place, start = at
        if is_text(left) != is_text(right):
            self._fail("a text is compared with a number", place)
        text = self._text.strip() if not self._operators else ""
        try:
            found = compare(operator, left, right, text)
        except ValueError as error:
            raise FormulaMistakeError(
                str(error), left_at, "write the month as six digits, 202107 for July 2021"
            ) from None
        for code in found.formula:
            if code <= COMPARISON_BASE:
                code = COMPARISON_BASE - (len(self._comparisons) + COMPARISON_BASE - code)  # noqa: PLW2901
            self._out.append(code)
        self._comparisons.extend(found.comparisons)
        self._operands.append((Mood.TRUTH, left_at, None, start))

    def _turn_into_truth(self, mood: Mood, place: int, term: Term | None) -> None:
        if mood is Mood.VALUE:
            self._fail("a number or text stands where a condition is due", place)
        if term is not None and term.is_month:
            self._fail("the build month is a number, no condition", place)

    def _turn_into_value(self, mood: Mood, place: int, term: Term | None) -> Term:
        if mood is Mood.EITHER and term is None:
            kind = "number of an option without a type"
            raise Unsupported(kind, "an option without a type has no number")
        if term is None:
            self._fail("a condition stands where a number or text is due", place)
        return term
