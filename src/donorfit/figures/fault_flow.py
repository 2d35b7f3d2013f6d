"""Fault triage: which unit had how many codes before, and what became of them."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from donorfit.figures.drawing import BODY, SMALL, Drawing, Ink, write_number
from donorfit.figures.lettering import cut
from donorfit.figures.naming import get_unit_title
from donorfit.figures.palette import Role
from donorfit.records.counted import count
from donorfit.records.handover import Names
from donorfit.records.proof import FaultComparison, FaultVerdict, Proof

_BAR = 12.0
_LEFT = 208.0
_RIGHT = 404.0
_UNIT = 13.0
_GAP = 9.0
_NODE_AT_LEAST = 16.0
_MOST_UNITS = 12
_TALLEST = 560.0
_NEW = "not listed before"
_REST = "other control units"

_PAINTS = {
    FaultVerdict.GONE: Ink(fill="neutral"),
    FaultVerdict.NOT_TESTED: Ink(hatch=Role.DERIVED, stroke="derived"),
    FaultVerdict.EXPECTED: Ink(fill="derived"),
    FaultVerdict.OLD: Ink(hatch=Role.OWNER, stroke="owner"),
    FaultVerdict.STILL_THERE: Ink(hatch=Role.BLOCKED, stroke="blocked"),
    FaultVerdict.NEW: Ink(fill="weak"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Node:
    """One bar: its name, its count and where it stands."""

    name: str
    count: int
    top: float
    height: float


def draw_fault_flow(proof: Proof, names: Names, *, key: str = "fault-flow") -> str:
    """Bands from units to verdicts, as wide as their count; an SVG text."""
    drawing = Drawing(key)
    drawing.add_text(_LEFT, 12, "before", size=SMALL, colour="soft", bold=True, anchor="end")
    drawing.add_text(
        _RIGHT, 12, "after: what became of them", size=SMALL, colour="soft", bold=True
    )
    flows = _count_flows(proof)
    if not flows:
        drawing.add_text(2, 34, "No fault code was listed before or after.")
        return drawing.finish(44, "Fault codes before and after", write_fault_finding(proof))
    total = sum(flows.values())
    unit = min(_UNIT, _TALLEST / total)
    sources = _stack(
        [(name, flows) for name in dict.fromkeys(s for s, _ in flows)], flows, 0, unit
    )
    targets = _stack([(each.value, flows) for each in FaultVerdict], flows, 1, unit)
    _draw_bands(drawing, flows, sources, targets)
    for node in sources.values():
        drawing.add_box(_LEFT + 8, node.top, _BAR, node.height, Ink(fill="neutral"))
        drawing.add_text(
            _LEFT, node.top + node.height / 2 + 3.5, str(node.count), bold=True, anchor="end"
        )
        title = node.name if node.name in {_NEW, _REST} else _find_title(names, proof, node.name)
        label = cut(title, SMALL, _LEFT - 34)
        drawing.add_text(
            _LEFT - 24, node.top + node.height / 2 + 3.5, label, size=SMALL, anchor="end"
        )
    for verdict in FaultVerdict:
        if verdict.value in targets:
            node = targets[verdict.value]
            drawing.add_box(_RIGHT, node.top, _BAR, node.height, Ink(fill="page"))
            drawing.add_box(_RIGHT, node.top, _BAR, node.height, _PAINTS[verdict])
            text = f"{node.count} {verdict.value}"
            drawing.add_text(_RIGHT + _BAR + 8, node.top + node.height / 2 + 3.5, text, bold=True)
    bottom = max(node.top + node.height for node in (*sources.values(), *targets.values()))
    return drawing.finish(bottom + 6, "Fault codes before and after", write_fault_finding(proof))


def write_fault_finding(proof: Proof) -> str:
    """How many codes there are of each verdict, in a sentence."""
    return word_comparisons(proof.faults)


def word_comparisons(rows: Sequence[FaultComparison]) -> str:
    """The same for any comparison."""
    counts = Counter(each.verdict for each in rows)
    said = ", ".join(f"{counts[each]} {each.value}" for each in FaultVerdict if counts[each])
    return f"Of {count(len(rows), 'fault code')}: {said or 'none'}."


def _find_title(names: Names, proof: Proof, unit: str) -> str:
    found = next(each.unit for each in proof.faults if each.unit == unit)
    return get_unit_title(names, found)


def _count_flows(proof: Proof) -> dict[tuple[str, str], int]:
    """Counts by source and verdict; the units with the most codes keep a bar of their own."""
    listed = Counter(each.unit for each in proof.faults if each.status_before is not None)
    large = {unit for unit, _ in listed.most_common(_MOST_UNITS)}
    flows: Counter[tuple[str, str]] = Counter()
    for each in proof.faults:
        source: str = each.unit if each.unit in large else _REST
        flows[_NEW if each.status_before is None else source, each.verdict.value] += 1
    return dict(flows)


def _stack(
    names: list[tuple[str, dict[tuple[str, str], int]]],
    flows: dict[tuple[str, str], int],
    side: int,
    unit: float,
) -> dict[str, _Node]:
    nodes: dict[str, _Node] = {}
    y = 22.0
    for name, _ in names:
        count = sum(number for pair, number in flows.items() if pair[side] == name)
        if count:
            height = max(_NODE_AT_LEAST, count * unit)
            nodes[name] = _Node(name=name, count=count, top=y, height=height)
            y += height + _GAP
    return nodes


def _draw_bands(
    drawing: Drawing,
    flows: dict[tuple[str, str], int],
    sources: dict[str, _Node],
    targets: dict[str, _Node],
) -> None:
    used: dict[str, float] = {}
    paint = {verdict.value: _PAINTS[verdict] for verdict in FaultVerdict}
    order = list(targets)
    bands = []
    for (source, target), number in sorted(
        flows.items(), key=lambda each: (list(sources).index(each[0][0]), order.index(each[0][1]))
    ):
        ends = []
        for side, node in (("left ", sources[source]), ("right ", targets[target])):
            high = node.height * number / node.count
            top = node.top + used.get(side + node.name, 0.0)
            used[side + node.name] = used.get(side + node.name, 0.0) + high
            ends.append((top + 0.8, max(high - 1.6, 1.0)))
        bands.append((target, ends[0], ends[1]))
    # what is gone lies below, so that what needs a look is never covered
    for target, left, right in sorted(bands, key=lambda band: band[0] != FaultVerdict.GONE.value):
        _draw_band(drawing, left, right, paint[target])


def _draw_band(
    drawing: Drawing, left: tuple[float, float], right: tuple[float, float], paint: Ink
) -> None:
    start, end = _LEFT + 8 + _BAR, _RIGHT
    middle = (start + end) / 2
    (a, high_a), (b, high_b) = left, right
    n = write_number
    path = (
        f"M{n(start)} {n(a)}C{n(middle)} {n(a)} {n(middle)} {n(b)} {n(end)} {n(b)}"
        f"L{n(end)} {n(b + high_b)}"
        f"C{n(middle)} {n(b + high_b)} {n(middle)} {n(a + high_a)} {n(start)} {n(a + high_a)}Z"
    )
    edge = paint.stroke or paint.fill
    drawing.add_path(path, Ink(fill="panel", stroke=edge, width=1.2))
    if paint.hatch is not None:
        drawing.add_path(path, Ink(hatch=paint.hatch))


__all__ = ["BODY", "draw_fault_flow", "word_comparisons", "write_fault_finding"]
