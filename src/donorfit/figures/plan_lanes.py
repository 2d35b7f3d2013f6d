"""Plan as lanes: what happens when to which unit, where the job can stop and go back."""

from collections.abc import Iterator
from dataclasses import dataclass

from donorfit.figures.drawing import LEADING, SMALL, WIDTH, Drawing, Ink
from donorfit.figures.lettering import cut, measure, wrap
from donorfit.figures.naming import get_unit_title
from donorfit.figures.palette import Role
from donorfit.figures.sheets import UNLIMITED, Row, draw_sheets
from donorfit.records.counted import count
from donorfit.records.handover import Names
from donorfit.records.plan import Plan, Step, StepKind
from donorfit.vehicle.identity import UnitId

_LEFT = 176.0
_LANE = 21.5
_TALL_LANE = 29.0
_LABEL = 8.0
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
class _Column:
    """Steps that stand above each other: one a lane at most.

    Attributes:
        steps: the steps.
        round: number of their round; 0 where the plan is a row.
        first: whether it is the first of its round.
        ends: whether its round, or the one step of a row, ends with it.
        safe: whether the job can stop after it.
        passed: seconds from the beginning to the end of its round.
        turning: whether software changes for the first time in the round that it begins.
    """

    steps: tuple[Step, ...]
    round: int
    first: bool
    ends: bool
    safe: bool
    passed: float
    turning: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class _Band:
    """Columns drawn side by side in slots of one width."""

    columns: tuple[_Column, ...]
    slot: float

    @property
    def right(self) -> float:
        """Where the last slot ends."""
        return _LEFT + self.slot * len(self.columns)


def draw_plan_lanes(plan: Plan, names: Names, *, key: str = "plan-lanes") -> str:
    """The steps of a plan as an SVG text: lanes by network and unit, stops, point of no return."""
    return draw_lane_sheets(plan, names, key=key)[0]


def draw_lane_sheets(
    plan: Plan, names: Names, *, key: str = "plan-lanes", sheet_height: float = UNLIMITED
) -> tuple[str, ...]:
    """The same on one or more sheets."""
    return draw_sheets(
        key,
        _list_rows(plan, names),
        title="The plan as lanes",
        finding=write_plan_finding(plan),
        sheet_height=sheet_height,
        margin=0.0,
    )


def _list_rows(plan: Plan, names: Names) -> Iterator[Row]:
    yield _draw_legend
    for band in _make_bands(plan, WIDTH):
        yield lambda drawing, y, band=band: _draw_band(  # type: ignore[misc]
            drawing, y + 6, band, names
        )
    if not plan.steps:
        yield _draw_nothing


def _draw_nothing(drawing: Drawing, y: float) -> float:
    drawing.add_text(2, y + 16, "No step: nothing has to be written.")
    return y + 24


def write_plan_finding(plan: Plan) -> str:
    """What the order of the steps comes to, in words."""
    units = len({step.unit for step in plan.steps})
    text = f"{count(len(plan.steps), 'step')} on {count(units, 'control unit')}, "
    if plan.order is None:
        safe = sum(step.safe_after for step in plan.steps)
        text += f"about {plan.seconds / 60:.0f} min; "
        text += f"the job can stop safely after {safe} of them."
    else:
        safe = sum(each.safe for each in plan.order.rounds)
        widest = max(len(each.lanes) for each in plan.order.rounds)
        text += (
            f"up to {widest} side by side, about {plan.seconds / 60:.1f} min instead of "
            f"{plan.order.row_seconds / 60:.1f} min one after the other; the job can stop safely "
            f"after {safe} of {count(len(plan.order.rounds), 'round')}."
        )
    turning = next((step for step in plan.steps if step.kind is StepKind.PROGRAM), None)
    if turning is not None:
        text += f" From step {turning.id} on software changes."
    return text


