"""The section that says what a person answered, and when: before the work, and when it went on."""

from donorfit.edge.documents.content import Block, Paragraph, Section, Table
from donorfit.records.handover import Handover
from donorfit.records.preparation import WakeCheck
from donorfit.records.renewal import Renewal


def make_answers(handover: Handover) -> Section:
    """When a person answered, what was measured when the work went on, this computer's power."""
    preparation = handover.preparation
    said = f"Before the work, at {preparation.prepared_at}, the conditions below were read or said"
    if preparation.cautions_confirmed:
        said += ", and the cautions marked above were confirmed"
    blocks: list[Block] = [
        Paragraph(text=f"{said}."),
        _make_table(
            "Before the work",
            _list_measured(
                preparation.wake_checks, preparation.supply_volts, preparation.support_current_a
            ),
        ),
    ]
    blocks += [_list_renewal(number, each) for number, each in enumerate(handover.renewals, 1)]
    if not handover.renewals:
        blocks.append(Paragraph(text="The work was not taken up again after a stop."))
    if handover.host_notes:
        blocks.append(
            Table(
                caption="Power of the computer that the work was done with",
                head=("When", "What is known, and how"),
                rows=tuple((each.at, each.words) for each in handover.host_notes),
            )
        )
    return Section(key="answers", title="Answers, and when they were given", blocks=tuple(blocks))


def _make_table(caption: str, rows: list[tuple[str, str]]) -> Table:
    return Table(caption=caption, head=("What", "Answer or value"), rows=tuple(rows))


def _list_renewal(number: int, renewal: Renewal) -> Table:
    went = "went on" if renewal.ready else "was kept from going on"
    why = f"earlier answers {renewal.too_old}" if renewal.too_old else "earlier answers counted"
    rows = [(each.text, each.choice) for each in renewal.answers]
    asked = {each.text.removesuffix(": is it so?") for each in renewal.answers}
    checks = tuple(each for each in renewal.wake_checks if each.text not in asked)
    rows += _list_measured(checks, renewal.supply_volts, renewal.support_current_a)
    rows += [(each.what, each.why or each.severity.value) for each in renewal.findings]
    caption = f"After stop {number} the work {went}, looked at {renewal.looked_at}; {why}"
    return _make_table(caption, rows)


def _list_measured(
    checks: tuple[WakeCheck, ...], volts: float | None, support_a: float | None
) -> list[tuple[str, str]]:
    rows = [(each.text, f"{'met' if each.met else 'NOT met'}: {each.shown_by}") for each in checks]
    rows.append(("Supply", "not measured" if volts is None else f"{volts:.2f} V measured"))
    said = "not stated" if support_a is None else f"{support_a:g} A continuously, as stated"
    rows.append(("Support of the battery", said))
    return rows
