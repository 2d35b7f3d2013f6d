"""What was done stays said, from one change record to the next."""

import sys
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import pytest

sys.path.insert(0, str(Path(__file__).parent))
from toys import make_plan, make_preparation

from donorfit.job.earlier_runs import (
    doubt_begun,
    forbid_over_begun_download,
    keep_earlier,
    presume_change,
    tell_what_stays,
    warn_of_begun,
)
from donorfit.records.change_record import ChangeRecord, StepResult, StepState
from donorfit.records.encoding import compute_digest
from donorfit.records.finding import Severity
from donorfit.records.plan import StepKind
from donorfit.records.survey import Survey, SurveyKind, UnitSurvey
from donorfit.vehicle.identity import Address, UnitId

PLAN = make_plan()
PREPARATION = make_preparation(PLAN)
STATES = StepState


def make_change(*states: StepState, changed=()) -> ChangeRecord:
    steps = tuple(
        StepResult(
            step=step.id,
            unit=step.unit,
            what=step.what,
            state=state,
            detail="" if state is STATES.NOT_REACHED else "seen",
        )
        for step, state in zip(PLAN.steps, states, strict=True)
    )
    return ChangeRecord(
        plan_digest=compute_digest(PLAN),
        preparation_digest=compute_digest(PREPARATION),
        vin=PLAN.vin,
        steps=steps,
        finished=False,
        changed=changed,
        stop_reason="stopped",
    )


NOTHING = make_change(*[STATES.NOT_REACHED] * 5)
HALF = make_change(
    STATES.DONE,
    STATES.DIFFERS,
    STATES.REFUSED,
    STATES.NOT_REACHED,
    STATES.NOT_REACHED,
    changed=("one", "two"),
)


def test_a_run_that_reached_nothing_keeps_what_the_one_before_did() -> None:
    kept = keep_earlier(NOTHING, HALF, PLAN)
    # Nobody has looked at them since.
    assert [step.state for step in kept.steps] == [
        STATES.UNCERTAIN,
        STATES.UNCERTAIN,
        STATES.NOT_REACHED,
        STATES.NOT_REACHED,
        STATES.NOT_REACHED,
    ]
    assert kept.changed == ("one", "two")
    assert kept.steps[0].detail == "seen (so in an earlier run)"
    assert kept.stop_reason == "stopped"


def test_it_is_said_once_however_often_it_is_kept() -> None:
    twice = keep_earlier(NOTHING, keep_earlier(NOTHING, HALF, PLAN), PLAN)
    assert twice.steps[0].detail == "seen (so in an earlier run)"
    assert twice.changed == ("one", "two")


def test_what_the_newest_run_saw_counts() -> None:
    newer = make_change(
        STATES.ALREADY, STATES.REFUSED, *[STATES.NOT_REACHED] * 3, changed=("one",)
    )
    kept = keep_earlier(newer, HALF, PLAN)
    # Refused now, and neither old nor new before: nobody knows.
    assert [step.state for step in kept.steps[:2]] == [STATES.ALREADY, STATES.UNCERTAIN]
    assert kept.changed == ("one", "two")


def test_a_first_run_has_nothing_to_keep() -> None:
    assert keep_earlier(NOTHING, None, PLAN) is NOTHING


def test_a_deed_that_leaves_nothing_to_look_at_stays_done() -> None:
    kinds = (StepKind.RESET, StepKind.WRITE_RECORD, *[StepKind.CLEAR_FAULTS] * 3)
    steps = tuple(replace(step, kind=kind) for step, kind in zip(PLAN.steps, kinds, strict=True))
    done = make_change(*[STATES.DONE] * 5)
    kept = keep_earlier(NOTHING, done, replace(PLAN, steps=steps))
    assert [step.state for step in kept.steps[:3]] == [
        STATES.DONE,
        STATES.UNCERTAIN,
        STATES.DONE,
    ]


