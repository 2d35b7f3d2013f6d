"""Every picture stands on its sheet, covers no text with another, names itself, and stays tame."""

import xml.etree.ElementTree as ET
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Any

import pytest

from donorfit.figures.byte_map import draw_byte_map
from donorfit.figures.fault_flow import draw_fault_flow
from donorfit.figures.fit_card import draw_fit_card, draw_fit_sheets
from donorfit.figures.lettering import MORE, measure
from donorfit.figures.naming import gather_names
from donorfit.figures.option_changes import draw_option_changes, draw_option_sheets
from donorfit.figures.plan_lanes import draw_lane_sheets, draw_plan_lanes
from donorfit.figures.proof_strip import draw_proof_strip
from donorfit.figures.ring import draw_ring
from donorfit.figures.supply import draw_supply
from donorfit.records.change_record import StepState
from donorfit.records.fit_report import FitLine, Subject, Verdict
from donorfit.records.handover import RingMargin
from donorfit.records.plan import FieldEdit, FieldVerdict, OptionChange, RecordEdit, StepKind
from donorfit.records.proof import FaultVerdict
from donorfit.records.session_order import PlannedLane, PlannedRound, SessionOrder

SVG = "{http://www.w3.org/2000/svg}"
HOSTILE = (
    '<script>alert(1)</script> &amp; "quoted" \'too\' #eval("1+1") $x$ \\u{202e} '
    "\x00\x1b[31m \u202eback \u6f22\u5b57\u4eee\u540d \u0627\u0644\u0639\u0631\u0628\u064a\u0629 "
    + "supercalifragilistic"
    * 12
)


@dataclass(frozen=True)
class TextBox:
    """One line of text and the room that it takes: from the ascent to the descent."""

    text: str
    left: float
    top: float
    right: float
    bottom: float

    def covers(self, other: "TextBox") -> bool:
        slack = 0.4
        return (
            self.left < other.right - slack
            and other.left < self.right - slack
            and self.top < other.bottom - slack
            and other.top < self.bottom - slack
        )


def parse(svg: str) -> ET.Element:
    """The picture as a tree; it is our own text."""
    return ET.fromstring(svg)  # noqa: S314 - our own output


def read_texts(svg: str) -> tuple[list[TextBox], tuple[float, float]]:
    """All texts of a picture with their boxes, and the size of its sheet.

    DejaVu Sans Mono: capitals rise 0.73 em, descenders sink 0.24 em (glyph bounds of the face,
    from memory); figures and small letters stay within.
    """
    root = parse(svg)
    _, _, width, height = map(float, root.attrib["viewBox"].split())
    boxes = []
    for element in root.iter(f"{SVG}text"):
        size = float(element.attrib["font-size"])
        x, y = float(element.attrib["x"]), float(element.attrib["y"])
        text = element.text or ""
        wide = measure(text, size)
        left = {"start": x, "middle": x - wide / 2, "end": x - wide}[
            element.attrib.get("text-anchor", "start")
        ]
        boxes.append(TextBox(text, left, y - 0.73 * size, left + wide, y + 0.24 * size))
    return boxes, (width, height)


def read_shapes(svg: str) -> list[tuple[float, float, float, float]]:
    """Corners of all boxes and circles."""
    root = parse(svg)
    corners = []
    for each in root.iter(f"{SVG}rect"):
        x, y, wide, high = (float(each.attrib[name]) for name in ("x", "y", "width", "height"))
        corners.append((x, y, x + wide, y + high))
    for each in root.iter(f"{SVG}circle"):
        x, y, radius = (float(each.attrib[name]) for name in ("cx", "cy", "r"))
        corners.append((x - radius, y - radius, x + radius, y + radius))
    return corners


def draw_usual(job: Any) -> dict[str, str]:
    names = gather_names(job.pack, edits=job.plan.edits)
    arcs = (
        RingMargin(source="Media source", target="Tuner", margin_db=9.1, added=False),
        RingMargin(source="Tuner", target="Sound amplifier", margin_db=1.2, added=True),
        RingMargin(source="Sound amplifier", target="Rear unit", margin_db=None, added=False),
        RingMargin(source="Rear unit", target="Media source", margin_db=-0.5, added=False),
    )
    usual = {
        "fit card": draw_fit_card(job.report, module_title="Towing control unit"),
        "option changes": draw_option_changes(job.plan, names),
        "plan lanes": draw_plan_lanes(job.plan, names),
        "plan rounds": draw_plan_lanes(put_in_rounds(job.plan), names, key="rounds"),
        "supply": draw_supply(job.plan.supply),
        "fault flow": draw_fault_flow(job.proof, names),
        "proof strip": draw_proof_strip(job.plan, job.preparation, job.change, job.proof),
        "no proof": draw_proof_strip(job.plan, job.preparation, job.change, None),
        "ring": draw_ring(arcs, names),
    }
    usual |= {f"bytes {edit.unit}": draw_byte_map(edit, names) for edit in job.plan.edits}
    return usual


