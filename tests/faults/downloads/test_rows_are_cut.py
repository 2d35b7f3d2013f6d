"""A unit that gets two blocks in a row, struck at every request: carried on, and taken back.

Judged by the simulated unit's own memory: it may come to run nothing that the pack does not allow
over what it ran before (``RowRig.see``), and in the end it runs the new or the old software.
"""

import random
from functools import cache

import pytest
from row_rig import AFTER, BEFORE, GOES_BACK, MIDDLE, NEW, OLD, PASSES_BY, STAYS, RowRig

from donorfit.edge.links.faulty import FaultKind
from donorfit.records.change_record import StepState
from donorfit.records.plan import StepKind

STRIKES = (
    "kill",
    "reset",
    FaultKind.CUT_BEFORE_REQUEST,
    FaultKind.CUT_AFTER_REQUEST,
    FaultKind.CUT_BEFORE_ANSWER,
    FaultKind.LOSE_REQUEST,
    FaultKind.LOSE_ANSWER,
    FaultKind.DELAY_ANSWER,
    FaultKind.DUPLICATE_ANSWER,
    FaultKind.CORRUPT_ANSWER,
    FaultKind.INSERT_BEFORE_ANSWER,
)


QUICK = ("kill", "reset", FaultKind.CUT_AFTER_REQUEST, FaultKind.LOSE_ANSWER)
SLOW = [pytest.param(each, marks=pytest.mark.long) for each in STRIKES if each not in QUICK]


@cache
def find_span() -> range:
    """The requests of an undisturbed apply."""
    rig = RowRig()
    rig.run("prepare")
    first = rig.strike.number + 1
    rig.run("apply")
    return range(first, rig.strike.number + 1)


def run_new(rig: RowRig) -> None:
    rig.run("prepare", "apply")
    assert rig.memory.application
    assert rig.ran == [OLD, MIDDLE, NEW]
    assert rig.record == AFTER


def run_back(rig: RowRig, end: str = OLD) -> None:
    """Begin the work once, whatever becomes of it, then have it taken back."""
    rig.run("prepare", "apply_once", "plan_undo", "prepare", "apply")
    assert rig.memory.application
    assert rig.memory.software == end, rig.ran
    assert rig.record == BEFORE


def test_undisturbed_it_runs_every_version_on_the_way_and_the_proof_is_of_the_last():
    rig = RowRig()
    run_new(rig)
    change = rig.run("apply")
    assert {each.state for each in change.steps if "download" in each.what} == {StepState.ALREADY}
    assert [what.partition(", ")[0] for what in rig.downloads] == [
        "program Hook with software 2.1",
        "program Hook with software 2.3",
    ]
    proof = rig.run("prove")
    assert proof.proved, proof.findings
    assert [each.read for each in proof.read_backs] == [AFTER, NEW.encode()]


def test_undisturbed_it_comes_back_the_way_it_went():
    rig = RowRig()
    run_new(rig)
    plan = rig.run("plan_undo")
    back = [step for step in plan.steps if step.kind is StepKind.PROGRAM]
    assert [(step.software_before, step.software_after) for step in back] == [
        (NEW, MIDDLE),
        (MIDDLE, OLD),
    ]
    proof = rig.run("prepare", "apply", "prove")
    assert rig.ran == [OLD, MIDDLE, NEW, MIDDLE, OLD]
    assert rig.record == BEFORE
    assert proof.proved, proof.findings


@pytest.mark.parametrize("strike", [*QUICK, *SLOW], ids=str)
def test_struck_at_every_single_request_it_ends_new(strike):
    for number in find_span():
        run_new(RowRig(strikes={number: strike}))


@pytest.mark.parametrize("strike", ["kill", "reset"], ids=str)
def test_struck_at_every_single_request_it_can_be_taken_back(strike):
    for number in find_span():
        run_back(RowRig(strikes={number: strike}))


def test_killed_at_every_request_of_the_way_back_it_comes_back():
    rig = RowRig()
    rig.run("prepare", "apply", "plan_undo", "prepare")
    first = rig.strike.number + 1
    rig.run("apply")
    for number in range(first, rig.strike.number + 1):
        again = RowRig(strikes={number: "kill"})
        again.run("prepare", "apply", "plan_undo", "prepare", "apply")
        assert again.killed
        assert again.ran == [OLD, MIDDLE, NEW, MIDDLE, OLD]


def test_without_a_way_back_it_stays_where_it_is_and_is_left_in_no_boot_loader():
    ends = set()
    for number in find_span():
        rig = RowRig(STAYS, {number: "kill"})
        proof = rig.run("prepare", "apply_once", "plan_undo", "prepare", "apply", "prove")
        assert proof.proved, proof.findings
        assert rig.memory.application
        assert rig.ran == [OLD, MIDDLE, NEW][: len(rig.ran)]
        assert rig.record == BEFORE
        ends.add(rig.memory.software)
    assert ends == {OLD, MIDDLE, NEW}


def test_a_way_back_that_passes_by_a_version_sends_nothing_to_a_unit_that_has_it():
    """Back from 2.3 only: a unit that was cut at 2.1 keeps it, and the undo says so."""
    passed_by = 0
    for number in find_span():
        rig = RowRig(PASSES_BY, {number: "kill"})
        plan = rig.run("prepare", "apply_once", "plan_undo")
        rig.run("prepare")
        change = rig.run("apply_once")
        assert rig.memory.application
        if change.finished:
            assert rig.memory.software == OLD
        else:
            assert rig.memory.software == MIDDLE, rig.ran
            assert "it may replace 2.3, the unit has 2.1; nothing was sent" in change.stop_reason
            assert "software-passed-by" in [each.id for each in plan.findings]
            passed_by += 1
    assert passed_by


def test_the_rig_would_see_software_over_what_it_may_not_replace():
    rig = RowRig({**GOES_BACK, "2.3": ("2.1",)})
    rig.over = {**rig.over, "2.3": ("2.2",)}
    with pytest.raises(AssertionError, match=r"2\.3 was loaded over 2\.1"):
        rig.run("prepare", "apply")


def run_random(dice: random.Random) -> None:
    first, last = find_span()[0], 3 * find_span()[-1]
    strikes = {
        dice.randrange(first, last): dice.choice(STRIKES) for _ in range(dice.randrange(1, 9))
    }
    rig = RowRig(strikes=strikes)
    try:
        dice.choice((run_new, run_back))(rig)
    except AssertionError as error:
        raise AssertionError(strikes) from error


@pytest.mark.parametrize("part", range(2))
def test_random_schedules_of_up_to_eight_strikes(part):
    dice = random.Random(part)
    for _ in range(30):
        run_random(dice)


@pytest.mark.long
@pytest.mark.timeout(3600)
def test_thousands_of_random_schedules():
    dice = random.Random(2026)
    for _ in range(5_000):
        run_random(dice)


@pytest.mark.long
@pytest.mark.timeout(3600)
@pytest.mark.parametrize("strike", STRIKES, ids=str)
def test_struck_by_anything_at_every_single_request_it_can_be_taken_back(strike):
    for number in find_span():
        run_back(RowRig(strikes={number: strike}))
