"""Proof strip: backup, write, read back, compare, as four stamped cells with digests."""

from collections import Counter
from dataclasses import dataclass

from donorfit.figures.drawing import BODY, HEAD, LEADING, SMALL, Drawing, Ink
from donorfit.figures.lettering import wrap
from donorfit.figures.marks import add_arrow, add_cross, add_tick
from donorfit.records.change_record import ChangeRecord, StepState
from donorfit.records.counted import count
from donorfit.records.encoding import compute_digest
from donorfit.records.plan import Plan
from donorfit.records.preparation import Preparation
from donorfit.records.proof import FaultVerdict, Proof

_GAP = 26.0
_PAD = 8.0
_END = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class Stamp:
    """One cell: the deed, whether it is done, what it came to, when, and a digest's end."""

    deed: str
    done: bool | None
    lines: tuple[str, ...]
    time: str = ""
    digest: str = ""


def draw_proof_strip(
    plan: Plan,
    preparation: Preparation,
    change: ChangeRecord,
    proof: Proof | None,
    *,
    digests: tuple[tuple[str, str], ...] = (),
    key: str = "proof-strip",
) -> str:
    """The way of the proof as an SVG text; ``digests`` replace computed ones (masked records)."""
    known = dict(digests)
    stamps = make_stamps(plan, preparation, change, proof, known)
    drawing = Drawing(key)
    width = (drawing.width - 4 - _GAP * (len(stamps) - 1)) / len(stamps)
    rows = max(
        sum(len(wrap(line, SMALL, width - 2 * _PAD)) for line in stamp.lines) for stamp in stamps
    )
    height = 78 + rows * SMALL * LEADING
    for at, stamp in enumerate(stamps):
        x = 2 + at * (width + _GAP)
        _draw_stamp(drawing, x, width, height, stamp)
        if at:
            add_arrow(drawing, x - _GAP + 5, x - 5, 24, "soft")
    finding = write_proof_finding(plan, preparation, change, proof, digests=digests)
    return drawing.finish(height + 6, "Proof in four steps", finding)


def write_proof_finding(
    plan: Plan,
    preparation: Preparation,
    change: ChangeRecord,
    proof: Proof | None,
    *,
    digests: tuple[tuple[str, str], ...] = (),
) -> str:
    """What each of the four steps came to, in words."""
    words = {True: "done", False: "not done or not equal", None: "not yet"}
    stamps = make_stamps(plan, preparation, change, proof, dict(digests))
    said = [f"{each.deed} {words[each.done]} ({', '.join(each.lines)})" for each in stamps]
    return "; ".join(said).capitalize() + "."


def make_stamps(
    plan: Plan,
    preparation: Preparation,
    change: ChangeRecord,
    proof: Proof | None,
    digests: dict[str, str],
) -> tuple[Stamp, ...]:
    """What the four cells say."""
    states = Counter(step.state for step in change.steps)
    done = states[StepState.DONE] + states[StepState.ALREADY]
    backup = Stamp(
        deed="backup",
        done=bool(preparation.backups),
        lines=(count(len(preparation.backups), "record"), "read twice, equal"),
        time=preparation.prepared_at,
        digest=digests.get("preparation") or compute_digest(preparation),
    )
    write = Stamp(
        deed="write",
        done=change.finished,
        lines=(
            f"{done} of {count(len(plan.steps), 'step')}",
            "finished" if change.finished else "stopped",
        ),
        digest=digests.get("change record") or compute_digest(change),
    )
    if proof is None:
        later = ("not made yet",)
        return (
            backup,
            write,
            Stamp(deed="read back", done=None, lines=later),
            Stamp(deed="compare", done=None, lines=later),
        )
    equal = sum(each.equal for each in proof.read_backs)
    bad = sum(
        each.verdict in {FaultVerdict.NEW, FaultVerdict.STILL_THERE} for each in proof.faults
    )
    read = Stamp(
        deed="read back",
        done=equal == len(proof.read_backs),
        lines=(f"{equal} of {count(len(proof.read_backs), 'record')}", "as planned"),
        time=proof.proved_at,
    )
    compare = Stamp(
        deed="compare",
        done=proof.proved,
        lines=(f"{len(proof.faults)} fault codes", f"{bad} new or still there"),
        digest=digests.get("proof") or compute_digest(proof),
    )
    return (backup, write, read, compare)


def _draw_stamp(drawing: Drawing, x: float, width: float, height: float, stamp: Stamp) -> None:
    colour = {True: "neutral", False: "blocked", None: "line"}[stamp.done]
    dash = "4 3" if stamp.done is None else ""
    drawing.add_box(
        x, 2, width, height, Ink(fill="panel", stroke=colour, width=1.6, dash=dash), corner=4
    )
    if stamp.done:
        drawing.add_circle(x + width - 17, 19, 9, Ink(fill=colour))
        add_tick(drawing, x + width - 17, 19, 9)
    elif stamp.done is False:
        drawing.add_box(x + width - 26, 10, 18, 18, Ink(fill=colour))
        add_cross(drawing, x + width - 17, 19, 9)
    drawing.add_text(x + _PAD, 23, stamp.deed, size=HEAD, bold=True)
    y = 41.0
    for line in stamp.lines:
        y = drawing.add_lines(x + _PAD, y, line, width - 2 * _PAD, size=SMALL)
    base = height - 22
    drawing.add_line(((x, base), (x + width, base)), Ink(stroke=colour, width=1, dash="1 3"))
    clock = stamp.time[11:16]
    if clock:
        drawing.add_text(x + width - _PAD, base + 15, clock, size=SMALL, anchor="end")
    if stamp.digest:
        drawing.add_text(x + _PAD, base + 15, f"..{stamp.digest[-_END:]}", size=BODY, bold=True)