def draw_hostile(job: Any) -> dict[str, str]:
    """The same pictures with the worst texts and counts."""
    names = gather_names(job.pack, edits=job.plan.edits)
    lines = tuple(
        FitLine(subject=subject, title=HOSTILE, verdict=verdict, reason=HOSTILE, change=HOSTILE)
        for subject, verdict in zip(list(Subject)[:4], Verdict, strict=True)
    )
    steps = tuple(
        replace(
            job.plan.steps[at % 18],
            id=f"s{at:03d}",
            unit=f"{HOSTILE}{at % 9}",
            network=f"{HOSTILE}{at % 3}",
            safe_after=at % 3 != 0,
            seconds=7200.0,
        )
        for at in range(95)
    )
    changes = tuple(
        OptionChange(option=f"{HOSTILE}{at}", declared=at % 2 == 0, reasons=(HOSTILE,))
        for at in range(70)
    )
    plan = replace(
        job.plan, option_changes=changes, steps=steps, month_reason=HOSTILE, month_after=None
    )
    faults = tuple(
        replace(
            job.proof.faults[0],
            unit=f"{at % 20}{HOSTILE}",
            verdict=list(FaultVerdict)[at % 6],
            status_before=None if at % 7 == 0 else 0x2F,
        )
        for at in range(130)
    )
    edit = RecordEdit(
        unit=HOSTILE,
        identifier=job.plan.edits[0].identifier,
        record=HOSTILE,
        before=bytes(range(256)),
        after=bytes(range(255, -1, -1)) + b"more",
        fields=tuple(
            FieldEdit(
                name=f"{HOSTILE}{at}", title=HOSTILE, base=at, current=at, target=2**64 - 1,
                result=2**64 - 1, verdict=verdict, reason=HOSTILE,
            )
            for at, verdict in enumerate(FieldVerdict)
        ),
    )  # fmt: skip
    arcs = tuple(
        RingMargin(source=HOSTILE, target=HOSTILE, margin_db=at - 3.0, added=True)
        for at in range(24)
    )
    proof = replace(job.proof, faults=faults, proved=False)
    supply = replace(
        job.plan.supply,
        points=tuple((at / 3, at % 40.0, 14.0 - at / 300, 12.0 - at / 500) for at in range(2000)),
        peak_current_a=400.0,
        minutes=1.0,
    )
    return {
        "fit card": draw_fit_card(replace(job.report, lines=lines), module_title=HOSTILE),
        "option changes": draw_option_changes(plan, names),
        "plan lanes": draw_plan_lanes(plan, names),
        "plan rounds": draw_plan_lanes(put_in_rounds(plan, 30), names),
        "supply": draw_supply(supply),
        "bare supply": draw_supply(replace(supply, points=())),
        "fault flow": draw_fault_flow(proof, names),
        "no fault": draw_fault_flow(replace(proof, faults=()), names),
        "no step": draw_plan_lanes(replace(plan, steps=()), names),
        "proof strip": draw_proof_strip(plan, job.preparation, job.change, proof),
        "byte map": draw_byte_map(edit, names),
        "ring": draw_ring(arcs, names, title=HOSTILE),
        "no ring": draw_ring((), names),
    }


@pytest.fixture(scope="module", params=["usual", "hostile"])
def pictures(request: pytest.FixtureRequest, job: Any) -> dict[str, str]:
    return draw_usual(job) if request.param == "usual" else draw_hostile(job)


def test_every_text_stands_on_the_sheet(pictures: dict[str, str]) -> None:
    for name, svg in pictures.items():
        boxes, (width, height) = read_texts(svg)
        assert boxes or name == "no ring"
        for box in boxes:
            assert box.left >= -0.5, (name, box)
            assert box.right <= width + 0.5, (name, box)
            assert box.top >= -0.5, (name, box)
            assert box.bottom <= height + 0.5, (name, box)


def test_no_text_covers_another(pictures: dict[str, str]) -> None:
    for name, svg in pictures.items():
        boxes, _ = read_texts(svg)
        boxes.sort(key=lambda each: each.top)
        for first, second in combinations(boxes, 2):
            assert not first.covers(second), (name, first, second)


def test_every_shape_stands_on_the_sheet(pictures: dict[str, str]) -> None:
    for name, svg in pictures.items():
        _, (width, height) = read_texts(svg)
        for left, top, right, bottom in read_shapes(svg):
            assert left >= -0.5, name
            assert top >= -0.5, name
            assert right <= width + 1.5, name
            assert bottom <= height + 0.5, name


