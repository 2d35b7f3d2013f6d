"""The paper that pictures are drawn on: SVG elements as text.

Every element carries a concrete colour, so that it shows in a document, and a class, so that the
style of a page can change it for a dark ground (:func:`donorfit.figures.palette.write_style`).
"""

import re
from collections.abc import Iterable
from dataclasses import dataclass
from html import escape

from donorfit.figures.lettering import clean, wrap
from donorfit.figures.palette import LIGHT, Role

WIDTH = 640.0
FACES = "DejaVu Sans Mono, Menlo, Consolas, Liberation Mono, monospace"
BODY = 11.0
SMALL = 9.5
HEAD = 13.0
LEADING = 1.35

_KEY = re.compile(r"[^a-z0-9]+")


@dataclass(frozen=True, slots=True, kw_only=True)
class Ink:
    """How a shape is painted; names are those of the palette, empty for nothing.

    Attributes:
        fill: what it is filled with.
        hatch: a role whose hatch fills it instead.
        stroke: colour of its edge.
        width: width of the edge.
        dash: dash pattern of the edge, such as ``4 3``.
    """

    fill: str = ""
    hatch: Role | None = None
    stroke: str = ""
    width: float = 1.0
    dash: str = ""


def write_number(value: float) -> str:
    """A coordinate with at most two decimals, the same text on every machine."""
    text = f"{value:.2f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


class Drawing:
    """Collects elements and the height they need; :meth:`finish` gives the SVG text."""

    def __init__(self, key: str, *, width: float = WIDTH) -> None:
        self.key = _KEY.sub("-", key.lower()).strip("-") or "picture"
        self.width = width
        self._parts: list[str] = []
        self._hatches: dict[Role, str] = {}

    def _paint(self, ink: Ink) -> str:
        fill = f' fill="{self._find_colour(ink.fill)}"' if ink.fill else ' fill="none"'
        if ink.hatch is not None:
            fill = f' fill="url(#{self._use_hatch(ink.hatch)})"'
        names = [f"f-{ink.fill}"] if ink.fill and ink.hatch is None else []
        stroke = ""
        if ink.stroke:
            names.append(f"s-{ink.stroke}")
            stroke = f' stroke="{self._find_colour(ink.stroke)}"'
            stroke += f' stroke-width="{write_number(ink.width)}"'
            stroke += f' stroke-dasharray="{ink.dash}"' if ink.dash else ""
        classes = f' class="{" ".join(names)}"' if names else ""
        return classes + fill + stroke

    @staticmethod
    def _find_colour(name: str) -> str:
        colour: str = getattr(LIGHT, name)
        return colour

    def _use_hatch(self, role: Role) -> str:
        self._hatches.setdefault(role, f"{self.key}-hatch-{role.value}")
        return self._hatches[role]

    def add_box(
        self,
        left: float,
        top: float,
        width: float,
        height: float,
        ink: Ink,
        *,
        corner: float = 0.0,
    ) -> None:
        """A rectangle."""
        place = " ".join(
            f'{name}="{write_number(value)}"'
            for name, value in (("x", left), ("y", top), ("width", width), ("height", height))
        )
        rounding = f' rx="{write_number(corner)}"' if corner else ""
        self._parts.append(f"<rect {place}{rounding}{self._paint(ink)}/>")

    def add_circle(self, x: float, y: float, radius: float, ink: Ink) -> None:
        """A circle."""
        place = f'cx="{write_number(x)}" cy="{write_number(y)}" r="{write_number(radius)}"'
        self._parts.append(f"<circle {place}{self._paint(ink)}/>")

    def add_path(self, path: str, ink: Ink, *, round_ends: bool = False) -> None:
        """A path in SVG's own path language; coordinates must be written with write_number."""
        ends = ' stroke-linecap="round" stroke-linejoin="round"' if round_ends else ""
        self._parts.append(f'<path d="{path}"{self._paint(ink)}{ends}/>')

    def add_line(self, points: Iterable[tuple[float, float]], ink: Ink) -> None:
        """A line through points."""
        text = "L".join(f"{write_number(x)} {write_number(y)}" for x, y in points)
        self.add_path(f"M{text}", ink, round_ends=True)

    def add_text(
        self,
        x: float,
        y: float,
        text: str,
        *,
        size: float = BODY,
        colour: str = "ink",
        bold: bool = False,
        anchor: str = "start",
        struck: bool = False,
    ) -> None:
        """One line of text on its baseline; anchor is ``start``, ``middle`` or ``end``."""
        more = ' font-weight="bold"' if bold else ""
        more += f' text-anchor="{anchor}"' if anchor != "start" else ""
        more += ' text-decoration="line-through"' if struck else ""
        self._parts.append(
            f'<text x="{write_number(x)}" y="{write_number(y)}" '
            f'font-size="{write_number(size)}"{more} class="f-{colour}" '
            f'fill="{self._find_colour(colour)}">{escape(clean(text))}</text>'
        )

    def add_lines(
        self,
        x: float,
        y: float,
        text: str,
        width: float,
        *,
        size: float = BODY,
        colour: str = "ink",
        bold: bool = False,
        most: int = 8,
    ) -> float:
        """A text broken to a width, first baseline at ``y``; returns the next free baseline."""
        for line in wrap(text, size, width, most=most):
            self.add_text(x, y, line, size=size, colour=colour, bold=bold)
            y += size * LEADING
        return y

    def finish(self, height: float, title: str, finding: str) -> str:
        """The SVG text: ``title`` names the picture, ``finding`` says what it shows."""
        box = f"0 0 {write_number(self.width)} {write_number(height)}"
        names = f"{self.key}-title {self.key}-finding"
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" class="picture" role="img" '
            f'viewBox="{box}" width="{write_number(self.width)}" '
            f'height="{write_number(height)}" aria-labelledby="{names}" '
            f'font-family="{FACES}">'
            f'<title id="{self.key}-title">{escape(clean(title))}</title>'
            f'<desc id="{self.key}-finding">{escape(clean(finding))}</desc>'
            f"{self._write_hatches()}{''.join(self._parts)}</svg>"
        )

    def _write_hatches(self) -> str:
        patterns = "".join(
            f'<pattern id="{name}" width="5" height="5" patternUnits="userSpaceOnUse">'
            f'<path d="M-1 1L1 -1M0 5L5 0M4 6L6 4" class="s-{role.value}" fill="none" '
            f'stroke="{LIGHT.get(role)}" stroke-width="1.4"/></pattern>'
            for role, name in self._hatches.items()
        )
        return f"<defs>{patterns}</defs>" if patterns else ""
