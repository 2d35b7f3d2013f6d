"""Text set for a terminal: folded, aligned, free of control characters, measured."""

import unicodedata
from collections.abc import Iterable, Sequence

from donorfit.records.counted import count

__all__ = [
    "WIDTH",
    "clean",
    "count",
    "fold",
    "measure",
    "pad",
    "tabulate",
    "word_seconds",
]

WIDTH = 88
_LAST_COLUMN = 20
_WIDE = frozenset("WF")
_HIDDEN = frozenset(("Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"))


def clean(text: str) -> str:
    """One line without anything a terminal could obey: controls and marks of direction shown."""
    folded = " ".join(text.split())
    if folded.isascii() and folded.isprintable():
        return folded
    return "".join(
        f"\\u{ord(sign):04x}" if unicodedata.category(sign) in _HIDDEN else sign for sign in folded
    )


def measure(text: str) -> int:
    """Columns that a text takes: wide signs two, combining marks none."""
    if text.isascii():
        return len(text)
    return sum(
        0
        if unicodedata.combining(sign)
        else (2 if unicodedata.east_asian_width(sign) in _WIDE else 1)
        for sign in text
    )


def pad(text: str, columns: int, *, right: bool = False) -> str:
    """Fill up with spaces, behind the text or before it."""
    space = " " * max(0, columns - measure(text))
    return space + text if right else text + space


def fold(text: str, *, first: str = "", rest: str | None = None, width: int = WIDTH) -> list[str]:
    """Break a text into lines; the first begins with ``first``, the others with ``rest``.

    A beginning that would leave less than half of the width is broken like the text itself.
    """
    if measure(first) > width // 2:
        return fold(f"{first.strip()} {text}", rest="  ", width=width)
    after = " " * measure(first) if rest is None else rest
    lines: list[str] = []
    current, empty = first, True
    for word in clean(text).split(" "):
        for piece in _break_word(word, max(1, width - measure(after))):
            gap = "" if empty else " "
            if not empty and measure(current) + len(gap) + measure(piece) > width:
                lines.append(current)
                current, gap = after, ""
            current += gap + piece
            empty = False
    lines.append(current.rstrip())
    return lines


def _break_word(word: str, width: int) -> Iterable[str]:
    piece = ""
    for sign in word:
        if piece and measure(piece) + measure(sign) > width:
            yield piece
            piece = ""
        piece += sign
    yield piece


def tabulate(
    rows: Sequence[Sequence[str]],
    *,
    head: Sequence[str] = (),
    right: Sequence[int] = (),
    indent: int = 2,
    width: int = WIDTH,
    least: Sequence[int] = (),
) -> list[str]:
    """Rows in aligned columns; the last column is folded where it does not fit.

    Columns are at least as wide as ``least`` says, so that several tables can stand in line.

    No column but the last is wider than a third of the width, and the widest ones give way so that
    the last one keeps some room: longer texts are folded too.
    """
    cells = [[clean(cell) for cell in row] for row in ([head, *rows] if head else rows)]
    if not cells:
        return []
    limit = max(8, width // 3)
    fixed = [
        min(limit, max((*least[column : column + 1], *(measure(row[column]) for row in cells))))
        for column in range(len(cells[0]) - 1)
    ]
    spare = width - indent - 2 * len(fixed) - _LAST_COLUMN
    while sum(fixed) > spare and max(fixed) > 1:
        fixed[fixed.index(max(fixed))] -= 1
    lines: list[str] = []
    for row in cells:
        lines += _set_row(row, fixed, frozenset(right), indent, width)
    return lines


def _set_row(
    row: Sequence[str], fixed: Sequence[int], right: frozenset[int], indent: int, width: int
) -> list[str]:
    room = max(8, width - indent - sum(fixed) - 2 * len(fixed))
    widths = [*fixed, room]
    stacks = [fold(cell, width=limit) for cell, limit in zip(row, widths, strict=True)]
    lines = []
    for depth in range(max(map(len, stacks))):
        cells = [
            pad(stack[depth] if depth < len(stack) else "", limit, right=column in right)
            for column, (stack, limit) in enumerate(zip(stacks, widths, strict=True))
        ]
        lines.append((" " * indent + "  ".join(cells)).rstrip())
    return lines


def word_seconds(seconds: float) -> str:
    """A duration as people say it: ``4 s``, ``12 min``, ``1 h 05 min``."""
    if seconds < 99.5:  # noqa: PLR2004 - below 100 s people count seconds
        return f"{seconds:.3g} s"
    minutes = round(seconds / 60)
    return f"{minutes} min" if minutes < 60 else f"{minutes // 60} h {minutes % 60:02d} min"  # noqa: PLR2004