def _list_columns(plan: Plan) -> list[_Column]:
    if plan.order is None:
        return _list_row(plan)
    by_id = {step.id: step for step in plan.steps}
    columns, passed = [], 0.0
    turning = plan.order.last_restorable + 1
    for each in plan.order.rounds:
        passed += each.seconds
        width = max(len(lane.steps) for lane in each.lanes)
        for at in range(width):
            ids = [lane.steps[at] for lane in each.lanes if at < len(lane.steps)]
            steps = tuple(by_id[id_] for id_ in ids)
            ends = at + 1 == width
            columns.append(
                _Column(
                    steps=steps,
                    round=each.number,
                    first=at == 0,
                    ends=ends,
                    safe=each.safe if ends else all(step.safe_after for step in steps),
                    passed=passed,
                    turning=at == 0 and each.number == turning,
                )
            )
    return columns


def _list_row(plan: Plan) -> list[_Column]:
    kinds = [step.kind for step in plan.steps]
    turning = kinds.index(StepKind.PROGRAM) if StepKind.PROGRAM in kinds else -1
    columns, passed = [], 0.0
    for at, step in enumerate(plan.steps):
        passed += step.seconds
        columns.append(
            _Column(
                steps=(step,),
                round=0,
                first=False,
                ends=True,
                safe=step.safe_after,
                passed=passed,
                turning=at == turning,
            )
        )
    return columns


