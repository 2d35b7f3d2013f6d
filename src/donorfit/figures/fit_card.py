"""Fit card: "can this module work in this car", one row a requirement."""

from collections import Counter

from donorfit.figures.drawing import BODY, HEAD, LEADING, SMALL, Drawing, Ink
from donorfit.figures.marks import add_verdict
from donorfit.records.fit_report import FitLine, FitReport, Verdict

_MARK = 20.0
_WORDS = 38.0
_TEXT = 172.0
_GAP = 9.0


def draw_fit_card(report: FitReport, *, module_title: str = "", key: str = "fit-card") -> str:
    """The fit report as an SVG text; every verdict has a shape and a word."""
    drawing = Drawing(key)
    title = module_title or report.module
    y = drawing.add_lines(2, 14, title, drawing.width - 4, size=HEAD, bold=True, most=2)
    counts = Counter(line.verdict for line in report.lines)
    y = _draw_counts(drawing, y + 8, counts)
    for line in report.lines:
        y = _draw_line(drawing, y, line)
    drawing.add_line(((2, y), (drawing.width - 2, y)), Ink(stroke="line"))
    return drawing.finish(y + 4, f"Fit card of {title}", write_fit_finding(report))


def write_fit_finding(report: FitReport) -> str:
    """What the fit check comes to, in a sentence or two."""
    counts = Counter(line.verdict for line in report.lines)
    said = ", ".join(f"{counts[each]} {each.value}" for each in Verdict if counts[each])
    now = "works as it stands" if report.as_it_stands else "does not work as it stands"
    return f"The module {now}. Verdict: {report.verdict.value}. Requirements: {said or 'none'}."


def _draw_counts(drawing: Drawing, y: float, counts: Counter[Verdict]) -> float:
    x = 12.0
    for verdict in Verdict:
        add_verdict(drawing, x, y, 7, verdict)
        text = f"{counts[verdict]} {verdict.value}"
        drawing.add_text(x + 13, y + 4, text, bold=bool(counts[verdict]))
        x += 38 + len(text) * BODY * 0.61
    return y + 22


def _draw_line(drawing: Drawing, top: float, line: FitLine) -> float:
    drawing.add_line(((2, top), (drawing.width - 2, top)), Ink(stroke="line"))
    base = top + _GAP + BODY
    add_verdict(drawing, _MARK, base - 3, 8, line.verdict)
    left = drawing.add_lines(_WORDS, base, line.verdict.value, _TEXT - _WORDS - 8, bold=True)
    left = drawing.add_lines(
        _WORDS, left, line.subject.value, _TEXT - _WORDS - 8, size=SMALL, colour="soft"
    )
    room = drawing.width - _TEXT - 4
    y = drawing.add_lines(_TEXT, base, line.title, room, bold=True)
    y = drawing.add_lines(_TEXT, y, line.reason, room) if line.reason else y
    if line.change:
        y = _draw_change(drawing, y + 2, line.change, room)
    return max(y, left) - BODY * (LEADING - 1) - 3 + _GAP - 3


def _draw_change(drawing: Drawing, y: float, change: str, room: float) -> float:
    """What has to change, behind a bar of its own."""
    end = drawing.add_lines(_TEXT + 12, y, f"Change: {change}", room - 12)
    drawing.add_line(
        ((_TEXT + 3, y - BODY + 1), (_TEXT + 3, end - BODY)), Ink(stroke="derived", width=3)
    )
    return end
