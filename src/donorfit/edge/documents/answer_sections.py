"""The section that says what a person answered, and when: before the work, and when it went on."""

from donorfit.edge.documents.content import Block, Paragraph, Section, Table
from donorfit.records.handover import Handover
from donorfit.records.preparation import WakeCheck
from donorfit.records.renewal import Renewal


def make_answers(handover: Handover) -> Section:
    """Answers with their times, what was measured when the work went on, this computer's power."""
    preparation = handover.preparation
    confirmed = frozenset(preparation.cautions_confirmed)
    rows = [
        (preparation.prepared_at, each.text, "understood")
        for each in handover.plan.cautions
        if each.id in confirmed
    ]
    rows += _list_measured(
        preparation.prepared_at,
        preparation.wake_checks,
        preparation.supply_volts,
        preparation.support_current_a,
    )
    blocks: list[Block] = [
        Table(
            caption="Before the work",
            head=("When", "What", "Answer or value"),
            rows=tuple(rows),
        )
    ]
    blocks += [_list_renewal(number, each) for number, each in enumerate(handover.renewals, 1)]
    if not handover.renewals:
        blocks.append(Paragraph(text="The work was done in one go."))
    if handover.host_notes:
        blocks.append(
            Table(
                caption="Power of the computer that the work was done with",
                head=("When", "What is known, and how"),
                rows=tuple((each.at, each.words) for each in handover.host_notes),
            )
        )
    return Section(key="answers", title="Answers, and when they were given", blocks=tuple(blocks))


def _list_renewal(number: int, renewal: Renewal) -> Table:
    went = "went on" if renewal.ready else "was kept from going on"
    why = f"earlier answers {renewal.too_old}" if renewal.too_old else "earlier answers counted"
    rows = [(renewal.looked_at, each.text, each.choice) for each in renewal.answers]
    asked = {each.text.removesuffix(": is it so?") for each in renewal.answers}
    checks = tuple(each for each in renewal.wake_checks if each.text not in asked)
    rows += _list_measured(
        renewal.looked_at, checks, renewal.supply_volts, renewal.support_current_a
    )
    rows += [
        (renewal.looked_at, each.what, each.why or each.severity.value)
        for each in renewal.findings
    ]
    return Table(
        caption=f"Stop {number}: the work {went}; {why}",
        head=("When", "What", "Answer or value"),
        rows=tuple(rows),
    )


def _list_measured(
    at: str, checks: tuple[WakeCheck, ...], volts: float | None, support_a: float | None
) -> list[tuple[str, str, str]]:
    rows = [
        (at, each.text, f"{'met' if each.met else 'NOT met'}: {each.shown_by}") for each in checks
    ]
    rows.append((at, "Supply", "not measured" if volts is None else f"{volts:.2f} V measured"))
    said = "not stated" if support_a is None else f"{support_a:g} A continuously, as stated"
    rows.append((at, "Support of the battery", said))
    return rows