def _make_bands(plan: Plan, width: float) -> list[_Band]:
    """Columns in bands as wide as the paper; a round is parted only where one band is too few."""
    room = width - _LEFT - 6
    most = int(room // _SLOT_AT_LEAST)
    columns = _list_columns(plan)
    bands: list[list[_Column]] = []
    for at, column in enumerate(columns):
        rest = 1 + next(
            (more for more, each in enumerate(columns[at:]) if each.ends), len(columns) - at
        )
        fits = bands and len(bands[-1]) + (rest if column.first else 1) <= most
        if not fits:
            bands.append([])
        bands[-1].append(column)
    widest = max((len(band) for band in bands), default=1)
    slot = min(_SLOT_AT_MOST, room / widest)
    return [_Band(columns=tuple(band), slot=slot) for band in bands]


def _draw_legend(drawing: Drawing, top: float) -> float:
    x, y = 2.0, top + 14.0
    for word, ink in _KINDS.values():
        if x + 20 + measure(word, SMALL) > drawing.width:
            x, y = 2.0, y + 17
        drawing.add_box(x, y - 8, 13, 9, ink, corner=1.5)
        drawing.add_text(x + 18, y, word, size=SMALL)
        x += 34 + measure(word, SMALL)
    y += 17
    drawing.add_circle(8, y - 3, 4, Ink(fill="neutral"))
    drawing.add_text(20, y, "safe to stop here, all before it closed", size=SMALL)
    drawing.add_box(274, y - 7, 24, 7, Ink(hatch=Role.WEAK, stroke="weak"))
    drawing.add_text(304, y, "go on: no safe stop here", size=SMALL)
    return y + 8


def _draw_band(drawing: Drawing, top: float, band: _Band, names: Names) -> float:
    line = 0.0
    turning = next((at for at, each in enumerate(band.columns) if each.turning), -1)
    if turning >= 0:
        line = _LEFT + band.slot * turning - 1
        _draw_turning_word(drawing, top + 10, line)
        top += 16
    y = _draw_rounds(drawing, top, band)
    start = y
    lanes: dict[str, dict[UnitId, None]] = {}
    for step in (step for column in band.columns for step in column.steps):
        lanes.setdefault(step.network, {})[step.unit] = None
    for network, units in lanes.items():
        drawing.add_text(2, y + 12, cut(network, SMALL, _LEFT - 10), size=SMALL, bold=True)
        y += _NETWORK
        for unit in units:
            y = _draw_lane(drawing, y, band, unit, get_unit_title(names, unit))
    for at, column in enumerate(band.columns):
        if column.round and column.ends and at + 1 < len(band.columns):
            x = _LEFT + band.slot * (at + 1)
            drawing.add_line(((x, start), (x, y + 8)), Ink(stroke="line", width=0.9, dash="2 3"))
    bottom = _draw_stops(drawing, y, band)
    if line:
        ink = Ink(stroke="blocked", width=2.4, dash="6 3")
        drawing.add_line(((line, top), (line, y + 20)), ink)
    return bottom + 8


def _draw_rounds(drawing: Drawing, top: float, band: _Band) -> float:
    """Number of each round above its columns, in full where there is room."""
    if not any(column.round for column in band.columns):
        return top
    for number in dict.fromkeys(column.round for column in band.columns):
        places = [at for at, column in enumerate(band.columns) if column.round == number]
        wide = band.slot * len(places)
        word = f"round {number}" if measure(f"round {number}", SMALL) < wide - 4 else str(number)
        x = _LEFT + band.slot * (places[0] + places[-1] + 1) / 2
        drawing.add_text(x, top + 10, word, size=SMALL, anchor="middle", colour="soft")
    return top + 16


def _draw_turning_word(drawing: Drawing, y: float, x: float) -> None:
    text = "from here on software changes"
    half = measure(text, SMALL) / 2
    place = min(max(x, 2 + half), drawing.width - 2 - half)
    drawing.add_text(place, y, text, size=SMALL, bold=True, anchor="middle")


def _draw_lane(drawing: Drawing, y: float, band: _Band, unit: UnitId, title: str) -> float:
    lines = wrap(title, SMALL, _LEFT - 18, most=2)
    height = _LANE if len(lines) == 1 else _TALL_LANE
    middle = y + height - 9
    base = y + height / 2 + 3.5 - (len(lines) - 1) * SMALL * LEADING / 2
    for at, line in enumerate(lines):
        drawing.add_text(10, base + at * SMALL * LEADING, line, size=SMALL)
    drawing.add_line(((_LEFT, middle), (band.right, middle)), Ink(stroke="line", width=0.7))
    for at, column in enumerate(band.columns):
        for step in column.steps:
            if step.unit == unit:
                box = (_LEFT + band.slot * at + 2.5, middle - 6, band.slot - 5, 12)
                drawing.add_box(*box, Ink(fill="page"), corner=2)
                drawing.add_box(*box, _KINDS[step.kind][1], corner=2)
                label = cut(step.id, _LABEL, band.slot - 1)
                x = _LEFT + band.slot * (at + 0.5)
                drawing.add_text(
                    x, middle - 8.5, label, size=_LABEL, anchor="middle", colour="soft"
                )
    return y + height


def _draw_stops(drawing: Drawing, y: float, band: _Band) -> float:
    """The strip below the lanes: dots where the job may stop, hatch where not, and minutes."""
    base = y + 14
    drawing.add_line(((_LEFT, base), (band.right, base)), Ink(stroke="neutral", width=1.2))
    drawing.add_text(2, base + 3.5, "stops", size=SMALL, bold=True)
    drawing.add_text(2, base + 20, "minutes", size=SMALL, bold=True)
    for at, column in enumerate(band.columns):
        x = _LEFT + band.slot * (at + 1)
        if column.safe and column.ends:
            drawing.add_circle(x, base, 4, Ink(fill="neutral"))
        elif not column.safe:
            box = (x - band.slot / 2 + 3, base - 4, band.slot - 6, 8)
            drawing.add_box(*box, Ink(fill="page"))
            drawing.add_box(*box, Ink(hatch=Role.WEAK, stroke="weak"))
    _draw_minutes(drawing, base + 20, band)
    return base + 24


def _draw_minutes(drawing: Drawing, y: float, band: _Band) -> None:
    """Minutes at the end of each round, as many as there is room for, the last one always."""
    texts = [f"{column.passed / 60:.1f}" if column.ends else "" for column in band.columns]
    end = len(texts) - 1
    half = measure(texts[end], SMALL) / 2
    last_x = min(band.right, drawing.width - 1 - half)
    covered = _LEFT - 20.0
    for at, text in enumerate(texts[:end]):
        x = _LEFT + band.slot * (at + 1)
        wide = measure(text, SMALL) / 2
        if text and x - wide > covered + 6 and x + wide < last_x - half - 6:
            drawing.add_text(x, y, text, size=SMALL, anchor="middle", colour="soft")
            covered = x + wide
    drawing.add_text(last_x, y, texts[end], size=SMALL, anchor="middle", bold=True)
