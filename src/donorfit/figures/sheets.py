"""Rows set on one sheet, or on several of limited height where a picture would grow too tall."""

import math
from collections.abc import Callable, Iterable

from donorfit.figures.drawing import Drawing

Row = Callable[[Drawing, float], float]
"""Draws one row from a height on and returns where the next one begins."""

UNLIMITED = math.inf


def draw_sheets(
    key: str,
    rows: Iterable[Row],
    *,
    title: str,
    finding: str,
    sheet_height: float = UNLIMITED,
    margin: float = 4.0,
) -> tuple[str, ...]:
    """Set rows below one another; a row that no longer fits begins the next sheet.

    A row is never split. Every sheet carries the title and the finding of the whole picture.
    """
    sheets: list[str] = []
    drawing, y = Drawing(key), 0.0
    for row in rows:
        height = row(Drawing("measure"), 0.0)
        if y > 0 and y + height > sheet_height:
            sheets.append(drawing.finish(y + margin, title, finding))
            drawing, y = Drawing(f"{key}-{len(sheets) + 1}"), 0.0
        y = row(drawing, y)
    sheets.append(drawing.finish(y + margin, title, finding))
    return tuple(sheets)
