"""Records as lines for a terminal: pure functions, at most 88 columns, signs of ASCII only.

Texts that come from a pack, a car or a person are folded and freed of control characters.
"""

import json
from collections import Counter
from collections.abc import Iterable
from typing import Any

from donorfit.cli.columns import clean, count, fold, tabulate
from donorfit.records.change_record import ChangeRecord, StepState
from donorfit.records.encoding import compute_digest, encode
from donorfit.records.finding import Finding, Severity
from donorfit.records.fit_report import FitLine, FitReport, Verdict
from donorfit.records.plan import PlanPurpose
from donorfit.records.preparation import Preparation
from donorfit.records.proof import FaultVerdict, Proof
from donorfit.records.survey import Survey, SurveyKind, UnitSurvey
from donorfit.vehicle.fault_code import write_fault_code

SHORT_DIGEST = 12

_SURVEY_TITLES = {
    SurveyKind.CAR: "Survey of the car",
    SurveyKind.BENCH: "Survey of the module on the bench",
    SurveyKind.DECLARED: "Survey as declared",
}
_VERDICT_MARKS = {
    Verdict.MET: "+",
    Verdict.AFTER_CHANGE: "~",
    Verdict.IMPOSSIBLE: "x",
    Verdict.UNKNOWN: "?",
}
_VERDICT_ORDER = (Verdict.IMPOSSIBLE, Verdict.UNKNOWN, Verdict.AFTER_CHANGE, Verdict.MET)
_STEP_MARKS = {
    StepState.DONE: "+",
    StepState.ALREADY: "=",
    StepState.REFUSED: "x",
    StepState.DIFFERS: "x",
    StepState.UNCERTAIN: "?",
    StepState.NOT_REACHED: ".",
    StepState.NOT_BEGUN: ".",
    StepState.SKIPPED: ".",
}
_MANY_ALIKE = 3
_SEVERITIES = (Severity.BLOCKING, Severity.WARNING, Severity.NOTE)


def to_json(record: object) -> dict[str, Any]:
    """The record as plain JSON values, with the name of its schema and its own digest."""
    name = type(record).__name__
    words = "".join(f"-{sign.lower()}" if sign.isupper() else sign for sign in name).strip("-")
    plain = json.loads(encode(record))
    return {"schema": f"donorfit/{words}/1", "digest": compute_digest(record), **plain}


def word_digest(digest: str) -> str:
    """The beginning of a digest, enough to tell records apart; ``none`` where there is none."""
    return digest[:SHORT_DIGEST] or "none"


def word_finding(finding: Finding) -> list[str]:
    """One finding: severity and sentence, then where, why, evidence and what to do."""
    label = f"{finding.severity.value}: "
    lines = fold(f"{finding.what} [{finding.id}]", first=f"  {label}", rest="    ")
    parts = [("where", finding.where), ("why", finding.why)]
    parts += [("seen", each) for each in finding.evidence]
    parts.append(("do", finding.next_step))
    for name, text in parts:
        if text:
            lines += fold(text, first=f"    {name + ':':<7}")
    return lines


def word_findings(findings: Iterable[Finding]) -> list[str]:
    """All findings, the gravest first, under a line that counts them; nothing where none is."""
    ordered = sorted(findings, key=lambda each: _SEVERITIES.index(each.severity))
    if not ordered:
        return []
    counts = Counter(each.severity for each in ordered)
    said = [
        count(counts[each], each.value if each is not Severity.BLOCKING else "blocking finding")
        for each in _SEVERITIES
        if counts[each]
    ]
    lines = ["", f"Findings: {', '.join(said)}"]
    for finding in ordered:
        lines += word_finding(finding)
    return lines


def word_pairs(pairs: Iterable[tuple[str, str]]) -> list[str]:
    """Labels and what stands behind them, aligned; pairs without a text are left out."""
    return tabulate([pair for pair in pairs if pair[1]])


def word_list(texts: Iterable[str]) -> str:
    """Texts with commas, or ``none``."""
    return ", ".join(texts) or "none"


