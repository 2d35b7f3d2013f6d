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
    keep_earlier,
    presume_change,
    warn_of_begun,
)
from donorfit.records.change_record import ChangeRecord, StepResult, StepState
from donorfit.records.encoding import compute_digest
from donorfit.records.plan import PlanPurpose

PLAN = make_plan()
PREPARATION = make_preparation(PLAN)
STATES = StepState


def make_change(*states: StepState, changed=()) -> ChangeRecord:
    steps = tuple(
        StepResult(step=step.id, unit=step.unit, what=step.what, state=state, detail="seen")
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
    kept = keep_earlier(NOTHING, HALF)
    assert [step.state for step in kept.steps] == [
        STATES.DONE,
        STATES.DIFFERS,
        STATES.NOT_REACHED,
        STATES.NOT_REACHED,
        STATES.NOT_REACHED,
    ]
    assert kept.changed == ("one", "two")
    assert kept.steps[0].detail == "seen (so in an earlier run)"
    assert kept.stop_reason == "stopped"


def test_it_is_said_once_however_often_it_is_kept() -> None:
    twice = keep_earlier(NOTHING, keep_earlier(NOTHING, HALF))
    assert twice.steps[0].detail == "seen (so in an earlier run)"
    assert twice.changed == ("one", "two")


def test_what_the_newest_run_saw_counts() -> None:
    newer = make_change(
        STATES.ALREADY, STATES.REFUSED, *[STATES.NOT_REACHED] * 3, changed=("one",)
    )
    kept = keep_earlier(newer, HALF)
    # Refused now, and neither old nor new before: nobody knows.
    assert [step.state for step in kept.steps[:2]] == [STATES.ALREADY, STATES.UNCERTAIN]
    assert kept.changed == ("one", "two")


def test_a_record_of_another_plan_says_nothing() -> None:
    other = replace(HALF, plan_digest="0" * 64)
    assert keep_earlier(NOTHING, other) is NOTHING
    assert keep_earlier(NOTHING, None) is NOTHING


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


@pytest.mark.parametrize(
    ("purpose", "finished", "warned"),
    [
        (PlanPurpose.RETROFIT, True, True),
        (PlanPurpose.RETROFIT, False, True),
        (PlanPurpose.UNDO, False, True),
        (PlanPurpose.UNDO, True, False),
    ],
)
def test_a_plan_over_a_changed_car_says_how_far_its_undo_goes(purpose, finished, warned):
    older = replace(PLAN, purpose=purpose)
    new = warn_of_begun(PLAN, older, older_finished=finished)
    assert [each.id for each in new.findings[len(PLAN.findings) :]] == (
        ["undo-goes-back-to-today"] if warned else []
    )


def test_a_first_plan_has_nothing_to_warn_of():
    assert warn_of_begun(PLAN, None, older_finished=False) is PLAN
