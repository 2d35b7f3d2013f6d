"""Cut a UVL text into logical lines: comments removed, open brackets joined, indentation measured.

Source of the language: reference grammar ``UVLLexer.g4`` and its indentation rule (a tab reaches
to the next multiple of eight) in Universal-Variability-Language/uvl-parser.
"""

import re
from typing import NamedTuple

from donorfit.equipment.mistakes import Notes

TAB_WIDTH = 8
LONGEST_JOIN = 10_000
"""Physical lines that one logical line may span."""

_PIECE = re.compile(r"""//[^\n]*|/\*|\*/|"[^"\n]*"|'[^'\n]*'|["'()\[\]{}]|[^"'/*()\[\]{}]+|.""")
LONGEST_TABS = 1_000
_TABS = "\t" * LONGEST_TABS
_OPENING = {"(": ")", "[": "]", "{": "}"}
_CLOSING = frozenset(_OPENING.values())
_SPECIAL = re.compile(r"""["'/(\[{)\]}*]""")


class LogicalLine(NamedTuple):
    """One line that means something.

    Attributes:
        number: line in the file where it begins, from 1.
        indent: columns of white space in front.
        text: without comments and surrounding white space.
    """

    number: int
    indent: int
    text: str


def measure_indent(white: str) -> int:
    """Columns that leading white space takes up."""
    if white.count("\t") == len(white):
        return len(white) * TAB_WIDTH
    columns = 0
    for character in white:
        columns += TAB_WIDTH - columns % TAB_WIDTH if character == "\t" else 1
    return columns


def split_lines(text: str, notes: Notes) -> list[LogicalLine]:
    """All logical lines of a text; unclosed brackets, quotes and comments become mistakes."""
    physical = text.removeprefix("\ufeff").replace("\r\n", "\n").replace("\r", "\n").split("\n")
    notes.source = physical
    lines: list[LogicalLine] = []
    joiner = _Joiner(notes)
    has_special, make, is_open = _SPECIAL.search, tuple.__new__, False
    for number, raw in enumerate(physical, 1):
        if not is_open and has_special(raw) is None:
            stripped = raw.lstrip()
            if stripped:
                width = len(raw) - len(stripped)
                tabs = raw.startswith(_TABS[:width]) and width < LONGEST_TABS
                indent = width * TAB_WIDTH if tabs else measure_indent(raw[:width])
                lines.append(make(LogicalLine, (number, indent, stripped.rstrip())))
            continue
        finished = joiner.feed(number, raw)
        is_open = joiner.is_open
        if finished is not None:
            lines.append(finished)
    joiner.close(len(physical))
    return lines


class _Joiner:
    """Takes physical lines with brackets, quotes or comments; gives back whole logical ones."""

    def __init__(self, notes: Notes) -> None:
        self._notes = notes
        self._parts: list[str] = []
        self._brackets: list[tuple[str, int, int]] = []
        self._comment_from = 0
        self._start = 0
        self._indent = 0
        self._joined = 0

    @property
    def is_open(self) -> bool:
        """Whether the next physical line belongs to the same logical line."""
        return bool(self._brackets or self._comment_from)

    def feed(self, number: int, raw: str) -> LogicalLine | None:
        """Take one physical line; give the logical line that ends with it, if one does."""
        if not self._parts:
            white = raw[: len(raw) - len(raw.lstrip(" \t"))]
            self._start, self._indent = number, measure_indent(white)
        shift = len(raw) - len(raw.lstrip())
        for match in _PIECE.finditer(raw):
            self._take(match[0], number, match.start() + 1 - shift)
        self._joined += 1
        if self.is_open and self._joined < LONGEST_JOIN:
            if self._parts:
                self._parts.append(" ")
            return None
        return self._finish()

    def _take(self, piece: str, number: int, column: int) -> None:
        if self._comment_from:
            if piece == "*/":
                self._comment_from = 0
            elif "*/" in piece:
                self._reopen(piece, number, column)
            return
        if piece == "/*":
            self._comment_from = number
        elif piece.startswith("//"):
            return
        elif piece in {'"', "'"}:
            self._notes.add(number, column, f"the quote {piece} is not closed", "close it")
        else:
            self._parts.append(piece)
            self._count(piece, number, column)

    def _reopen(self, piece: str, number: int, column: int) -> None:
        """A comment that ends inside what looks like a string or a line comment."""
        self._comment_from = 0
        start = piece.index("*/") + 2
        for match in _PIECE.finditer(piece[start:]):
            self._take(match[0], number, column + start + match.start())

    def _count(self, piece: str, number: int, column: int) -> None:
        if piece in _OPENING:
            self._brackets.append((_OPENING[piece], number, column))
        elif piece in _CLOSING:
            if self._brackets and self._brackets[-1][0] == piece:
                self._brackets.pop()
            else:
                self._notes.add(
                    number, column, f"{piece} closes nothing", "remove it or open it before"
                )

    def _finish(self) -> LogicalLine | None:
        text = "".join(self._parts).strip()
        line = LogicalLine(self._start, self._indent, text) if text else None
        self._parts.clear()
        self._joined = 0
        return line

    def close(self, last: int) -> None:
        """The text is at its end: what is still open is a mistake."""
        if self._comment_from:
            self._notes.add(self._comment_from, 0, "the comment /* is not closed", "add */")
        for closing, number, column in self._brackets[:1]:
            self._notes.add(
                min(number, last), column, f"the bracket is never closed by {closing}", "close it"
            )
