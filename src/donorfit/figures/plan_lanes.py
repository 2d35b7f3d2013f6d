"""Plan as lanes: what happens when to which unit, where the job can stop, what cannot be undone."""

from dataclasses import dataclass

from donorfit.figures.drawing import BODY, SMALL, Drawing, Ink
from donorfit.figures.lettering import cut, measure
from donorfit.figures.naming import get_unit_title
from donorfit.figures.palette import Role
from donorfit.records.handover import Names
from donorfit.records.plan import Plan, Step, StepKind

_LEFT = 160.0
_LANE = 20.0
_NETWORK = 17.0
_SLOT_AT_LEAST = 25.0
_SLOT_AT_MOST = 44.0

_KINDS = {
    StepKind.WRITE_OPTION_LIST: ("write option list", Ink(fill="derived")),
    StepKind.WRITE_RECORD: ("write record", Ink(fill="panel", stroke="derived", width=2)),
    StepKind.PROGRAM: ("program software", Ink(hatch=Role.BLOCKED, stroke="blocked", width=1.6)),
    StepKind.RESET: ("reset", Ink(fill="neutral")),
    StepKind.CLEAR_FAULTS: ("clear fault codes", Ink(stroke="neutral", width=1.2, dash="3 2")),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Band:
    """Steps drawn side by side, and the lanes they need: a network name heads its units."""

    steps: tuple[Step, ...]
    first: int
    lanes: tuple[tuple[str, tuple[str, ...]], ...]


def draw_plan_lanes(plan: Plan, names: Names, *, key: str = "plan-lanes") -> str:
    """The steps of a plan as an SVG text: lanes by network and unit, stops, point of no return."""
    drawing = Drawing(key)
    y = _draw_legend(drawing)
    per_band = int((drawing.width - _LEFT - 6) // _SLOT_AT_LEAST)
    steps = plan.steps
    turning = next((at for at, each in enumerate(steps) if each.kind is StepKind.PROGRAM), None)
    started = 0.0
    for first in range(0, len(steps), per_band):
        band = _make_band(steps[first : first + per_band], first)
        slot = min(_SLOT_AT_MOST, (drawing.width - _LEFT - 6) / max(1, len(band.steps)))
        y = _draw_band(drawing, y + 6, band, slot, names, turning, started)
        started += sum(each.seconds for each in band.steps)
    if not steps:
        drawing.add_text(2, y + 16, "No step: nothing has to be written.")
        y += 24
    return drawing.finish(y, "The plan as lanes", write_plan_finding(plan))


def write_plan_finding(plan: Plan) -> str:
    """What the order of the steps comes to, in words."""
    units = len({step.unit for step in plan.steps})
    safe = sum(step.safe_after for step in plan.steps)
    text = (
        f"{len(plan.steps)} steps on {units} control units, about "
        f"{plan.seconds / 60:.0f} minutes; the job can stop safely after {safe} of them."
    )
    turning = next((each for each in plan.steps if each.kind is StepKind.PROGRAM), None)
    if turning is not None:
        text += f" From step {turning.id} on software changes."
    return text


def _make_band(steps: tuple[Step, ...], first: int) -> _Band:
    networks: dict[str, dict[str, None]] = {}
    for step in steps:
        networks.setdefault(step.network, {})[step.unit] = None
    lanes = tuple((network, tuple(units)) for network, units in networks.items())
    return _Band(steps=steps, first=first, lanes=lanes)


def _draw_legend(drawing: Drawing) -> float:
    x, y = 2.0, 14.0
    for word, ink in _KINDS.values():
        if x + 20 + measure(word, SMALL) > drawing.width:
            x, y = 2.0, y + 17
        drawing.add_box(x, y - 8, 13, 9, ink, corner=1.5)
        drawing.add_text(x + 18, y, word, size=SMALL)
        x += 34 + measure(word, SMALL)
    y += 17
    drawing.add_circle(8, y - 3, 4, Ink(fill="neutral"))
    drawing.add_text(20, y, "safe to stop after this step", size=SMALL)
    drawing.add_box(224, y - 7, 24, 7, Ink(hatch=Role.WEAK, stroke="weak"))
    drawing.add_text(254, y, "go on: no safe stop here", size=SMALL)
    return y + 8


def _draw_band(
    drawing: Drawing,
    top: float,
    band: _Band,
    slot: float,
    names: Names,
    turning: int | None,
    started: float,
) -> float:
    right = _LEFT + slot * len(band.steps)
    y = top + 16
    for at, step in enumerate(band.steps):
        label = cut(step.id, SMALL, slot - 1)
        x = _LEFT + slot * (at + 0.5)
        drawing.add_text(x, top + 10, label, size=SMALL, anchor="middle", colour="soft")
    for network, units in band.lanes:
        drawing.add_text(2, y + 12, cut(network, SMALL, _LEFT - 10), size=SMALL, bold=True)
        y += _NETWORK
        for unit in units:
            _draw_lane(drawing, y, band, slot, (network, unit), names)
            y += _LANE
    bottom = _draw_stops(drawing, y, band, slot, right, started)
    if turning is not None and band.first <= turning < band.first + len(band.steps):
        x = _LEFT + slot * (turning - band.first) - 1
        drawing.add_line(
            ((x, top + 16), (x, bottom)), Ink(stroke="blocked", width=2.4, dash="6 3")
        )
        bottom = _draw_turning(drawing, bottom + 13, x)
    return bottom + 8


def _draw_turning(drawing: Drawing, y: float, x: float) -> float:
    text = "from here on software changes"
    half = measure(text, SMALL) / 2
    place = min(max(x, 2 + half), drawing.width - 2 - half)
    drawing.add_text(place, y, text, size=SMALL, bold=True, anchor="middle")
    return y + 2


def _draw_lane(
    drawing: Drawing,
    y: float,
    band: _Band,
    slot: float,
    lane: tuple[str, str],
    names: Names,
) -> None:
    right = _LEFT + slot * len(band.steps)
    middle = y + _LANE / 2
    network, unit = lane
    title = get_unit_title(names, next(s.unit for s in band.steps if s.unit == unit))
    drawing.add_text(10, middle + 3.5, cut(title, SMALL, _LEFT - 18), size=SMALL)
    drawing.add_line(((_LEFT, middle), (right, middle)), Ink(stroke="line", width=0.7))
    for at, step in enumerate(band.steps):
        if (step.network, step.unit) == (network, unit):
            box = (_LEFT + slot * at + 2.5, y + 4, slot - 5, _LANE - 8)
            drawing.add_box(*box, Ink(fill="page"), corner=2)
            drawing.add_box(*box, _KINDS[step.kind][1], corner=2)


def _draw_stops(
    drawing: Drawing, y: float, band: _Band, slot: float, right: float, started: float
) -> float:
    """The strip below the lanes: dots where the job may stop, hatch where it must go on, minutes."""
    base = y + 12
    drawing.add_line(((_LEFT, base), (right, base)), Ink(stroke="neutral", width=1.2))
    drawing.add_text(2, base + 3.5, "stops", size=SMALL, bold=True)
    drawing.add_text(2, base + 20, "minutes", size=SMALL, bold=True)
    passed, last = started, -1e9
    for at, step in enumerate(band.steps):
        passed += step.seconds
        x = _LEFT + slot * (at + 1)
        if step.safe_after:
            drawing.add_circle(x, base, 4, Ink(fill="neutral"))
        else:
            drawing.add_box(x - 8, base - 4, slot - 2, 8, Ink(fill="page"))
            drawing.add_box(
                x - 8, base - 4, min(slot - 2, 16), 8, Ink(hatch=Role.WEAK, stroke="weak")
            )
        minutes = f"{passed / 60:.1f}" if passed < 600 else f"{passed / 60:.0f}"  # noqa: PLR2004
        half = measure(minutes, SMALL) / 2
        end = at == len(band.steps) - 1
        if (x - half > last + 8 or end) and x + half < drawing.width:
            if not end and x + half > right - 2 * half - 8:
                continue
            drawing.add_text(x, base + 20, minutes, size=SMALL, anchor="middle", colour="soft")
            last = x + half
    return base + 24 + (BODY - SMALL)
