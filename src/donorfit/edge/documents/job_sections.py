"""Sections that say what was fitted, whether it fits, and what the car declares now."""

from donorfit.edge.documents.content import (
    Block,
    Listing,
    Notice,
    Paragraph,
    Picture,
    Section,
    Table,
)
from donorfit.figures.byte_map import draw_byte_map, write_byte_finding
from donorfit.figures.fit_card import draw_fit_sheets, sort_lines, write_fit_finding
from donorfit.figures.naming import (
    count_kept,
    get_field_note,
    get_option_title,
    get_unit_title,
    word_value,
)
from donorfit.figures.option_changes import draw_option_sheets, write_option_finding
from donorfit.figures.proof_strip import draw_proof_strip, write_proof_finding
from donorfit.records.counted import choose, count
from donorfit.records.finding import Severity
from donorfit.records.handover import Handover
from donorfit.records.plan import FieldEdit, FieldVerdict, PlanPurpose, RecordEdit
from donorfit.vehicle.identity import OptionName

SHEET_HEIGHT = 420.0
"""Most height of one sheet of a picture, in its own units, so that it finds room on a page."""

DEFERS = (
    "This record describes what was done and read. It gives no permission and no approval. Local "
    "law, the maker's procedure and licensed practice come first wherever they say otherwise."
)


def make_summary(handover: Handover) -> Section:
    """What was fitted into what, and what it came to."""
    plan, proof, change = handover.plan, handover.proof, handover.change
    strip = draw_proof_strip(plan, handover.preparation, change, proof, digests=handover.digests)
    added = sum(each.declared for each in plan.option_changes)
    month = f"{plan.month_before or 'not known'}"
    if plan.month_after != plan.month_before:
        month += f", now {plan.month_after or 'not known'}"
    serial = _find_module_serial(handover)
    proved = "not proved yet" if proof is None else ("proved" if proof.proved else "NOT proved")
    rows = (
        ("Module", f"{handover.module_title} ({plan.module})"),
        ("Serial number of the module", serial or "not read"),
        ("Car", handover.pack_title),
        ("VIN", plan.vin or "not known"),
        ("Declared build month", month),
        ("Work", "taken back" if plan.purpose is PlanPurpose.UNDO else "retrofit"),
        ("Fit check", handover.report.verdict.value),
        ("Carried out", "to the end" if change.finished else f"stopped: {change.stop_reason}"),
        ("Result", proved),
        ("Option list", f"{added} added, {len(plan.option_changes) - added} taken out"),
        ("Kept from the owner", count(count_kept(plan.edits), "field")),
        ("Control units changed", ", ".join(change.changed) or "none"),
    )
    blocks: list[Block] = [
        Picture(
            sheets=(strip,),
            title="Proof in four steps",
            finding=write_proof_finding(
                plan, handover.preparation, change, proof, digests=handover.digests
            ),
        ),
        Table(
            caption="The job at a glance",
            head=("What", "Value"),
            rows=rows,
        ),
    ]
    if plan.purpose is PlanPurpose.UNDO:
        blocks.insert(0, _tell_taken_back(handover))
    if handover.masked:
        text = "VIN, serial numbers and per-car values are hidden in this copy."
        blocks.insert(0, Notice(label="Masked", text=text))
    if proof is None or not proof.proved:
        text = "The result is not proved. Read the sections on fault codes and on going back."
        blocks.insert(0, Notice(label="Not proved", text=text))
    return Section(key="summary", title="Summary", blocks=tuple(blocks))


def _tell_taken_back(handover: Handover) -> Notice:
    """What going back means for this car, and what it did not bring back."""
    ended = (
        "was taken back" if handover.change.finished else "was being taken back, not to its end"
    )
    text = (
        f"This record is of the way back: earlier work on this car {ended}. What a control unit "
        "held before that work was written from its backup."
    )
    stays = [each.what for each in handover.plan.findings if each.severity is not Severity.NOTE]
    if stays:
        text += " Its plan said beforehand: " + " ".join(stays)
        text += " What was found is in the steps and their results."
    return Notice(label="Taken back", text=text)


def _find_module_serial(handover: Handover) -> str:
    """Serial number of the module as read on the bench."""
    if handover.bench is None:
        return ""
    return next((unit.serial for unit in handover.bench.units if unit.serial), "")


def make_fit(handover: Handover) -> Section:
    """The fit report, requirement by requirement."""
    report = handover.report
    rows = tuple(
        (
            line.verdict.value,
            f"{line.title} ({line.subject.value})",
            f"{line.reason} Change: {line.change}" if line.change else line.reason,
            "; ".join(line.evidence) or "-",
        )
        for line in sort_lines(report)
    )
    works = "works" if report.as_it_stands else "does not work"
    return Section(
        key="fit",
        title="Fit check",
        blocks=(
            Paragraph(text=f"Verdict: {report.verdict.value}. As the car stood, it {works}."),
            Picture(
                sheets=draw_fit_sheets(
                    report, module_title=handover.module_title, sheet_height=SHEET_HEIGHT
                ),
                title="Fit card",
                finding=write_fit_finding(report),
            ),
            Table(
                caption="Requirements",
                head=("Verdict", "Requirement", "Reason and change", "Rests on"),
                rows=rows,
            ),
        ),
    )


