"""The steps of a plan as lines: rounds with their lanes, why they wait, where the job can stop."""

from donorfit.cli.columns import count, fold, measure, tabulate, word_seconds
from donorfit.records.plan import Plan, PlanPurpose, Step, StepKind
from donorfit.records.session_order import PlannedRound, SessionOrder

_HEAD = ("step", "time", "after", "network", "unit", "deed")
_WIDEST = 15
_TIME = 1


def word_steps(plan: Plan) -> list[str]:
    """All steps, in rounds where the plan has them."""
    if not plan.steps:
        return ["", "Steps: none, nothing has to be written"]
    rows = {step.id: _make_row(step) for step in plan.steps}
    if plan.order is None:
        lines = ["", "Steps, one after the other"]
        lines += tabulate(list(rows.values()), head=_HEAD, right=(_TIME,))
        return lines + _word_turning(plan, plan.order)
    widths = [
        min(_WIDEST, max(measure(row[column]) for row in (_HEAD, *rows.values())))
        for column in range(len(_HEAD) - 1)
    ]
    lines = ["", *_word_order(plan.order), "", *tabulate([_HEAD], least=widths, right=(_TIME,))]
    for each in plan.order.rounds:
        if each.number == plan.order.last_restorable + 1:
            lines += _word_turning(plan, plan.order)
        lines += _word_round(each)
        shown = [rows[id_] for lane in each.lanes for id_ in lane.steps if id_ in rows]
        lines += tabulate(shown, least=widths, right=(_TIME,))
    return lines


def _make_row(step: Step) -> tuple[str, ...]:
    return (
        step.id,
        word_seconds(step.seconds),
        "safe stop" if step.safe_after else "go on",
        step.network,
        step.unit,
        _word_deed(step),
    )


def _word_deed(step: Step) -> str:
    if step.kind is StepKind.PROGRAM:
        return f"{step.what} ({step.software_before or 'any'} -> {step.software_after})"
    if step.after:
        return f"{step.what} (0x{step.identifier:04X}, {len(step.after)} B)"
    return step.what


def word_length(seconds: float) -> str:
    """A length to be compared with another one, to the second."""
    whole = round(seconds)
    return f"{whole // 60} min {whole % 60:02d} s" if whole >= 60 else f"{whole} s"  # noqa: PLR2004


def _word_order(order: SessionOrder) -> list[str]:
    limits = [f"{count(order.most_units, 'unit')} at once"]
    if order.most_current_a is not None:
        limits.append(f"{order.most_current_a:g} A")
    if order.gateway_bytes_per_s is not None:
        limits.append(f"{order.gateway_bytes_per_s:g} bytes a second through the gateway")
    saved = order.row_seconds - order.seconds
    compared = (
        f"one unit after the other it takes {word_length(order.row_seconds)}"
        if saved
        else "as long as one unit after the other"
    )
    proof = (
        "No order within these limits is shorter (proved)."
        if order.proved
        else f"No order within these limits is shorter than {word_length(order.bound_seconds)}; "
        "whether one is between was not settled."
    )
    return [
        f"Steps, in {count(len(order.rounds), 'round')}",
        *fold(f"{word_length(order.seconds)}; {compared}. {proof}", first="  "),
        *fold(f"Limits: {', '.join(limits)}.", first="  "),
        *fold(
            "In a round each network is worked on by itself, one unit at a time, each change "
            "read back and closed before the next. The next round begins when all of it is "
            "closed, and there the job can stop, unless the round says otherwise.",
            first="  ",
        ),
    ]


def _word_round(each: PlannedRound) -> list[str]:
    facts = f"Round {each.number}, {word_length(each.seconds)}, up to {each.current_a:.3g} A"
    facts += "" if each.safe else ", no safe stop after it"
    because = f": {each.because}" if each.because else ""
    return fold(facts + because, first="  ", rest="    ")


def _word_turning(plan: Plan, order: SessionOrder | None) -> list[str]:
    """Where the backup alone no longer brings the car back."""
    programs = [step for step in plan.steps if step.kind is StepKind.PROGRAM]
    if not programs or plan.purpose is PlanPurpose.UNDO:
        return []
    last = order.last_restorable if order else 0
    before = f"Up to the end of round {last} the backup restores everything. " if last else ""
    return fold(
        f"{before}From {programs[0].id} on software changes: a unit stays in its boot loader "
        "until its step is done, and going back to older software needs that software.",
        first="  ---- ",
        rest="  ---- ",
    )
