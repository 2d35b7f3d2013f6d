"""Fit card: "can this module work in this car", one row a requirement."""

from collections import Counter
from collections.abc import Iterator

from donorfit.figures.drawing import BODY, HEAD, LEADING, SMALL, Drawing, Ink
from donorfit.figures.marks import add_verdict
from donorfit.figures.sheets import UNLIMITED, Row, draw_sheets
from donorfit.records.fit_report import FitLine, FitReport, Verdict

_MARK = 20.0
_WORDS = 38.0
_TEXT = 172.0
_REASON = 352.0
_GAP = 9.0
_MOST_LINES = 4

ORDER = (Verdict.IMPOSSIBLE, Verdict.UNKNOWN, Verdict.AFTER_CHANGE, Verdict.MET)


def draw_fit_card(report: FitReport, *, module_title: str = "", key: str = "fit-card") -> str:
    """The fit report as an SVG text; every verdict has a shape and a word."""
    return draw_fit_sheets(report, module_title=module_title, key=key)[0]


def draw_fit_sheets(
    report: FitReport,
    *,
    module_title: str = "",
    key: str = "fit-card",
    sheet_height: float = UNLIMITED,
) -> tuple[str, ...]:
    """The fit card on one or more sheets: what needs attention in full, what is met in short."""
    title = module_title or report.module
    return draw_sheets(
        key,
        _list_rows(report, title),
        title=f"Fit card of {title}",
        finding=write_fit_finding(report),
        sheet_height=sheet_height,
    )


def write_fit_finding(report: FitReport) -> str:
    """What the fit check comes to, in a sentence or two."""
    counts = Counter(line.verdict for line in report.lines)
    said = ", ".join(f"{counts[each]} {each.value}" for each in Verdict if counts[each])
    now = "works as it stands" if report.as_it_stands else "does not work as it stands"
    return f"The module {now}. Verdict: {report.verdict.value}. Requirements: {said or 'none'}."


def sort_lines(report: FitReport) -> list[FitLine]:
    """Requirements with the ones that need attention first."""
    return sorted(report.lines, key=lambda line: ORDER.index(line.verdict))


def _list_rows(report: FitReport, title: str) -> Iterator[Row]:
    def draw_head(drawing: Drawing, y: float) -> float:
        y = drawing.add_lines(2, y + 14, title, drawing.width - 4, size=HEAD, bold=True, most=2)
        return _draw_counts(drawing, y + 8, Counter(line.verdict for line in report.lines))

    yield draw_head
    for line in sort_lines(report):
        draw = _draw_met if line.verdict is Verdict.MET else _draw_line
        yield lambda drawing, y, line=line, draw=draw: draw(drawing, y, line)  # type: ignore[misc]


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
    if line.reason:
        y = drawing.add_lines(_TEXT, y, line.reason, room, most=_MOST_LINES)
    if line.change:
        y = _draw_change(drawing, y + 2, line.change, room)
    return max(y, left) - BODY * (LEADING - 1) - 3 + _GAP - 3


def _draw_met(drawing: Drawing, top: float, line: FitLine) -> float:
    """One row in short: mark, word, title and reason side by side."""
    drawing.add_line(((2, top), (drawing.width - 2, top)), Ink(stroke="line", width=0.6))
    base = top + BODY + 3
    add_verdict(drawing, _MARK, base - 3.5, 5.5, line.verdict)
    drawing.add_text(_WORDS, base, line.verdict.value, size=SMALL)
    start = _WORDS + 32
    y = drawing.add_lines(start, base, line.title, _REASON - start - 8, size=SMALL, bold=True)
    room = drawing.width - _REASON - 4
    other = drawing.add_lines(_REASON, base, line.reason, room, size=SMALL, most=_MOST_LINES)
    return max(y, other) - SMALL + 3


def _draw_change(drawing: Drawing, y: float, change: str, room: float) -> float:
    """What has to change, behind a bar of its own."""
    end = drawing.add_lines(_TEXT + 12, y, f"Change: {change}", room - 12, most=_MOST_LINES)
    bar = ((_TEXT + 3, y - BODY + 1), (_TEXT + 3, end - BODY))
    drawing.add_line(bar, Ink(stroke="derived", width=3))
    return end
