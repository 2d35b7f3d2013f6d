"""A plan as lines for a terminal: what changes, why, in which order, and what stays."""

from collections import Counter
from collections.abc import Iterable

from donorfit.cli.columns import clean, count, fold, tabulate
from donorfit.cli.order_wording import word_length, word_steps
from donorfit.cli.wording import word_digest, word_findings, word_list, word_pairs
from donorfit.figures.naming import get_field_note, get_option_title, get_unit_title, word_value
from donorfit.records.encoding import compute_digest
from donorfit.records.handover import Names
from donorfit.records.plan import (
    ExpectedFault,
    FaultPhase,
    FieldEdit,
    FieldVerdict,
    Plan,
    PlanPurpose,
    RecordEdit,
    SupplyForecast,
)
from donorfit.vehicle.fault_code import write_fault_code

NO_NAMES = Names()

_QUIET = frozenset((FieldVerdict.UNCHANGED, FieldVerdict.KEPT))
"""Verdicts of fields that are counted and not listed one by one."""

_TITLES = {PlanPurpose.RETROFIT: "Plan: retrofit of", PlanPurpose.UNDO: "Plan: take back"}


def word_plan(plan: Plan, names: Names = NO_NAMES) -> list[str]:
    """The whole plan, entry by entry with its reason."""
    lines = [
        *_word_head(plan),
        *_word_options(plan, names),
        *_word_edits(plan, names),
        *word_steps(plan),
        *_word_supply(plan.supply),
        *_word_wires(plan),
        *_word_faults(plan),
        *_word_checks(plan),
        *_word_cautions(plan),
        *_word_questions(plan),
        *word_findings(plan.findings),
    ]
    digest = compute_digest(plan)
    return [*lines, "", f"Digest of this plan: {word_digest(digest)}"]


def _word_head(plan: Plan) -> list[str]:
    added = sum(change.declared for change in plan.option_changes)
    removed = len(plan.option_changes) - added
    month = str(plan.month_before or "not known")
    if plan.month_after != plan.month_before:
        month += f" -> {plan.month_after or 'not known'}: {plan.month_reason}"
    changes = f"{len(plan.options_before)} -> {len(plan.options_after)}"
    units = count(len({step.unit for step in plan.steps}), "control unit")
    return [
        *fold(f"{_TITLES[plan.purpose]} {plan.module}"),
        *word_pairs(
            (
                ("VIN", plan.vin),
                ("build month", month),
                ("options", f"{changes} declared: {added} added, {removed} taken out"),
                ("records", count(len(plan.edits), "configuration record") + " edited"),
                (
                    "steps",
                    f"{len(plan.steps)} on {units}, about {word_length(plan.seconds)}",
                ),
                ("restores", word_digest(plan.preparation_digest) if _undoes(plan) else ""),
            )
        ),
    ]


def _undoes(plan: Plan) -> bool:
    return plan.purpose is PlanPurpose.UNDO


def _word_options(plan: Plan, names: Names) -> list[str]:
    if not plan.option_changes:
        return ["", "Option list: no change"]
    shared = _find_shared_reason(change.reasons for change in plan.option_changes)
    lines = ["", *fold(f"Option list: {shared}" if shared else "Option list", rest="  ")]
    for change in plan.option_changes:
        title = get_option_title(names, change.option)
        text = f"{change.option} - {title}" if title else str(change.option)
        lines += fold(text, first="  + add      " if change.declared else "  - take out ")
        if shared:
            continue
        first, *more = change.reasons or ("no reason was recorded",)
        lines += fold(first, first=" " * 13 + "because ", rest=" " * 15)
        for reason in more:
            lines += fold(reason, first=" " * 15, rest=" " * 17)
    return lines


def _find_shared_reason(reasons: Iterable[tuple[str, ...]]) -> str:
    """The one reason that several entries all have, said once above them; else an empty text."""
    given = list(reasons)
    alike = len(given) > 1 and len(set(given)) == 1 and len(given[0]) == 1
    return given[0][0] if alike else ""


def _word_edits(plan: Plan, names: Names) -> list[str]:
    if not plan.edits:
        return []
    counts = Counter(field.verdict for edit in plan.edits for field in edit.fields)
    said = [f"{counts[verdict]} {verdict.value}" for verdict in FieldVerdict if counts[verdict]]
    told = [field for edit in plan.edits for field in edit.fields if field.verdict not in _QUIET]
    shared = _find_shared_reason((field.reason,) for field in told)
    head = f"Fields of the configuration records: {word_list(said)}"
    lines = ["", *fold(f"{head}; {shared}" if shared else head, rest="  ")]
    for edit in plan.edits:
        lines += _word_edit(edit, names, shared)
    return lines + _word_kept(plan, names)


def _word_kept(plan: Plan, names: Names) -> list[str]:
    """Every field that stays as the owner has it, counted, with what it would be otherwise."""
    rows, reasons = [], Counter[str]()
    for edit in plan.edits:
        for field in edit.fields:
            if field.verdict is FieldVerdict.KEPT:
                note = get_field_note(names, edit.unit, edit.identifier, field.name)
                rows.append(
                    (
                        edit.unit,
                        field.title or field.name,
                        word_value(note, field.result),
                        "" if field.target is None else f"not {word_value(note, field.target)}",
                    )
                )
                reasons[field.reason] += 1
    lines = ["", f"Kept from the owner: {count(len(rows), 'field')}", *tabulate(rows)]
    for reason, times in reasons.items():
        if reason:
            lines += fold(f"{reason} ({count(times, 'field')})", first="  because ", rest="  ")
    return lines