def test_every_picture_says_what_it_shows(pictures: dict[str, str]) -> None:
    for name, svg in pictures.items():
        root = parse(svg)
        assert root.attrib["role"] == "img"
        title, finding = root.find(f"{SVG}title"), root.find(f"{SVG}desc")
        assert title is not None
        assert finding is not None
        assert root.attrib["aria-labelledby"].split() == [title.attrib["id"], finding.attrib["id"]]
        assert title.text, name
        assert finding.text, name
        assert finding.text.endswith("."), name


def test_user_texts_stay_texts(job: Any) -> None:
    allowed = {"svg", "title", "desc", "defs", "pattern", "path", "rect", "circle", "text"}
    for name, svg in draw_hostile(job).items():
        root = parse(svg)
        tags = {element.tag.removeprefix(SVG) for element in root.iter()}
        assert tags <= allowed, name
        assert "script>" not in svg.replace("&lt;script&gt;", "").replace("&lt;/script&gt;", "")
        for element in root.iter():
            assert not any(attribute.startswith("on") for attribute in element.attrib)
        assert not any(sign in svg for sign in "\x00\x1b\u202e"), name


def test_no_picture_fetches_anything(pictures: dict[str, str]) -> None:
    for svg in pictures.values():
        bare = svg.replace('xmlns="http://www.w3.org/2000/svg"', "")
        assert "http" not in bare
        assert "href" not in bare
        assert "url(" not in bare.replace("url(#", "")


def test_equal_records_give_equal_pictures(job: Any) -> None:
    assert draw_usual(job) == draw_usual(job)
    assert draw_hostile(job) == draw_hostile(job)


def test_identifiers_of_several_pictures_do_not_clash(job: Any) -> None:
    seen: list[str] = []
    usual = draw_usual(job)
    del usual["no proof"]
    for svg in usual.values():
        seen += [each.attrib["id"] for each in parse(svg).iter() if "id" in each.attrib]
    assert len(seen) == len(set(seen))


def list_words(svg: str) -> str:
    return " ".join(element.text or "" for element in parse(svg).iter(f"{SVG}text"))


def test_no_verdict_is_told_by_colour_alone(job: Any) -> None:
    """Every verdict is a word in the picture too, and its marks differ in shape or dash."""
    usual = draw_usual(job)
    for line in job.report.lines:
        assert line.verdict.value in list_words(usual["fit card"])
    for fault in job.proof.faults:
        assert fault.verdict.value in list_words(usual["fault flow"])
    words = list_words(usual["bytes lighting"])
    for word in ("derived", "kept from owner", "recomputed"):
        assert word in words
    assert "too dark" in list_words(usual["ring"])
    assert ", weak" in list_words(usual["ring"])


def test_no_usual_label_is_cut(job: Any) -> None:
    for name, svg in draw_usual(job).items():
        assert MORE not in list_words(svg), name


def test_fit_card_holds_every_requirement(job: Any) -> None:
    words = list_words(draw_usual(job)["fit card"])
    for line in job.report.lines:
        for text in (line.title, line.reason, line.change):
            assert all(word in words for word in text.split()), text


def test_option_changes_hold_every_reason(job: Any) -> None:
    words = list_words(draw_usual(job)["option changes"])
    for change in job.plan.option_changes:
        assert change.option in words
        assert all(word in words for word in change.reasons[0].split())
    assert "2020-03" in words
    assert "6 options stay" in words


def put_in_rounds(plan: Any, width: int = 5) -> Any:
    """The same plan with so many steps a round, and a lane for each network in it."""
    rounds, steps, software = [], [], False
    for first in range(0, len(plan.steps), width):
        here = plan.steps[first : first + width]
        number = len(rounds) + 1
        software |= any(step.kind is StepKind.PROGRAM for step in here)
        lanes = tuple(
            PlannedLane(
                network=network,
                steps=tuple(step.id for step in here if step.network == network),
                seconds=4.0,
            )
            for network in dict.fromkeys(step.network for step in here)
        )
        rounds.append(
            PlannedRound(
                number=number,
                lanes=lanes,
                seconds=8.0,
                current_a=12.0,
                bytes_per_s=0.0,
                because="" if number == 1 else "it waits",
                safe=number != 1,
                restorable=not software,
            )
        )
        steps += [replace(step, round=number) for step in here]
    order = SessionOrder(
        rounds=tuple(rounds),
        seconds=8.0 * len(rounds),
        row_seconds=90.0,
        bound_seconds=8.0,
        proved=False,
        most_units=4,
        most_current_a=None,
        gateway_bytes_per_s=None,
    )
    return replace(plan, steps=tuple(steps), order=order)


def test_lanes_mark_safe_stops_and_the_turning_point(job: Any) -> None:
    names = gather_names(job.pack)
    svg = draw_usual(job)["plan lanes"]
    safe = sum(step.safe_after for step in job.plan.steps)
    assert svg.count("<circle") == safe + 1  # one more in the legend
    assert "from here on software changes" in list_words(svg)
    steps = tuple(step for step in job.plan.steps if step.kind is not StepKind.PROGRAM)
    without = draw_plan_lanes(replace(job.plan, steps=steps), names)
    assert "software changes" not in list_words(without)