def word_survey(survey: Survey) -> list[str]:
    """A car, or a module, as it was read: what it declares, who answered, what is odd."""
    unknown = [
        entry for unit in survey.units if unit.option_list for entry in unit.option_list.unknown
    ]
    options = f"{len(survey.options)} declared"
    if unknown:
        entries = count(len(unknown), "entry", "entries")
        options += f"; {entries} that the pack does not know: {word_list(unknown)}"
    bench = survey.kind is SurveyKind.BENCH
    lines = [f"{_SURVEY_TITLES[survey.kind]}"]
    lines += word_pairs(
        (
            ("VIN", survey.vin or ("none in it" if bench else "not known")),
            ("taken", survey.taken_at),
            ("pack", f"{survey.pack}, digest {word_digest(survey.pack_digest)}"),
            ("build month", "" if bench else str(survey.month or "not known")),
            ("options", "" if bench else options),
            (
                "fitted",
                ", ".join(survey.fitted) + " (as the person says)" if survey.fitted else "",
            ),
            ("not fitted", ", ".join(survey.not_fitted)),
            ("supply", "" if survey.supply_volts is None else f"{survey.supply_volts:.2f} V"),
            ("digest", word_digest(compute_digest(survey))),
        )
    )
    if survey.units:
        answered = sum(unit.answered for unit in survey.units)
        lines += ["", f"Control units: {answered} of {len(survey.units)} answered"]
        head = ("unit", "address", "software", "hardware", "records", "faults", "remarks")
        common = _find_common_silence(survey)
        rows = [_row_unit(unit, survey, common) for unit in survey.units]
        lines += tabulate(rows, head=head, right=(4, 5))
        if common:
            lines += fold(f"No answer, where nothing else is said: {common}", first="  ")
    lines += _word_faults_read(survey)
    return lines + word_findings(survey.findings)


def _say_silence(unit: UnitSurvey) -> str:
    """Why a unit did not answer; it is asked for its VIN first, and for nothing else then."""
    return "; ".join(each.removeprefix("VIN: ") for each in unit.refusals)


def _find_common_silence(survey: Survey) -> str:
    """The reason that many silent units share, so that it need not stand in every row."""
    reasons = Counter(_say_silence(unit) for unit in survey.units if not unit.answered)
    for reason, number in reasons.most_common(1):
        return reason if number >= _MANY_ALIKE else ""
    return ""


def _row_unit(unit: UnitSurvey, survey: Survey, common: str) -> tuple[str, ...]:
    address = f"0x{unit.address:04X}"
    if not unit.answered:
        why = _say_silence(unit)
        return (unit.unit, address, "no answer", "", "", "", "" if why == common else why)
    remarks = []
    if unit.option_list is not None:
        remarks.append(f"option list, {unit.option_list.month or 'no month in it'}")
    if unit.vin and survey.vin and unit.vin != survey.vin:
        remarks.append(f"other VIN {unit.vin}")
    if unit.refusals:
        remarks.append(f"{len(unit.refusals)} refused: {'; '.join(unit.refusals)}")
    counts = (str(len(unit.records)), str(len(unit.faults)))
    return (unit.unit, address, unit.software, unit.hardware, *counts, "; ".join(remarks))


def _word_faults_read(survey: Survey) -> list[str]:
    rows = [
        (unit.unit, write_fault_code(fault.code), f"status 0x{fault.status:02X}")
        for unit in survey.units
        for fault in unit.faults
    ]
    return ["", f"Fault codes: {len(rows)}", *tabulate(rows)] if rows else []


def word_fit_report(report: FitReport) -> list[str]:
    """Requirement by requirement, each with its verdict, reason and change."""
    lines = fold(f"Fit check of {report.module}: {report.verdict.value}")
    lines.append(
        "  It works as it stands." if report.as_it_stands else "  It does not work as it stands."
    )
    counts = Counter(line.verdict for line in report.lines)
    said = [f"{counts[each]} {each.value}" for each in Verdict if counts[each]]
    lines += ["", f"Requirements: {word_list(said)}"]
    for line in sorted(report.lines, key=lambda each: _VERDICT_ORDER.index(each.verdict)):
        lines += _word_met(line) if line.verdict is Verdict.MET else _word_requirement(line)
    lines.append("  + met   ~ met after a change   x not possible   ? unknown")
    lines += word_findings(report.findings)
    return [*lines, "", f"Digest of this fit report: {word_digest(compute_digest(report))}"]


def _word_requirement(line: FitLine) -> list[str]:
    first = f"  {_VERDICT_MARKS[line.verdict]} {line.verdict.value:<18} "
    lines = fold(f"{line.title} ({line.subject.value})", first=first)
    lines += fold(line.reason, first=" " * 8) if line.reason else []
    lines += fold(line.change, first="        change: ") if line.change else []
    for each in line.evidence:
        lines += fold(each, first="        seen: ")
    return lines


def _word_met(line: FitLine) -> list[str]:
    """What is met, in short; what it rests on stands in the record."""
    return fold(f"{line.title}: {line.reason}", first=f"  {_VERDICT_MARKS[line.verdict]} ")


