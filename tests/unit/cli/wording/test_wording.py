"""Records as lines: everything of importance is said, in 88 columns, whatever the texts hold."""

import json
from dataclasses import replace
from typing import Any

from donorfit.cli.columns import measure
from donorfit.cli.plan_wording import word_plan
from donorfit.cli.wording import (
    to_json,
    word_change_record,
    word_finding,
    word_fit_report,
    word_preparation,
    word_proof,
    word_survey,
)
from donorfit.figures.naming import gather_names
from donorfit.records.change_record import StepState
from donorfit.records.encoding import compute_digest
from donorfit.records.finding import Finding, Severity
from donorfit.records.plan import FieldVerdict, PlanPurpose

HOSTILE = "<script>\x1b[2J #eval(1) " + "verylong" * 60 + " \u6f22\u5b57 \u202e"


def squeeze(lines: Any) -> Any:
    return " ".join(" ".join(lines).split())


def say_all(job: Any) -> Any:
    names = gather_names(job.pack, edits=job.plan.edits)
    return {
        "survey": word_survey(job.survey),
        "bench": word_survey(job.bench),
        "report": word_fit_report(job.report),
        "plan": word_plan(job.plan, names),
        "bare plan": word_plan(job.plan),
        "preparation": word_preparation(job.preparation),
        "change": word_change_record(job.change),
        "proof": word_proof(job.proof),
    }


def test_every_line_fits_and_is_ascii(job: Any) -> None:
    for lines in say_all(job).values():
        assert all(measure(line) <= 88 for line in lines)
        assert all(line == line.rstrip() for line in lines)
        assert all(line.isascii() for line in lines)


def test_plan_says_why_for_every_entry(job: Any) -> None:
    text = squeeze(word_plan(job.plan))
    for change in job.plan.option_changes:
        assert change.option in text
        for reason in change.reasons:
            assert f"because {reason}" in text
    assert job.plan.month_reason in text
    for edit in job.plan.edits:
        for field in edit.fields:
            if field.verdict is FieldVerdict.APPLIED:
                assert field.title in text
                assert f"because {field.reason}" in text


def test_plan_counts_and_lists_what_stays_the_owners(job: Any) -> None:
    names = gather_names(job.pack, edits=job.plan.edits)
    text = squeeze(word_plan(job.plan, names))
    assert "Kept from the owner: 6 fields" in text
    assert "Distance of the first tone 150 cm not 200 cm" in text
    kept = [
        field.title
        for edit in job.plan.edits
        for field in edit.fields
        if field.verdict is FieldVerdict.KEPT
    ]
    assert len(kept) == 6
    after = text.split("Kept from the owner: 6 fields")[1].split("Steps, in this order")[0]
    for title in kept:
        assert all(word in after for word in title.split())


def test_plan_names_every_step_and_the_last_easy_way_back(job: Any) -> None:
    lines = word_plan(job.plan)
    for step in job.plan.steps:
        assert any(line.startswith(f"  {step.id} ") for line in lines)
    assert "From s13 on software changes" in squeeze(lines)
    assert any("go on" in line and line.startswith("  s01") for line in lines)


def test_a_plan_without_anything_to_do_says_so(job: Any) -> None:
    plan = replace(
        job.plan, option_changes=(), edits=(), steps=(), supply=None, questions=(), wires=()
    )
    text = squeeze(word_plan(plan))
    assert "Option list: no change" in text
    assert "Steps: none" in text
    assert "the pack says nothing of it" in text


def test_a_supply_that_does_not_hold_and_an_open_question_stand_out(job: Any) -> None:
    plan = replace(
        job.plan,
        supply=replace(job.plan.supply, holds=False),
        questions=(replace(job.plan.questions[0], chosen=""),),
    )
    text = squeeze(word_plan(plan))
    assert "does NOT hold" in text
    assert "1 open" in text
    assert "OPEN" in text


def test_survey_says_who_did_not_answer_and_what_is_unknown(job: Any) -> None:
    text = squeeze(word_survey(job.survey))
    assert "14 of 15 answered" in text
    assert "no answer" in text
    assert "Z777" in text
    assert "U1400-87" in text