def test_rounds_mark_where_they_end_and_where_software_changes(job: Any) -> None:
    plan = put_in_rounds(job.plan)
    svg = draw_plan_lanes(plan, gather_names(job.pack))
    rounds = len(plan.order.rounds)
    assert svg.count("<circle") == rounds - 1 + 1  # not after the first; one in the legend
    words = list_words(svg)
    assert all(f"round {number}" in words for number in range(1, rounds + 1))
    assert "from here on software changes" in words
    texts = [box.text for box in read_texts(svg)[0]]
    assert all(texts.count(step.id) == 1 for step in plan.steps)
    assert f"after {rounds - 1} of {rounds} rounds" in svg


def test_lanes_of_a_round_stand_above_each_other(job: Any) -> None:
    names = gather_names(job.pack)
    row = tuple(
        replace(step, network=f"net_{at}", unit=f"unit_{at}")
        for at, step in enumerate(job.plan.steps[:3])
    )
    svg = draw_plan_lanes(put_in_rounds(replace(job.plan, steps=row)), names)
    labels = [box for box in read_texts(svg)[0] if box.text in {step.id for step in row}]
    assert len({round(box.left, 1) for box in labels}) == 1
    assert len(labels) == 3


def test_byte_map_shows_old_and_new_bytes(job: Any) -> None:
    svg = draw_usual(job)["bytes lighting"]
    assert svg.count("line-through") == 3
    assert "82" in list_words(svg)
    assert "83" in list_words(svg)
    assert "off \N{RIGHTWARDS ARROW}" in list_words(svg)


def test_proof_strip_ends_with_the_digests(job: Any) -> None:
    from donorfit.records.encoding import compute_digest

    words = list_words(draw_usual(job)["proof strip"])
    for record in (job.preparation, job.change, job.proof):
        assert compute_digest(record)[-8:] in words
    given = draw_proof_strip(
        job.plan, job.preparation, job.change, job.proof, digests=(("proof", "f" * 64),)
    )
    assert "ffffffff" in list_words(given)


def test_proof_strip_shows_what_went_wrong(job: Any) -> None:
    backs = (replace(job.proof.read_backs[0], equal=False), *job.proof.read_backs[1:])
    steps = tuple(replace(step, state=StepState.REFUSED) for step in job.change.steps)
    change = replace(job.change, finished=False, steps=steps)
    proof = replace(job.proof, read_backs=backs, proved=False)
    words = list_words(draw_proof_strip(job.plan, job.preparation, change, proof))
    assert "stopped" in words
    assert "0 of 18 steps" in words
    assert "6 of 7 records" in words


def test_the_box_check_finds_a_covered_text() -> None:
    """A picture with two texts on one place must not pass."""
    svg = (
        '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 100 20">'
        '<text x="2" y="12" font-size="11">first</text>'
        '<text x="20" y="14" font-size="11">second</text></svg>'
    )
    (first, second), (width, _) = read_texts(svg)
    assert first.covers(second)
    assert second.right < width


def test_tall_pictures_are_set_on_several_sheets(job: Any) -> None:
    """No row is lost or split, and no sheet is taller than asked while its rows are not."""
    names = gather_names(job.pack, edits=job.plan.edits)
    steps = tuple(
        replace(job.plan.steps[at % 18], id=f"s{at:02d}", unit=f"unit_{at % 7}")
        for at in range(90)
    )
    plan = replace(job.plan, steps=steps)
    height = 420.0
    for sheets, whole in (
        (draw_fit_sheets(job.report, sheet_height=height), draw_fit_card(job.report)),
        (draw_option_sheets(job.plan, names, sheet_height=height),
         draw_option_changes(job.plan, names)),
        (draw_lane_sheets(plan, names, sheet_height=height), draw_plan_lanes(plan, names)),
    ):  # fmt: skip
        assert len(sheets) > 1
        assert len(sheets) == len(set(sheets))
        said = sorted(" ".join(map(list_words, sheets)).split())
        assert said == sorted(list_words(whole).split())
        for sheet in sheets:
            boxes, (_, tall) = read_texts(sheet)
            assert boxes
            assert tall <= height + 4
        ids = [
            each.attrib["id"]
            for sheet in sheets
            for each in parse(sheet).iter()
            if "id" in each.attrib
        ]
        assert len(ids) == len(set(ids))


def test_one_row_taller_than_a_sheet_stands_alone(job: Any) -> None:
    sheets = draw_fit_sheets(job.report, sheet_height=10.0)
    assert len(sheets) == len(job.report.lines) + 1
