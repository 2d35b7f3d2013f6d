"""Sections that say what was done to the car: steps, software, supply, wires, cautions."""

from donorfit.edge.documents.content import Block, Notice, Paragraph, Picture, Section, Table
from donorfit.edge.documents.job_sections import DEFERS, SHEET_HEIGHT
from donorfit.electrical import list_parts
from donorfit.figures.measured_supply import MeasuredVolts, place_measured
from donorfit.figures.naming import get_unit_title
from donorfit.figures.plan_lanes import draw_lane_sheets, write_plan_finding
from donorfit.figures.ring import draw_ring, word_margin, write_ring_finding
from donorfit.figures.supply import draw_supply, write_supply_finding
from donorfit.records.handover import Handover
from donorfit.records.plan import Step, StepKind, SupplyForecast
from donorfit.records.session_order import SessionOrder

_MOST_POINTS = 12


def make_steps(handover: Handover) -> Section:
    """Every step of the plan and what became of it."""
    plan = handover.plan
    results = {result.step: result for result in handover.change.steps}
    rows = []
    for step in plan.steps:
        result = results.get(step.id)
        again = f"looked again: {result.looked_again}" if result and result.looked_again else ""
        parts = (result.detail if result else "", again)
        rows.append(
            (
                step.id,
                get_unit_title(handover.names, step.unit),
                step.what,
                f"{step.seconds:.3g} s",
                "yes" if step.safe_after else "no",
                result.state.value if result else "no result recorded",
                "; ".join(part for part in parts if part),
            )
        )
    blocks: list[Block] = [
        Picture(
            sheets=draw_lane_sheets(plan, handover.names, sheet_height=SHEET_HEIGHT),
            title="The plan as lanes",
            finding=write_plan_finding(plan),
        ),
        Table(
            caption="Steps and their results",
            head=("Step", "Control unit", "Deed", "Planned", "Safe stop", "Result", "Detail"),
            rows=tuple(rows),
            code=(0,),
        ),
    ]
    if plan.order is not None:
        blocks.insert(1, _list_rounds(plan.order))
    if not handover.change.finished:
        reason = handover.change.stop_reason or "no reason was recorded"
        blocks.insert(
            0, Notice(label="Stopped", text=f"The work did not reach its end: {reason}.")
        )
    return Section(key="steps", title="Steps and results", blocks=tuple(blocks))


def _list_rounds(order: SessionOrder) -> Table:
    """The rounds of the plan: what ran side by side, and why each waited for the one before."""
    proof = (
        "no order within the limits is shorter"
        if order.proved
        else f"no order within the limits is shorter than {order.bound_seconds:.0f} s"
    )
    return Table(
        caption=f"Rounds: {order.seconds:.0f} s planned, {order.row_seconds:.0f} s one after the "
        f"other; {proof}",
        head=(
            "Round",
            "Networks",
            "Planned",
            "Up to",
            "Safe stop",
            "Backup restores",
            "Why not before",
        ),
        rows=tuple(
            (
                str(each.number),
                ", ".join(lane.network for lane in each.lanes),
                f"{each.seconds:.3g} s",
                f"{each.current_a:.3g} A",
                "yes" if each.safe else "no",
                "yes" if each.restorable else "no",
                each.because or "it is the first",
            )
            for each in order.rounds
        ),
    )


def make_software(handover: Handover) -> Section:
    """Software that was programmed."""
    results = {result.step: result.state.value for result in handover.change.steps}
    rows = tuple(
        (
            get_unit_title(handover.names, step.unit),
            step.software_before or "not stated",
            step.software_after,
            step.software_file,
            step.software_sha256,
            results.get(step.id, "no result recorded"),
        )
        for step in handover.plan.steps
        if step.kind is StepKind.PROGRAM
    )
    if not rows:
        return Section(
            key="software",
            title="Software",
            blocks=(Paragraph(text="No software was programmed."),),
        )
    table = Table(
        caption="Software programmed",
        head=("Control unit", "Before", "After", "File", "SHA-256 of the file", "Result"),
        rows=rows,
        code=(4,),
    )
    return Section(key="software", title="Software", blocks=(table,))


def make_supply(handover: Handover) -> Section:
    """Supply as it was forecast, and as it was measured before, during and after the work."""
    supply, preparation = handover.plan.supply, handover.preparation
    measured = preparation.supply_volts
    readings = place_measured(handover.plan, preparation, handover.change, handover.proof)
    support = preparation.support_current_a
    blocks: list[Block] = [
        Paragraph(
            text="Before the work the supply was "
            + ("not measured" if measured is None else f"measured at {measured:.2f} V")
            + "; the support "
            + ("was not stated." if support is None else f"can hold {support:g} A continuously.")
        )
    ]
    if supply is None:
        blocks.append(Paragraph(text="The pack says nothing of the supply during a session."))
    else:
        blocks.append(
            Picture(
                sheets=(draw_supply(supply, measured=readings),),
                title="Supply over the session",
                finding=write_supply_finding(supply, readings),
            )
        )
        text = f"Forecast over {supply.minutes:.1f} min, {supply.charge_ah:.1f} Ah. It rests on: "
        blocks.append(Paragraph(text=f"{text}{supply.source}."))
        blocks.append(_list_supply(supply))
        if readings:
            blocks.append(_list_measured(readings))
    return Section(key="supply", title="Supply", blocks=tuple(blocks))


