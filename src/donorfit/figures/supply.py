"""Supply over the session: will the battery hold, with support and without."""

import math
from collections.abc import Sequence

from donorfit.figures.drawing import SMALL, Drawing, Ink
from donorfit.figures.lettering import measure
from donorfit.figures.measured_supply import MeasuredVolts, write_measured_finding
from donorfit.figures.palette import Role
from donorfit.records.plan import SupplyForecast

_LEFT = 46.0
_RIGHT = 152.0
_TOP = 26.0
_VOLTS_HEIGHT = 190.0
_CURRENT_TOP = 244.0
_CURRENT_HEIGHT = 60.0
_MOST_POINTS = 600
_MEASURED = "measured"

Points = Sequence[tuple[float, float, float, float]]


def draw_supply(
    supply: SupplyForecast, *, measured: Sequence[MeasuredVolts] = (), key: str = "supply"
) -> str:
    """Voltage with its window above, current below, over the minutes; an SVG text.

    What was measured stands as rings over the forecast.
    """
    drawing = Drawing(key)
    points = _thin(supply.points)
    end = max([supply.minutes, *(point[0] for point in points)]) or 1.0
    volts = [supply.window_low_volts, supply.window_high_volts]
    volts += [supply.lowest_volts, supply.lowest_volts_unsupported]
    volts += [value for point in points for value in point[2:4]]
    volts += [each.volts for each in measured]
    low = math.floor(min(volts) * 2) / 2
    high = math.ceil(max(volts) * 2) / 2
    plot = _Plot(drawing, end, low, high)
    drawing.add_text(2, 12, "supply in V", size=SMALL, bold=True)
    plot.draw_axes()
    plot.draw_window(supply)
    plot.draw_lines(points, supply, measured)
    bottom = plot.draw_current(points, supply)
    finding = write_supply_finding(supply, measured)
    return drawing.finish(bottom, "Supply over the session", finding)


def write_supply_finding(supply: SupplyForecast, measured: Sequence[MeasuredVolts] = ()) -> str:
    """Whether the supply holds, in a sentence or two, and what was measured."""
    holds = "holds" if supply.holds else "does not hold"
    alone = supply.lowest_volts_unsupported < supply.window_low_volts
    said = write_measured_finding(measured, supply)
    return (
        f"With a support of at least {supply.support_current_a:.0f} A the supply {holds}: the "
        f"lowest voltage is {supply.lowest_volts:.2f} V in a window of "
        f"{supply.window_low_volts:.2f} to {supply.window_high_volts:.2f} V. On the battery alone "
        f"it would sink to {supply.lowest_volts_unsupported:.2f} V, "
        f"{'outside' if alone else 'inside'} the window. {said}"
    ).strip()


def _thin(points: Points) -> Points:
    """At most some hundred points, the first and the last among them."""
    step = max(1, math.ceil(len(points) / _MOST_POINTS))
    kept = list(points[::step])
    if points and kept[-1] != points[-1]:
        kept.append(points[-1])
    return kept


def choose_ticks(low: float, high: float, most: int) -> list[float]:
    """Round values from ``low`` to ``high``, steps of 1, 2 or 5 times a power of ten."""
    span = max(high - low, 1e-9)
    raw = span / max(1, most)
    power = 10 ** math.floor(math.log10(raw))
    step = next(each * power for each in (1, 2, 5, 10) if each * power >= raw * (1 - 1e-9))
    first = math.ceil(low / step - 1e-9)
    last = math.floor(high / step + 1e-9)
    return [number * step for number in range(first, last + 1)]