def test_what_was_looked_at_and_is_old_again_is_neither_kept_nor_doubted() -> None:
    looked = replace(NOTHING.steps[0], detail="it holds the old bytes again")
    change = replace(NOTHING, steps=(looked, *NOTHING.steps[1:]))
    assert keep_earlier(change, HALF, PLAN).steps[0] is looked
    assert doubt_begun(change, PLAN, frozenset({"apply"})).steps[0] is looked


def test_a_cut_part_that_asked_for_a_change_leaves_a_doubt() -> None:
    doubted = doubt_begun(NOTHING, PLAN, frozenset({"apply"}))
    assert {step.state for step in doubted.steps} == {STATES.UNCERTAIN}
    assert set(doubted.changed) == {"one", "two", "three"}
    assert doubt_begun(NOTHING, PLAN, frozenset()).steps == NOTHING.steps


def test_the_doubt_is_about_the_lanes_that_were_begun() -> None:
    lanes = (("can", ("s01", "s02")), ("ring", ("s03",)))
    rounds = [
        SimpleNamespace(
            number=number,
            lanes=[SimpleNamespace(network=network, steps=steps) for network, steps in each],
        )
        for number, each in enumerate((lanes, (("can", ("s04", "s05")),)), start=1)
    ]
    order = SimpleNamespace(rounds=rounds)
    plan = replace(PLAN, order=order)
    doubted = doubt_begun(NOTHING, plan, frozenset({"apply", "apply/round 1 can"}))
    assert [step.state is STATES.UNCERTAIN for step in doubted.steps] == [True, True] + [False] * 3
    assert doubted.changed == ("one", "two")
    # A download that was begun has a lane of its own before all rounds.
    doubted = doubt_begun(NOTHING, plan, frozenset({"apply/begun"}))
    assert [step.state is STATES.UNCERTAIN for step in doubted.steps] == [False] * 3 + [
        True,
        False,
    ]


def test_a_run_without_a_record_may_have_done_anything_but_what_is_known() -> None:
    presumed = presume_change(PLAN, PREPARATION, HALF)
    assert [step.state for step in presumed.steps] == [
        STATES.DONE,
        STATES.DIFFERS,
        *[STATES.UNCERTAIN] * 3,
    ]
    assert {step.state for step in presume_change(PLAN, PREPARATION, None).steps} == {
        STATES.UNCERTAIN
    }


def test_a_plan_over_a_changed_car_says_how_far_its_undo_goes():
    new = warn_of_begun(PLAN, ("a" * 64, "b" * 64))
    (warning,) = new.findings[len(PLAN.findings) :]
    assert warning.id == "undo-goes-back-to-today"
    assert warning.evidence == ("begun before: plan " + "a" * 12, "begun before: plan " + "b" * 12)


def test_a_first_plan_has_nothing_to_warn_of():
    assert warn_of_begun(PLAN, ()) is PLAN


def test_a_way_back_says_what_stays_below_it():
    (note,) = tell_what_stays(PLAN, ("a" * 64,)).findings[len(PLAN.findings) :]
    assert (note.id, note.evidence) == ("more-to-take-back", ("begun before: plan " + "a" * 12,))
    assert tell_what_stays(PLAN, ()) is PLAN


@pytest.mark.parametrize(
    ("software", "answered", "forbidden"),
    [("2.0", True, False), ("2.3", True, False), ("0.0", True, True), ("", False, False)],
)
def test_a_boot_loader_is_not_the_state_before_the_work(software, answered, forbidden):
    unit = UnitSurvey(
        unit=UnitId("three"), address=Address(3), answered=answered, software=software
    )
    survey = Survey(
        kind=SurveyKind.CAR,
        pack="toy",
        pack_digest="d" * 64,
        taken_at="",
        vin=PLAN.vin,
        month=None,
        options=(),
        units=(unit,),
    )
    new = forbid_over_begun_download(PLAN, survey, (PLAN,))
    found = [(each.id, each.severity) for each in new.findings[len(PLAN.findings) :]]
    assert found == ([("download-not-ended", Severity.BLOCKING)] if forbidden else [])
    assert forbid_over_begun_download(PLAN, survey, ()) is PLAN