def make_options(handover: Handover) -> Section:
    """The option list before and after, with the reason of every change, and the build month."""
    plan, names = handover.plan, handover.names
    before, after = frozenset(plan.options_before), frozenset(plan.options_after)
    reasons = {change.option: "; ".join(change.reasons) for change in plan.option_changes}
    changed = sorted(before ^ after, key=lambda each: (each in after, each))
    staying = tuple(option for option in plan.options_after if option in before)
    rows = tuple(
        (
            option,
            get_option_title(names, option),
            "declared" if option in before else "no",
            "declared" if option in after else "no",
            reasons.get(option, "") or "no reason recorded",
        )
        for option in changed
    )
    unknown = [
        f"{unit.unit}: {entry}"
        for unit in handover.survey.units
        if unit.option_list is not None
        for entry in unit.option_list.unknown
    ]
    blocks: list[Block] = [
        Paragraph(text=_word_month(handover)),
        Picture(
            sheets=draw_option_sheets(plan, names, sheet_height=SHEET_HEIGHT),
            title="Changes of the option list",
            finding=write_option_finding(plan),
        ),
        Table(
            caption="Option list before and after: what changes",
            head=("Option", "Title", "Before", "After", "Why"),
            rows=rows,
            code=(0,),
        ),
        Paragraph(
            text=f"Declared before and after, {count(len(staying), 'option')}: "
            f"{word_options(handover, staying)}."
        ),
    ]
    if unknown:
        blocks.append(Paragraph(text="Entries that the pack does not know, left as they were:"))
        blocks.append(Listing(items=tuple(unknown)))
    return Section(key="options", title="Option list and build month", blocks=tuple(blocks))


def _word_month(handover: Handover) -> str:
    plan = handover.plan
    if plan.month_before == plan.month_after:
        return f"The declared build month stays {plan.month_after or 'not known'}."
    return (
        f"The declared build month moves from {plan.month_before or 'not known'} to "
        f"{plan.month_after or 'not known'}. {plan.month_reason}"
    )


def make_configuration(handover: Handover) -> Section:
    """Every edited record: bytes before and after, every field with its verdict."""
    plan = handover.plan
    blocks: list[Block] = []
    if not plan.edits:
        blocks.append(Paragraph(text="No configuration record was edited."))
    else:
        kept = count_kept(plan.edits)
        blocks.append(
            Paragraph(
                text=f"Edited: {count(len(plan.edits), 'configuration record')}. "
                f"{count(kept, 'field')} that the owner had customised, or that the car had "
                f"learnt, {choose(kept, 'was kept as it was', 'were kept as they were')}."
            )
        )
        blocks.append(_list_kept(handover))
    for number, edit in enumerate(plan.edits, start=1):
        title = f"{get_unit_title(handover.names, edit.unit)}: {edit.record}"
        blocks.append(
            Picture(
                sheets=(draw_byte_map(edit, handover.names, key=f"bytes-{number}"),),
                title=title,
                finding=write_byte_finding(edit),
            )
        )
        blocks.append(_list_fields(handover, edit))
    return Section(key="configuration", title="Configuration records", blocks=tuple(blocks))


def _list_kept(handover: Handover) -> Table:
    rows = []
    for edit in handover.plan.edits:
        for field in edit.fields:
            if field.verdict is FieldVerdict.KEPT:
                note = get_field_note(handover.names, edit.unit, edit.identifier, field.name)
                rows.append(
                    (
                        get_unit_title(handover.names, edit.unit),
                        field.title or field.name,
                        word_value(note, field.result),
                        "nothing" if field.target is None else word_value(note, field.target),
                        field.reason,
                    )
                )
    return Table(
        caption="Kept from the owner",
        head=("Control unit", "Field", "Kept value", "Derived value", "Why"),
        rows=tuple(rows),
    )


def _list_fields(handover: Handover, edit: RecordEdit) -> Table:
    shown = [each for each in edit.fields if each.verdict is not FieldVerdict.UNCHANGED]
    rows = tuple(_row_field(handover, edit, field) for field in shown)
    before, after = edit.before.hex(" ").upper(), edit.after.hex(" ").upper()
    title = get_unit_title(handover.names, edit.unit)
    unchanged = len(edit.fields) - len(shown)
    rows += (("All bytes", before, after, f"{count(unchanged, 'more field')} unchanged", ""),)
    return Table(
        caption=f"Fields of {title}, {edit.record}, record 0x{edit.identifier:04X}",
        head=("Field", "Before", "After", "Decision", "Why"),
        rows=rows,
        code=(1, 2),
    )


def _row_field(handover: Handover, edit: RecordEdit, field: FieldEdit) -> tuple[str, ...]:
    note = get_field_note(handover.names, edit.unit, edit.identifier, field.name)
    before, after = word_value(note, field.current), word_value(note, field.result)
    if field.verdict is FieldVerdict.RECOMPUTED:
        before, after = _word_hex(field.current), _word_hex(field.result)
    return (
        field.title or field.name,
        before,
        after,
        field.verdict.value,
        field.reason,
    )


def _word_hex(raw: int | None) -> str:
    return "not known" if raw is None else f"0x{raw:02X}"


def word_options(handover: Handover, options: tuple[OptionName, ...]) -> str:
    """Option names with their titles, or ``none``."""
    words = []
    for option in options:
        title = get_option_title(handover.names, option)
        words.append(f"{option} ({title})" if title else str(option))
    return ", ".join(words) or "none"