class _Plot:
    """Two axes over the same minutes."""

    def __init__(self, drawing: Drawing, end: float, low: float, high: float) -> None:
        self.drawing = drawing
        self.end = end
        self.low = low
        self.high = max(high, low + 0.5)
        self.right = drawing.width - _RIGHT

    def x(self, minutes: float) -> float:
        return _LEFT + (self.right - _LEFT) * minutes / self.end

    def y(self, volts: float) -> float:
        return _TOP + _VOLTS_HEIGHT * (self.high - volts) / (self.high - self.low)

    def draw_axes(self) -> None:
        for volts in choose_ticks(self.low, self.high, 6):
            y = self.y(volts)
            self.drawing.add_line(((_LEFT, y), (self.right, y)), Ink(stroke="line", width=0.4))
            self.drawing.add_text(
                _LEFT - 5, y + 3.5, f"{volts:.1f}", size=SMALL, anchor="end", colour="soft"
            )

    def draw_window(self, supply: SupplyForecast) -> None:
        floor = self.y(self.low)
        low, high = self.y(supply.window_low_volts), self.y(supply.window_high_volts)
        width = self.right - _LEFT
        self.drawing.add_box(_LEFT, low, width, floor - low, Ink(hatch=Role.WEAK))
        self.drawing.add_box(_LEFT, _TOP, width, high - _TOP, Ink(hatch=Role.WEAK))

    def _draw_limits(self, supply: SupplyForecast) -> None:
        for volts in (supply.window_low_volts, supply.window_high_volts):
            y = self.y(volts)
            self.drawing.add_line(((_LEFT, y), (self.right, y)), Ink(stroke="blocked", width=1.4))

    def draw_lines(
        self, points: Points, supply: SupplyForecast, measured: Sequence[MeasuredVolts]
    ) -> None:
        held = [(self.x(point[0]), self.y(point[2])) for point in points]
        alone = [(self.x(point[0]), self.y(point[3])) for point in points]
        if points:
            self.drawing.add_line(held, Ink(stroke="neutral", width=2.6))
            self.drawing.add_line(alone, Ink(stroke="page", width=4.6))
        self._draw_limits(supply)
        if points:
            self.drawing.add_line(alone, Ink(stroke="neutral", width=2, dash="5 4"))
        for each in measured:
            ring = Ink(fill="page", stroke="ink", width=1.6)
            self.drawing.add_circle(self.x(each.minute), self.y(each.volts), 3.6, ring)
        ends = (points[-1][2], points[-1][3]) if points else (supply.lowest_volts,) * 2
        labels = [
            (
                self.y(supply.window_high_volts),
                f"highest allowed {supply.window_high_volts:.2f} V",
                False,
            ),
            (self.y(ends[0]), f"with support, min {supply.lowest_volts:.2f}", True),
            (
                self.y(supply.window_low_volts),
                f"lowest allowed {supply.window_low_volts:.2f} V",
                False,
            ),
            (self.y(ends[1]), f"battery alone, min {supply.lowest_volts_unsupported:.2f}", True),
        ]
        if measured:
            lowest = min(each.volts for each in measured)
            word = f"{_MEASURED}, min {lowest:.2f}"
            labels.append((self.y(measured[-1].volts), word, True))
        for y, word, bold in spread_labels(labels, 13.0):
            x = self.right + 6
            if word.startswith(_MEASURED):
                self.drawing.add_circle(x + 4, y, 3.6, Ink(stroke="ink", width=1.6))
                x += 12
            self.drawing.add_text(x, y + 3.5, word, size=SMALL, bold=bold)

    def draw_current(self, points: Points, supply: SupplyForecast) -> float:
        draw = self.drawing
        floor = _CURRENT_TOP + _CURRENT_HEIGHT
        most = max([supply.peak_current_a, supply.support_current_a, 1.0]) * 1.1
        draw.add_text(2, _CURRENT_TOP - 8, "current in A", size=SMALL, bold=True)

        def place(current: float) -> float:
            return floor - _CURRENT_HEIGHT * min(current, most) / most

        for value in choose_ticks(0, most, 3):
            text = f"{value:g}"
            draw.add_text(
                _LEFT - 5, place(value) + 3.5, text, size=SMALL, anchor="end", colour="soft"
            )
        if points:
            steps = [(self.x(points[0][0]), floor)]
            for now, later in zip(points, [*points[1:], points[-1]], strict=True):
                steps += [(self.x(now[0]), place(now[1])), (self.x(later[0]), place(now[1]))]
            draw.add_line(steps, Ink(stroke="neutral", width=1.8))
        y = place(supply.support_current_a)
        draw.add_line(((_LEFT, y), (self.right, y)), Ink(stroke="derived", width=1.6, dash="7 3"))
        draw.add_text(
            self.right + 6,
            y + 3.5,
            f"support needed {supply.support_current_a:.0f} A",
            size=SMALL,
            bold=True,
        )
        draw.add_line(((_LEFT, floor), (self.right, floor)), Ink(stroke="soft", width=1))
        last = -1e9
        for minute in choose_ticks(0, self.end, 8):
            text = f"{minute:g}"
            x = self.x(minute)
            if x - measure(text, SMALL) / 2 > last + 6:
                draw.add_text(x, floor + 14, text, size=SMALL, anchor="middle", colour="soft")
                last = x + measure(text, SMALL) / 2
        draw.add_text(self.right + 6, floor + 14, "minutes", size=SMALL, colour="soft")
        return floor + 20


def spread_labels(
    labels: Sequence[tuple[float, str, bool]], gap: float
) -> list[tuple[float, str, bool]]:
    """Move labels apart downwards, in their order of height, so that none covers another."""
    placed: list[tuple[float, str, bool]] = []
    for y, word, bold in sorted(labels):
        lowest = placed[-1][0] + gap if placed else y
        placed.append((max(y, lowest), word, bold))
    return placed
