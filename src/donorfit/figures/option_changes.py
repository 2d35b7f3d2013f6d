"""Option changes: what is declared before and after, row by row, and why."""

from collections.abc import Iterator

from donorfit.figures.drawing import BODY, LEADING, SMALL, Drawing, Ink
from donorfit.figures.lettering import wrap
from donorfit.figures.marks import add_arrow
from donorfit.figures.naming import get_option_title
from donorfit.figures.sheets import UNLIMITED, Row, draw_sheets
from donorfit.records.counted import count
from donorfit.records.handover import Names
from donorfit.records.plan import OptionChange, Plan

_BOX = 148.0
_AFTER = 186.0
_REASON = 348.0
_PAD = 7.0


def draw_option_changes(plan: Plan, names: Names, *, key: str = "option-changes") -> str:
    """The difference of the option lists and of the build month as an SVG text."""
    return draw_option_sheets(plan, names, key=key)[0]


def draw_option_sheets(
    plan: Plan,
    names: Names,
    *,
    key: str = "option-changes",
    sheet_height: float = UNLIMITED,
) -> tuple[str, ...]:
    """The same on one or more sheets; the first reason of each entry, the table holds them all."""
    return draw_sheets(
        key,
        _list_rows(plan, names),
        title="Changes of the option list",
        finding=write_option_finding(plan),
        sheet_height=sheet_height,
        margin=0.0,
    )


def _list_rows(plan: Plan, names: Names) -> Iterator[Row]:
    yield _draw_head
    if plan.month_before != plan.month_after:
        months = (f"built {plan.month_before or '?'}", f"built {plan.month_after or '?'}")
        yield lambda drawing, y: _draw_row(drawing, y, months, plan.month_reason, changed="month")
    for change in plan.option_changes:
        yield lambda drawing, y, change=change: _draw_change(  # type: ignore[misc]
            drawing, y, change, names
        )
    staying = len(set(plan.options_before) & set(plan.options_after))
    text = f"{count(staying, 'option stays as it is', 'options stay as they are')}."

    def draw_rest(drawing: Drawing, y: float) -> float:
        drawing.add_text(2, y + 14, text, size=BODY, colour="soft")
        return y + 22

    yield draw_rest


def _draw_head(drawing: Drawing, y: float) -> float:
    for x, text in ((2, "before"), (_AFTER, "after"), (_REASON, "why")):
        drawing.add_text(x, y + 12, text, size=SMALL, colour="soft", bold=True)
    return y + 20


def _draw_change(drawing: Drawing, y: float, change: OptionChange, names: Names) -> float:
    label = get_option_title(names, change.option) or change.option
    texts = ("", label) if change.declared else (label, "")
    reason = change.reasons[0] if change.reasons else "No reason was recorded."
    kind = "added" if change.declared else "taken out"
    return _draw_row(drawing, y, texts, reason, changed=kind, name=change.option)


def write_option_finding(plan: Plan) -> str:
    """What the change comes to, in a sentence."""
    added = sum(change.declared for change in plan.option_changes)
    removed = len(plan.option_changes) - added
    month = "The build month stays."
    if plan.month_before != plan.month_after:
        month = f"The build month moves from {plan.month_before} to {plan.month_after}."
    return f"{count(added, 'option is', 'options are')} added, {removed} taken out. {month}"


def _draw_row(
    drawing: Drawing,
    top: float,
    texts: tuple[str, str],
    reason: str,
    *,
    changed: str,
    name: str = "",
) -> float:
    room = drawing.width - _REASON - 2
    lines = [wrap(text, BODY, _BOX - 2 * _PAD) if text else [] for text in texts]
    rows = max(2, *map(len, lines))
    height = rows * BODY * LEADING + _PAD
    middle = top + height / 2
    for x, cell in zip((2.0, _AFTER), lines, strict=True):
        _draw_cell(drawing, x, top, height, cell, new=x > _BOX and changed != "taken out")
    add_arrow(drawing, _BOX + 10, _AFTER - 8, middle)
    sign = {"added": "+ added", "taken out": "- taken out"}.get(changed, "moved")
    y = top + BODY + 1
    drawing.add_text(_REASON, y, sign, bold=True)
    if name:
        y = drawing.add_lines(_REASON + 86, y, name, room - 86, size=SMALL, colour="soft", most=2)
    else:
        y += BODY * LEADING
    y = drawing.add_lines(_REASON, y + 1, reason, room) if reason else y
    return max(top + height, y - BODY + 4) + 8


def _draw_cell(
    drawing: Drawing, x: float, top: float, height: float, lines: list[str], *, new: bool
) -> None:
    if not lines:
        drawing.add_box(x, top, _BOX, height, Ink(stroke="line", dash="2 3"), corner=3)
        drawing.add_text(x + _PAD, top + height / 2 + 4, "not declared", colour="soft")
        return
    ink = Ink(fill="panel", stroke="derived" if new else "neutral", width=2 if new else 1.2)
    drawing.add_box(x, top, _BOX, height, ink, corner=3)
    y = top + height / 2 + 4 - (len(lines) - 1) * BODY * LEADING / 2
    for line in lines:
        drawing.add_text(x + _PAD, y, line, bold=new)
        y += BODY * LEADING
