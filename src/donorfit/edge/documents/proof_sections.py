"""Sections that show the result and the way back: faults, checks, backups, digests, recipe."""

import hashlib

from donorfit.edge.documents.content import (
    Block,
    Entry,
    Listing,
    Notice,
    Paragraph,
    Picture,
    Section,
    Table,
)
from donorfit.edge.documents.job_sections import word_options
from donorfit.edge.documents.work_sections import list_programmed
from donorfit.figures.fault_flow import draw_fault_flow, write_fault_finding
from donorfit.figures.naming import get_unit_title
from donorfit.records.counted import count
from donorfit.records.finding import Finding, Severity
from donorfit.records.handover import Handover
from donorfit.records.plan import PlanPurpose
from donorfit.vehicle.fault_code import write_fault_code

_MOST_BYTES = 32
_FIRST_BYTES = 8
_ORDER = (Severity.BLOCKING, Severity.WARNING, Severity.NOTE)


def make_faults(handover: Handover) -> Section:
    """Fault codes before and after with verdicts; before a proof, those that were expected."""
    names, proof = handover.names, handover.proof
    if proof is None:
        expected = tuple(
            (
                write_fault_code(fault.code),
                get_unit_title(names, fault.unit),
                fault.title,
                fault.phase.value,
                fault.cause,
            )
            for fault in handover.plan.expected_faults
        )
        table = Table(
            caption="Fault codes to expect",
            head=("Code", "Control unit", "Title", "When", "Cause"),
            rows=expected,
            code=(0,),
        )
        text = "Nothing was proved yet, so fault codes after the work are not known."
        return Section(key="faults", title="Fault codes", blocks=(Paragraph(text=text), table))
    rows = tuple(
        (
            write_fault_code(fault.code),
            get_unit_title(names, fault.unit),
            fault.title,
            _word_status(fault.status_before),
            _word_status(fault.status_after),
            fault.verdict.value,
            fault.explanation,
        )
        for fault in proof.faults
    )
    return Section(
        key="faults",
        title="Fault codes",
        blocks=(
            Picture(
                sheets=(draw_fault_flow(proof, names),),
                title="Fault codes before and after",
                finding=write_fault_finding(proof),
            ),
            Table(
                caption="Fault codes (SAE J2012) with status bytes (ISO 14229-1)",
                head=("Code", "Control unit", "Title", "Before", "After", "Verdict", "Why"),
                rows=rows,
                code=(0, 3, 4),
            ),
        ),
    )


def _word_status(status: int | None) -> str:
    return "not listed" if status is None else f"0x{status:02X}"


def make_checks(handover: Handover) -> Section:
    """What was read back and what a person checked."""
    if handover.proof is None:
        items = tuple(check.text for check in handover.plan.checks)
        text = "Nothing was proved yet. These checks by hand are still to be made:"
        blocks: tuple[Block, ...] = (Paragraph(text=text), Listing(items=items or ("none",)))
        return Section(key="checks", title="Read back and checks by hand", blocks=blocks)
    backs = tuple(
        (
            get_unit_title(handover.names, back.unit),
            f"0x{back.identifier:04X}",
            _word_bytes(back.expected),
            _word_bytes(back.read) if not back.equal else "the same",
            "equal" if back.equal else "DIFFERS",
        )
        for back in handover.proof.read_backs
    )
    checks = tuple((check.text, check.answer) for check in handover.proof.checks)
    tables = [
        Table(
            caption="Read back",
            head=("Control unit", "Identifier", "Planned", "Read", "Result"),
            rows=backs,
            code=(1, 2, 3),
        )
    ]
    if checks:
        tables.append(
            Table(
                caption="Checks by hand",
                head=("Check", "Answer"),
                rows=checks,
            )
        )
    return Section(key="checks", title="Read back and checks by hand", blocks=tuple(tables))


def _word_bytes(data: bytes) -> str:
    """Bytes as hex; long ones by their beginning, length and digest."""
    if len(data) <= _MOST_BYTES:
        return data.hex(" ").upper()
    digest = hashlib.sha256(data).hexdigest()
    start = data[:_FIRST_BYTES].hex(" ").upper()
    return f"{start} ... ({count(len(data), 'byte')}, SHA-256 {digest})"


def make_way_back(handover: Handover) -> Section:
    """How to go back: the backups, and what they cannot bring back."""
    preparation = handover.preparation
    undone = handover.plan.purpose is PlanPurpose.UNDO
    text = (
        "This work took an earlier one back. The backups below were made right before it: they "
        "hold what the earlier work had written. The backup that was restored stands in the "
        "record of that work, and in the job file."
        if undone
        else "Going back is a plan of its own, made from the backup and carried out step by step "
        "like this one: run donorfit undo with the job file, look at the plan, confirm it. "
        "Nothing is erased from the job file by it."
    )
    rows = tuple(
        (
            get_unit_title(handover.names, backup.unit),
            f"0x{backup.identifier:04X}",
            str(len(backup.data)),
            backup.sha256,
        )
        for backup in preparation.backups
    )
    blocks: list[Block] = [
        Paragraph(text=text),
        Table(
            caption="Backups, each read twice and found equal",
            head=("Control unit", "Identifier", "Bytes", "SHA-256"),
            rows=rows,
            code=(1, 2, 3),
        ),
    ]
    programmed = list_programmed(handover.plan.steps)
    if programmed:
        label = "Software"
        text = (
            "The backup holds configuration, not software. Changed: "
            + "; ".join(programmed)
            + ". "
            "Going back to older software needs that software in the pack."
        )
        blocks.append(Notice(label=label, text=text))
    return Section(key="way-back", title="How to go back", blocks=tuple(blocks))