def _word_edit(edit: RecordEdit, names: Names, shared: str) -> list[str]:
    title = get_unit_title(names, edit.unit)
    lines = fold(f"{title}, {edit.record} (0x{edit.identifier:04X})", first="  ")
    quiet = 0
    for field in edit.fields:
        if field.verdict is FieldVerdict.UNCHANGED:
            quiet += 1
        elif field.verdict is not FieldVerdict.KEPT:
            lines += _word_field(edit, field, names, shared)
    kept = sum(field.verdict is FieldVerdict.KEPT for field in edit.fields)
    rest = [f"{kept} kept from the owner"] if kept else []
    rest += [f"{quiet} unchanged"] if quiet else []
    return lines + (fold("; ".join(rest), first="    ") if rest else [])


def _word_field(edit: RecordEdit, field: FieldEdit, names: Names, shared: str) -> list[str]:
    note = get_field_note(names, edit.unit, edit.identifier, field.name)
    before, after = word_value(note, field.current), word_value(note, field.result)
    if field.verdict is FieldVerdict.RECOMPUTED:
        before, after = _word_hex(field.current), _word_hex(field.result)
    values = after if field.current == field.result else f"{before} -> {after}"
    verdict = "" if field.verdict is FieldVerdict.APPLIED else f" ({field.verdict.value})"
    lines = fold(f"{field.title or field.name}: {values}{verdict}", first="    ", rest="      ")
    if field.reason and field.reason != shared:
        lines += fold(field.reason, first="      because ", rest="      ")
    return lines


def _word_hex(raw: int | None) -> str:
    return "not known" if raw is None else f"0x{raw:02X}"


def _word_supply(supply: SupplyForecast | None) -> list[str]:
    if supply is None:
        return ["", "Supply: the pack says nothing of it"]
    verdict = "holds with support" if supply.holds else "does NOT hold"
    return [
        "",
        f"Supply: {verdict}",
        *word_pairs(
            (
                ("needed", f"a support of at least {supply.support_current_a:.0f} A continuous"),
                ("session", f"{supply.minutes:.0f} min, {supply.charge_ah:.1f} Ah"),
                ("peak", f"{supply.peak_current_a:.0f} A"),
                ("lowest", f"{supply.lowest_volts:.2f} V with support"),
                ("", f"{supply.lowest_volts_unsupported:.2f} V on the battery alone"),
                (
                    "window",
                    f"{supply.window_low_volts:.2f} to {supply.window_high_volts:.2f} V",
                ),
                ("table", supply.source),
            )
        ),
    ]


def _word_wires(plan: Plan) -> list[str]:
    if not plan.wires:
        return []
    lines = ["", f"Wires: {len(plan.wires)}"]
    for wire in plan.wires:
        fuse = f"{wire.fuse_a:g} A fuse" if wire.fuse_a else "no fuse of its own"
        ends = f"{wire.host_cavity or 'new wire'} -> {wire.module_cavity}"
        lines += fold(f"{ends}: {wire.purpose}", first="  - ")
        size = f"{wire.cross_section_mm2:g} mm2, {fuse}, {wire.length_m:g} m"
        lines += fold("; ".join(each for each in (size, wire.note) if each), first=" " * 4)
    return lines


def _word_faults(plan: Plan) -> list[str]:
    """Expected fault codes by when they are expected, and by their cause."""
    if not plan.expected_faults:
        return []
    lines = ["", f"Fault codes to expect: {len(plan.expected_faults)}"]
    for phase in FaultPhase:
        causes: dict[str, list[ExpectedFault]] = {}
        for fault in plan.expected_faults:
            if fault.phase is phase:
                causes.setdefault(fault.cause, []).append(fault)
        if causes:
            lines.append(f"  {phase.value}: {sum(map(len, causes.values()))}")
        for cause, faults in causes.items():
            lines += fold(cause, first="    because ", rest="      ")
            for fault in faults:
                first = f"      {write_fault_code(fault.code)}  "
                lines += fold(f"{fault.title} ({fault.unit})", first=first)
    return lines


def _word_checks(plan: Plan) -> list[str]:
    if not plan.checks:
        return []
    lines = ["", "To check by hand afterwards"]
    for check in plan.checks:
        lines += fold(check.text, first="  - ")
    return lines


def _word_cautions(plan: Plan) -> list[str]:
    if not plan.cautions:
        return []
    lines = ["", f"Cautions, to be confirmed before anything is written: {len(plan.cautions)}"]
    for caution in plan.cautions:
        lines += fold(f"{caution.text} [{caution.id}]", first="  ! ")
        where = word_list(caution.jurisdictions)
        because = f"because {caution.because}; " if caution.because else ""
        lines += fold(f"{because}{where}; {caution.source}, seen {caution.seen}", first=" " * 4)
    return lines


def _word_questions(plan: Plan) -> list[str]:
    if not plan.questions:
        return []
    still_open = sum(not question.chosen for question in plan.questions)
    lines = ["", f"Questions for the owner: {len(plan.questions)}, {still_open} open"]
    for question in plan.questions:
        answer = f"answered: {question.chosen}" if question.chosen else "OPEN"
        lines += fold(f"{question.text} [{clean(question.id)}]", first="  ? ")
        lines += fold(f"{answer}; choices: {word_list(question.choices)}", first=" " * 4)
    return lines