def _list_measured(readings: tuple[MeasuredVolts, ...]) -> Table:
    rows = tuple(
        (
            each.when,
            f"{each.minute:.1f}",
            f"{each.volts:.2f}",
            "-" if each.forecast_volts is None else f"{each.forecast_volts:.2f}",
        )
        for each in readings
    )
    return Table(
        caption="Supply as the car reported it, beside the forecast for that point of the work",
        head=("When", "Forecast's minute", "V measured", "V forecast with support"),
        rows=rows,
        code=(1, 2, 3),
    )


def _list_supply(supply: SupplyForecast) -> Table:
    step = max(1, -(-len(supply.points) // _MOST_POINTS))
    rows = tuple(
        (f"{minute:.1f}", f"{current:.1f}", f"{held:.2f}", f"{alone:.2f}")
        for minute, current, held, alone in supply.points[::step]
    )
    every = "" if step == 1 else f", one point in {step}"
    return Table(
        caption=f"Supply forecast{every}",
        head=("Minute", "Current in A", "V with support", "V on the battery alone"),
        rows=rows,
        code=(0, 1, 2, 3),
    )


def make_ring(handover: Handover) -> Section:
    """Light margins of the ring where the module sits on it."""
    rows = tuple(
        (
            get_unit_title(handover.names, arc.source),
            get_unit_title(handover.names, arc.target),
            word_margin(arc),
            "yes" if arc.added else "no",
        )
        for arc in handover.ring
    )
    return Section(
        key="optical-ring",
        title="Optical ring",
        blocks=(
            Paragraph(
                text="Margins are computed from fibre lengths and connectors in the pack with the "
                "largest losses; the power window they rest on is from memory and unverified."
            ),
            Picture(
                sheets=(draw_ring(handover.ring, handover.names),),
                title="Optical ring",
                finding=write_ring_finding(handover.ring, handover.names),
            ),
            Table(
                caption="Hops of the ring",
                head=("From", "To", "Margin", "Touched by the work"),
                rows=rows,
            ),
        ),
    )


def make_wires(handover: Handover) -> Section:
    """Wires that were to be run."""
    wires = handover.plan.wires
    if not wires:
        text = "No wire had to be run."
        return Section(key="wires", title="Wires", blocks=(Paragraph(text=text),))
    rows = tuple(
        (
            wire.host_cavity or "new wire",
            wire.module_cavity,
            wire.purpose,
            f"{wire.cross_section_mm2:g}",
            f"{wire.fuse_a:g}" if wire.fuse_a else "none",
            f"{wire.length_m:g}",
            wire.note,
        )
        for wire in wires
    )
    head = ("Host side", "Module side", "Purpose", "mm\u00b2", "Fuse in A", "Length in m", "Note")
    table = Table(
        caption="Wires",
        head=head,
        rows=rows,
    )
    parts = Table(
        caption="Parts for these wires, cable with 10 % to spare",
        head=("Part", "Quantity", "For"),
        rows=tuple(
            (each.part, f"{each.quantity:g} {each.unit}", ", ".join(each.used_for))
            for each in list_parts(wires)
        ),
    )
    return Section(key="wires", title="Wires", blocks=(table, parts))


def make_cautions(handover: Handover) -> Section:
    """Cautions that had to be confirmed, and which were."""
    confirmed = frozenset(handover.preparation.cautions_confirmed)
    rows = tuple(
        (
            caution.text,
            caution.because,
            ", ".join(caution.jurisdictions),
            f"{caution.source} (seen {caution.seen})",
            "confirmed" if caution.id in confirmed else "no confirmation recorded",
        )
        for caution in handover.plan.cautions
    )
    blocks: list[Block] = [Notice(label="Take note", text=DEFERS)]
    if rows:
        blocks.append(
            Table(
                caption="Cautions of this job",
                head=("Caution", "Because", "Where it may apply", "Source", "Confirmed"),
                rows=rows,
            )
        )
    else:
        blocks.append(Paragraph(text="The plan brought up no caution of its own."))
    return Section(key="cautions", title="Cautions", blocks=tuple(blocks))


def list_programmed(steps: tuple[Step, ...]) -> tuple[str, ...]:
    """Units whose software changed, with the versions."""
    rows: dict[str, list[Step]] = {}
    for step in steps:
        if step.kind is StepKind.PROGRAM:
            rows.setdefault(step.unit, []).append(step)
    return tuple(
        f"{unit} from {row[0].software_before or 'an unknown one'} "
        + "".join(f"by {each.software_after} " for each in row[:-1])
        + f"to {row[-1].software_after}"
        for unit, row in rows.items()
    )