def word_preparation(preparation: Preparation) -> list[str]:
    """Backups, supply, identities, and whether the plan may be applied."""
    lines = ["Preparation: ready" if preparation.ready else "Preparation: NOT ready"]
    support = preparation.support_current_a
    volts = preparation.supply_volts
    lines += word_pairs(
        (
            ("VIN", preparation.vin),
            ("made at", preparation.prepared_at),
            ("plan", word_digest(preparation.plan_digest)),
            ("supply", "not measured" if volts is None else f"{volts:.2f} V"),
            ("support", "not said" if support is None else f"{support:g} A continuous"),
            ("cautions", word_list(preparation.cautions_confirmed) + " confirmed"),
            ("digest", word_digest(compute_digest(preparation))),
        )
    )
    if preparation.wake_checks:
        met = sum(each.met for each in preparation.wake_checks)
        conditions = count(len(preparation.wake_checks), "condition")
        lines += ["", f"Kept awake: {met} of {conditions} met"]
        lines += tabulate(
            [
                ("+" if each.met else "x", each.text, each.shown_by)
                for each in preparation.wake_checks
            ]
        )
    backups = preparation.backups
    size = sum(len(each.data) for each in backups)
    lines += ["", f"Backups: {count(len(backups), 'record')}, {count(size, 'byte')}, read twice"]
    lines += tabulate(
        [
            (
                each.unit,
                f"0x{each.identifier:04X}",
                f"{len(each.data)} B",
                f"SHA-256 {word_digest(each.sha256)}",
            )
            for each in backups
        ],
        right=(2,),
    )
    lines += ["", f"Identities: {count(len(preparation.identities), 'control unit')} compared"]
    lines += tabulate(
        [
            (each.unit, each.serial or "no serial", each.hardware, each.software)
            for each in preparation.identities
        ],
        head=("unit", "serial", "hardware", "software"),
    )
    return lines + word_findings(preparation.findings)


def word_change_record(
    change: ChangeRecord, purpose: PlanPurpose = PlanPurpose.RETROFIT
) -> list[str]:
    """Step by step what was done, and where it stands now."""
    counts = Counter(step.state for step in change.steps)
    said = [f"{counts[state]} {state.value}" for state in StepState if counts[state]]
    deed = "Taken back" if purpose is PlanPurpose.UNDO else "Applied"
    lines = [f"{deed}: {'all steps done' if change.finished else 'STOPPED before the end'}"]
    lines += word_pairs(
        (
            ("VIN", change.vin),
            ("plan", word_digest(change.plan_digest)),
            ("preparation", word_digest(change.preparation_digest)),
            ("steps", word_list(said)),
            ("changed", word_list(change.changed)),
            ("stopped", change.stop_reason),
            ("digest", word_digest(compute_digest(change))),
        )
    )
    lines.append("")
    for step in change.steps:
        first = f"  {_STEP_MARKS[step.state]} {clean(step.step):<4} "
        again = f"looked again {count(step.looked_again, 'time')}" if step.looked_again else ""
        state = "" if step.state is StepState.DONE else step.state.value
        remark = "; ".join(part for part in (state, step.detail, again) if part)
        deed = f"{step.unit}: {step.what}"
        lines += fold(f"{deed} - {remark}" if remark else deed, first=first)
    return lines


def word_proof(proof: Proof) -> list[str]:
    """Read back, fault codes before and after, checks by hand."""
    equal = sum(each.equal for each in proof.read_backs)
    lines = ["Proof: proved" if proof.proved else "Proof: NOT proved"]
    lines += word_pairs(
        (
            ("VIN", proof.vin),
            ("made at", proof.proved_at),
            ("plan", word_digest(proof.plan_digest)),
            ("change", word_digest(proof.change_digest)),
            ("read back", f"{equal} of {count(len(proof.read_backs), 'record')} as planned"),
            (
                "supply",
                "not read" if proof.supply_volts is None else f"{proof.supply_volts:.2f} V",
            ),
            ("digest", word_digest(compute_digest(proof))),
        )
    )
    for each in proof.read_backs:
        if not each.equal:
            lines += fold(f"{each.unit} 0x{each.identifier:04X} differs", first="  x ")
            lines += fold(each.expected.hex(" ").upper(), first="      expected ")
            lines += fold(each.read.hex(" ").upper(), first="      read     ")
    counts = Counter(each.verdict for each in proof.faults)
    said = [f"{counts[verdict]} {verdict.value}" for verdict in FaultVerdict if counts[verdict]]
    lines += ["", f"Fault codes: {word_list(said)}"]
    for fault in proof.faults:
        statuses = f"{_word_status(fault.status_before)} > {_word_status(fault.status_after)}"
        first = f"  {write_fault_code(fault.code)}  {statuses:<12}  "
        text = f"{fault.verdict.value}: {fault.title} ({fault.unit})"
        lines += fold(f"{text} - {fault.explanation}" if fault.explanation else text, first=first)
    if proof.checks:
        lines += ["", f"Checks by hand: {len(proof.checks)}"]
        for check in proof.checks:
            lines += fold(check.text, first=f"  {clean(check.answer):<5} ")
    return lines + word_findings(proof.findings)


def _word_status(status: int | None) -> str:
    return "none" if status is None else f"0x{status:02X}"