def make_units(handover: Handover) -> Section:
    """Control units as they were read before the work."""
    rows = tuple(
        (
            get_unit_title(handover.names, unit.unit),
            f"0x{unit.address:04X}",
            "yes" if unit.answered else "no",
            unit.serial or "-",
            unit.hardware or "-",
            unit.software or "-",
            str(len(unit.faults)),
        )
        for unit in handover.survey.units
    )
    head = ("Control unit", "Address", "Answered", "Serial", "Hardware", "Software", "Faults")
    table = Table(
        caption=f"Control units, survey of {handover.survey.taken_at or 'no stated time'}",
        head=head,
        rows=rows,
        code=(1, 3),
    )
    return Section(key="units", title="Control units before the work", blocks=(table,))


def make_chain(handover: Handover) -> Section:
    """Digests of every record, so that each can be told from any other."""
    times = {
        "survey": handover.survey.taken_at,
        "bench survey": handover.bench.taken_at if handover.bench else "",
        "preparation": handover.preparation.prepared_at,
        "proof": handover.proof.proved_at if handover.proof else "",
        **{f"renewal {n}": each.looked_at for n, each in enumerate(handover.renewals, start=1)},
    }
    rows = tuple((name, times.get(name) or "-", digest) for name, digest in handover.digests)
    text = (
        "Each record carries the digest of those it was made from; this chain was checked when "
        "this document was made."
    )
    table = Table(
        caption="Records of this job, SHA-256 of their canonical JSON (RFC 8785)",
        head=("Record", "Time", "Digest"),
        rows=rows,
        code=(2,),
    )
    return Section(key="chain", title="Chain of records", blocks=(Paragraph(text=text), table))


def make_recipe_section(handover: Handover) -> Section:
    """The same job for the next car, without identity."""
    if handover.plan.purpose is PlanPurpose.UNDO:
        text = "A way back is made from the backup of one car, so it leaves no recipe for another."
        return Section(key="recipe", title="Recipe", blocks=(Paragraph(text=text),))
    recipe = handover.recipe
    fields = tuple(
        (unit, record, field, _word_raw(base), _word_raw(target))
        for unit, record, field, base, target in recipe.fields
    )
    software = tuple(f"{unit}: {version}" for unit, version in recipe.software)
    blocks: list[Block] = [
        Paragraph(
            text="The recipe repeats this job on the next car of the family. It holds no VIN and "
            "no serial number. The next car is still read, checked and planned anew."
        ),
        Table(
            caption="Recipe",
            head=("What", "Value"),
            rows=(
                ("Pack", f"{recipe.pack}, digest {recipe.pack_digest}"),
                ("Module", recipe.module),
                ("Build month", f"{recipe.month_before or '?'} to {recipe.month_after or '?'}"),
                ("Options added", word_options(handover, recipe.options_added)),
                ("Options taken out", word_options(handover, recipe.options_removed)),
                ("Software", "; ".join(software) or "none"),
                ("Proved", "yes" if recipe.proved else "no"),
            ),
        ),
    ]
    if fields:
        blocks.append(
            Table(
                caption="Derived fields that change, as raw values",
                head=("Control unit", "Record", "Field", "Before", "After"),
                rows=fields,
                code=(2, 3, 4),
            )
        )
    if recipe.steps:
        blocks.append(Paragraph(text="Deeds in their order:"))
        blocks.append(Listing(items=recipe.steps, numbered=True))
    return Section(key="recipe", title="Recipe for the next car", blocks=tuple(blocks))


def _word_raw(value: int | None) -> str:
    return "not known" if value is None else str(value)


def make_findings(handover: Handover) -> Section:
    """Everything else that the records have to say, and the owner's answers."""
    sources = (
        ("survey", handover.survey.findings),
        ("fit report", handover.report.findings),
        ("plan", handover.plan.findings),
        ("preparation", handover.preparation.findings),
        ("proof", handover.proof.findings if handover.proof else ()),
    )
    # the same thing said by two records is one entry, in the words of the later one
    found: dict[tuple[str, str, str], list[tuple[str, Finding]]] = {}
    for name, findings in sources:
        for finding in findings:
            key = (finding.id, finding.what, finding.where)
            found.setdefault(key, []).append((name, finding))
    blocks: list[Block] = []
    if found:
        blocks += [_make_entry(said) for said in sorted(found.values(), key=_weigh_entry)]
    else:
        blocks.append(Paragraph(text="No record holds a finding."))
    questions = handover.plan.questions
    if questions:
        rows = tuple((each.text, each.chosen or "not answered") for each in questions)
        blocks.append(
            Table(
                caption="Questions that only the owner could decide",
                head=("Question", "Answer"),
                rows=rows,
            )
        )
    return Section(key="findings", title="Findings and answers", blocks=tuple(blocks))


def _weigh_entry(said: list[tuple[str, Finding]]) -> int:
    return min(_ORDER.index(finding.severity) for _, finding in said)


def _make_entry(said: list[tuple[str, Finding]]) -> Entry:
    finding = said[-1][1]
    parts = (
        ("Where", finding.where),
        ("Why", finding.why),
        ("Seen", "; ".join(finding.evidence)),
        ("To do", finding.next_step),
    )
    return Entry(
        label="; ".join(f"{each.severity.value} in {name}" for name, each in said),
        title=finding.what,
        parts=tuple(part for part in parts if part[1]),
    )
