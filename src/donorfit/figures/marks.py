"""Marks that say by their shape what a word beside them says too."""

import math
from collections.abc import Iterable

from donorfit.figures.drawing import Drawing, Ink, write_number
from donorfit.records.fit_report import Verdict


def _join(points: Iterable[tuple[float, float]]) -> str:
    return "M" + "L".join(f"{write_number(x)} {write_number(y)}" for x, y in points)


def _ring(x: float, y: float, radius: float, corners: int, turn: float) -> str:
    steps = (turn + 2 * math.pi * corner / corners for corner in range(corners))
    points = [(x + radius * math.cos(step), y + radius * math.sin(step)) for step in steps]
    return _join(points) + "Z"


def add_tick(drawing: Drawing, x: float, y: float, size: float, colour: str = "page") -> None:
    """A tick around a centre."""
    points = (
        (x - 0.5 * size, y),
        (x - 0.12 * size, y + 0.4 * size),
        (x + 0.55 * size, y - 0.4 * size),
    )
    drawing.add_line(points, Ink(stroke=colour, width=size * 0.26))


def add_cross(drawing: Drawing, x: float, y: float, size: float, colour: str = "page") -> None:
    """A cross around a centre."""
    ink = Ink(stroke=colour, width=size * 0.26)
    half = size * 0.42
    drawing.add_line(((x - half, y - half), (x + half, y + half)), ink)
    drawing.add_line(((x - half, y + half), (x + half, y - half)), ink)


def add_arrow(drawing: Drawing, left: float, right: float, y: float, colour: str = "ink") -> None:
    """An arrow to the right."""
    ink = Ink(stroke=colour, width=1.6)
    drawing.add_line(((left, y), (right, y)), ink)
    drawing.add_line(((right - 5, y - 4), (right, y), (right - 5, y + 4)), ink)


def add_verdict(drawing: Drawing, x: float, y: float, radius: float, verdict: Verdict) -> None:
    """Round with a tick, square on its corner with a bar, eight-sided with a cross, open ring."""
    if verdict is Verdict.MET:
        drawing.add_circle(x, y, radius, Ink(fill="neutral"))
        add_tick(drawing, x, y, radius)
    elif verdict is Verdict.AFTER_CHANGE:
        path = _ring(x, y, radius * 1.1, 4, 0.0)
        drawing.add_path(path, Ink(fill="page", stroke="derived", width=2.2))
        drawing.add_path(
            _join(((x, y - radius * 1.1), (x + radius * 1.1, y), (x, y + radius * 1.1))) + "Z",
            Ink(fill="derived"),
        )
    elif verdict is Verdict.IMPOSSIBLE:
        drawing.add_path(_ring(x, y, radius * 1.05, 8, math.pi / 8), Ink(fill="blocked"))
        add_cross(drawing, x, y, radius)
    else:
        drawing.add_circle(x, y, radius, Ink(fill="page", stroke="weak", width=2.2, dash="3 2"))
        drawing.add_circle(x, y, radius * 0.2, Ink(fill="weak"))
