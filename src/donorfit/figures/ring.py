"""Ring: the nodes of an optical ring in the order of the light, and the margin of every hop."""

import math

from donorfit.figures.drawing import BODY, SMALL, Drawing, Ink, write_number
from donorfit.figures.lettering import wrap
from donorfit.figures.naming import get_unit_title
from donorfit.figures.palette import Role
from donorfit.records.counted import count
from donorfit.records.handover import Names, RingMargin

_RADIUS = 118.0
_NODE = 9.0
WEAK_BELOW_DB = 3.0
_MOST_WIDTH_DB = 12.0


def draw_ring(
    arcs: tuple[RingMargin, ...],
    names: Names,
    *,
    title: str = "Optical ring",
    key: str = "ring",
) -> str:
    """The ring as an SVG text: the wider an arc, the larger its margin; weak ones are dashed.

    Beside the ring every hop is listed with its number, so that no label has to fit on the circle.
    """
    drawing = Drawing(key)
    centre = (2 + _RADIUS + 28, _RADIUS + 28)
    count = max(1, len(arcs))
    for at, arc in enumerate(arcs):
        _draw_arc(drawing, centre, 2 * math.pi * at / count, 2 * math.pi * (at + 1) / count, arc)
    for at in range(len(arcs)):
        angle = 2 * math.pi * at / count
        x, y = _place(centre, angle, _RADIUS)
        drawing.add_circle(x, y, _NODE, Ink(fill="page", stroke="ink", width=1.6))
        drawing.add_text(x, y + 3.6, str(at + 1), size=SMALL, anchor="middle", bold=True)
    bottom = _draw_list(drawing, arcs, names)
    height = max(bottom, centre[1] + _RADIUS + 24)
    return drawing.finish(height, title, write_ring_finding(arcs, names))


def write_ring_finding(arcs: tuple[RingMargin, ...], names: Names) -> str:
    """Whether the light reaches round, in a sentence."""
    known = [arc for arc in arcs if arc.margin_db is not None]
    if not known:
        return f"{count(len(arcs), 'hop')}; no margin is known."
    weakest = min(known, key=lambda arc: arc.margin_db or 0.0)
    margin = weakest.margin_db or 0.0
    enough = "is weak" if margin < WEAK_BELOW_DB else "has enough light"
    return (
        f"{count(len(arcs), 'hop')}. The weakest, {_word_hop(weakest, names)}, {enough} with "
        f"a margin of {margin:.1f} dB."
    )


def _place(centre: tuple[float, float], angle: float, radius: float) -> tuple[float, float]:
    """Clockwise from the top, the way the light is drawn."""
    return (centre[0] + radius * math.sin(angle), centre[1] - radius * math.cos(angle))


def _draw_arc(
    drawing: Drawing, centre: tuple[float, float], start: float, end: float, arc: RingMargin
) -> None:
    turn = (_NODE + 3) / _RADIUS
    first, last = _place(centre, start + turn, _RADIUS), _place(centre, end - turn, _RADIUS)
    large = int(end - start - 2 * turn > math.pi)
    n = write_number
    path = (
        f"M{n(first[0])} {n(first[1])}"
        f"A{n(_RADIUS)} {n(_RADIUS)} 0 {large} 1 {n(last[0])} {n(last[1])}"
    )
    drawing.add_path(path, choose_ink(arc))
    tip = _place(centre, end - turn, _RADIUS)
    back = end - turn - 0.1
    inner, outer = _place(centre, back, _RADIUS - 7), _place(centre, back, _RADIUS + 7)
    corners = "L".join(f"{n(x)} {n(y)}" for x, y in (inner, tip, outer))
    drawing.add_path(f"M{corners}Z", Ink(fill="ink"))


def choose_ink(arc: RingMargin) -> Ink:
    """How an arc is drawn: dotted unknown, dashed weak, otherwise as wide as its margin."""
    if arc.margin_db is None:
        return Ink(stroke="soft", width=1.6, dash="1 4")
    if arc.margin_db < 0:
        return Ink(stroke=Role.BLOCKED.value, width=2.4, dash="2 5")
    width = 2.0 + 7.0 * min(arc.margin_db, _MOST_WIDTH_DB) / _MOST_WIDTH_DB
    if arc.margin_db < WEAK_BELOW_DB:
        return Ink(stroke=Role.WEAK.value, width=width, dash="7 4")
    return Ink(stroke=Role.NEUTRAL.value, width=width)


def _draw_list(drawing: Drawing, arcs: tuple[RingMargin, ...], names: Names) -> float:
    x, y = 2 * _RADIUS + 84, 22.0
    room = drawing.width - x - 26
    drawing.add_text(x, y, "hop and margin", size=SMALL, colour="soft", bold=True)
    y += 22
    for at, arc in enumerate(arcs):
        following = (at + 1) % len(arcs) + 1
        drawing.add_line(((x, y - 4), (x + 18, y - 4)), choose_ink(arc))
        text = f"{at + 1} \N{RIGHTWARDS ARROW} {following}: {word_margin(arc)}"
        drawing.add_text(x + 26, y, text, bold=True)
        y += BODY * 1.35
        new = " (new)" if arc.added else ""
        for line in wrap(f"{_word_hop(arc, names)}{new}", SMALL, room):
            drawing.add_text(x + 26, y, line, size=SMALL)
            y += SMALL * 1.35
        y += 7
    return y


def _word_hop(arc: RingMargin, names: Names) -> str:
    return f"{get_unit_title(names, arc.source)} to {get_unit_title(names, arc.target)}"


def word_margin(arc: RingMargin) -> str:
    """The margin with the word that judges it."""
    if arc.margin_db is None:
        return "margin not known"
    if arc.margin_db < 0:
        return f"{arc.margin_db:.1f} dB, too dark"
    return f"{arc.margin_db:.1f} dB" + (", weak" if arc.margin_db < WEAK_BELOW_DB else "")