def test_survey_shows_another_vin(job: Any, towing_job: Any) -> None:
    units = (replace(job.survey.units[0], vin=towing_job.DONOR_VIN), *job.survey.units[1:])
    text = squeeze(word_survey(replace(job.survey, units=units)))
    assert f"other VIN {towing_job.DONOR_VIN}" in text


def test_stopped_change_and_failed_proof_say_so_first(job: Any) -> None:
    steps = tuple(replace(step, state=StepState.NOT_REACHED) for step in job.change.steps)
    stopped = replace(job.change, finished=False, steps=steps, stop_reason="link lost at s01")
    assert word_change_record(stopped)[0] == "Applied: STOPPED before the end"
    back = word_change_record(replace(stopped, finished=True), PlanPurpose.UNDO)
    assert back[0] == "Taken back: all steps done"
    assert "link lost at s01" in squeeze(word_change_record(stopped))
    backs = (replace(job.proof.read_backs[0], equal=False, read=b"\x01\x02"),)
    failed = replace(job.proof, proved=False, read_backs=backs)
    assert word_proof(failed)[0] == "Proof: NOT proved"
    assert "read 01 02" in squeeze(word_proof(failed))


def test_gravest_findings_come_first(job: Any) -> None:
    findings = (
        Finding(id="a-note", severity=Severity.NOTE, what="A note"),
        Finding(id="a-block", severity=Severity.BLOCKING, what="A block", next_step="Stop"),
    )
    lines = word_survey(replace(job.survey, findings=findings))
    text = squeeze(lines)
    assert text.index("A block") < text.index("A note")
    assert "Findings: 1 blocking finding, 1 note" in text


def test_hostile_texts_are_tamed(job: Any) -> None:
    finding = Finding(
        id=HOSTILE, severity=Severity.WARNING, what=HOSTILE, where=HOSTILE, evidence=(HOSTILE,)
    )
    plan = replace(
        job.plan,
        module=HOSTILE,
        month_reason=HOSTILE,
        findings=(finding,),
        steps=(replace(job.plan.steps[0], id=HOSTILE, what=HOSTILE, unit=HOSTILE),),
        edits=(replace(job.plan.edits[0], record=HOSTILE),),
        questions=(replace(job.plan.questions[0], id=HOSTILE, text=HOSTILE),),
    )
    survey = replace(job.survey, vin=HOSTILE, units=(replace(job.survey.units[0], unit=HOSTILE),))
    change = replace(
        job.change, steps=(replace(job.change.steps[0], step=HOSTILE, detail=HOSTILE),)
    )
    proof = replace(
        job.proof,
        checks=(replace(job.proof.checks[0], answer=HOSTILE, text=HOSTILE),),
        faults=(replace(job.proof.faults[0], title=HOSTILE),),
    )
    for lines in (
        word_finding(finding),
        word_plan(plan),
        word_survey(survey),
        word_change_record(change),
        word_proof(proof),
    ):
        assert all(line.isprintable() or not line for line in lines)
        assert all(measure(line) <= 88 for line in lines)


def test_json_form_has_schema_and_digest(job: Any) -> None:
    for record, schema in (
        (job.survey, "donorfit/survey/1"),
        (job.report, "donorfit/fit-report/1"),
        (job.change, "donorfit/change-record/1"),
    ):
        plain = to_json(record)
        assert plain["schema"] == schema
        assert plain["digest"] == compute_digest(record)
        assert json.loads(json.dumps(plain)) == plain
    assert to_json(job.plan)["month_after"] == "2021-07"


def test_a_reason_that_all_entries_share_is_said_once(job: Any) -> None:
    shared = "restored from the backup made before the work"
    changes = tuple(replace(each, reasons=(shared,)) for each in job.plan.option_changes)
    edits = tuple(
        replace(edit, fields=tuple(replace(field, reason=shared) for field in edit.fields))
        for edit in job.plan.edits
    )
    assert len(changes) > 1
    text = squeeze(word_plan(replace(job.plan, option_changes=changes, edits=edits)))
    assert f"Option list: {shared}" in text
    assert "because restored" not in text.partition("Kept from the owner")[0]
    mixed = (*changes[:-1], replace(changes[-1], reasons=("another",)))
    text = squeeze(word_plan(replace(job.plan, option_changes=mixed)))
    assert text.count(f"because {shared}") == len(changes) - 1
    assert "because another" in text
