"""The rest of a session: laws of what is told, and its error over whole sessions."""

import random
import statistics
import sys
from dataclasses import replace
from functools import cache
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parents[2] / "faults" / "apply"))

from lane_toys import make_lane_pack, make_lane_plan
from timed_sessions import run_demonstration, run_random

from donorfit.job.remaining import Measured, RemainingTime
from donorfit.records.plan import StepKind

SESSIONS = 200


@cache
def toy_plan():
    return make_lane_plan(make_lane_pack())


def make_plan(seed):
    dice = random.Random(seed)
    plan = toy_plan()
    steps = tuple(replace(step, seconds=dice.uniform(0.5, 60.0)) for step in plan.steps)
    return replace(plan, steps=steps)


def play(plan, seed, remaining):
    """Carry a plan out, lane beside lane, with durations of its own; give every moment's rest."""
    dice = random.Random(seed)
    seconds = {step.id: step.seconds for step in plan.steps}
    programs = {step.id for step in plan.steps if step.kind is StepKind.PROGRAM}
    at_s, moments = 0.0, []
    for each in plan.order.rounds:
        events, longest_s = [], at_s
        for lane in each.lanes:
            now_s = at_s
            for step in lane.steps:
                takes_s = seconds[step] * dice.lognormvariate(0.0, 0.5)
                events.append((now_s, "open", step, 0.0, 0.0))
                for n in range(1, 20):
                    left_s = takes_s * (20 - n) / 20 * dice.uniform(0.5, 2.0)
                    kind = "bytes" if step in programs else "tick"
                    events.append((now_s + takes_s * n / 20, kind, step, n / 20, left_s))
                now_s += takes_s
                events.append((now_s, "close", step, 0.0, 0.0))
            longest_s = max(longest_s, now_s)
        for when_s, kind, step, done, left_s in sorted(events, key=lambda event: event[0]):
            match kind:
                case "open":
                    remaining.open(step, when_s)
                case "close":
                    remaining.close(step, when_s)
                case "bytes":
                    remaining.follow_download(step, done, left_s, when_s)
            moments.append((when_s, remaining.reckon(when_s), remaining.tell(when_s)))
        at_s = longest_s
    return moments


@given(st.integers(0, 10_000), st.integers(0, 10_000))
def test_the_rest_is_never_negative_and_ends_at_zero(plan_seed, seed):
    moments = play(make_plan(plan_seed), seed, RemainingTime(make_plan(plan_seed)))
    assert all(told_s >= 0.0 for _, _, told_s in moments)
    assert all(reckoned_s > 0.0 for _, reckoned_s, _ in moments[:-1])
    assert moments[-1][1:] == (0.0, 0.0)


@given(st.integers(0, 10_000), st.integers(0, 10_000))
def test_what_is_told_runs_down_and_comes_nearer_but_never_leaps(plan_seed, seed):
    """It lies between the telling before, run down by the clock, and what is reckoned."""
    moments = play(make_plan(plan_seed), seed, RemainingTime(make_plan(plan_seed)))
    for (before_s, _, told_before_s), (at_s, reckoned_s, told_s) in pairwise(moments):
        expected_s = max(0.0, told_before_s - (at_s - before_s))
        low, high = sorted((expected_s, reckoned_s))
        assert low - 1e-6 <= told_s <= high + 1e-6
        if reckoned_s <= 0.0:
            continue
        # A tenth of the rest, or a second, is the time in which most of a difference is made up.
        share = (at_s - before_s) / max(1.0, 0.1 * reckoned_s)
        assert abs(told_s - expected_s) <= share * abs(reckoned_s - expected_s) + 1e-6


def test_before_anything_was_measured_it_is_the_plan():
    plan = toy_plan()
    expected_s = sum(
        max(sum(step.seconds for step in plan.steps if step.id in lane.steps) for lane in r.lanes)
        for r in plan.order.rounds
    )
    assert RemainingTime(plan).tell(100.0) == pytest.approx(expected_s)
    assert RemainingTime(plan).tell(0.0) == pytest.approx(plan.order.seconds)


def test_steps_that_took_twice_as_long_make_their_like_longer_and_nothing_else():
    plan = toy_plan()
    kinds = {step.kind for step in plan.steps}
    assert len(kinds) > 1
    for kind in kinds:
        slow = RemainingTime(
            plan, (Measured(kind=kind, steps=99, planned_s=1000.0, taken_s=2000.0),)
        )
        twice = replace(
            plan,
            steps=tuple(
                replace(step, seconds=2 * step.seconds) if step.kind is kind else step
                for step in plan.steps
            ),
        )
        assert slow.reckon(0.0) == pytest.approx(RemainingTime(twice).reckon(0.0), rel=0.02)


def test_a_resumed_session_goes_on_with_what_was_measured():
    plan = make_plan(3)
    whole = RemainingTime(plan)
    play(plan, 7, whole)
    again = RemainingTime(plan, whole.list_measured())
    assert again.list_measured() == whole.list_measured()
    assert again.reckon(0.0) != pytest.approx(RemainingTime(plan).reckon(0.0), rel=0.01)


def test_a_step_that_was_partly_done_before_teaches_nothing():
    plan = toy_plan()
    remaining = RemainingTime(plan)
    remaining.open(plan.steps[0].id, 0.0, whole=False)
    remaining.close(plan.steps[0].id, 0.01)
    assert remaining.list_measured() == ()
    assert remaining.steps_done == 1


def test_a_download_counts_by_its_own_speed():
    plan = toy_plan()
    step = next(each for each in plan.steps if each.kind is StepKind.PROGRAM)
    remaining = RemainingTime(plan, after_download_s={step.id: 2.0})
    others_s = RemainingTime(replace(plan, order=None)).reckon(0.0) - step.seconds
    remaining = RemainingTime(replace(plan, order=None), after_download_s={step.id: 2.0})
    remaining.open(step.id, 0.0)
    remaining.follow_download(step.id, 0.5, 1000.0, 1.0)
    assert remaining.reckon(1.0) == pytest.approx(others_s + 1000.0 + 2.0)
    assert remaining.reckon(11.0) == pytest.approx(others_s + 990.0 + 2.0)


def test_what_no_plan_knows_changes_nothing():
    remaining = RemainingTime(toy_plan())
    before_s = remaining.reckon(0.0)
    remaining.open("nothing", 0.0)
    remaining.follow_download("nothing", 0.5, 3.0, 0.0)
    remaining.close("nothing", 5.0)
    assert remaining.reckon(0.0) == before_s
    assert remaining.steps_done == 0


def describe(sessions):
    """Share of the session's length by which what is told is off, and by which the plan is."""
    rows = []
    for name, errors in (
        ("told", [session.errors for session in sessions]),
        ("plan alone", [session.errors_of_plan for session in sessions]),
    ):
        sizes = [list(map(abs, each)) for each in errors]
        means = sorted(statistics.mean(each) for each in sizes)
        late = [size for each in sizes for size in each[len(each) // 2 :]]
        rows.append(
            f"{name}: mean {statistics.mean(means):.3f}, nine of ten sessions below "
            f"{means[int(0.9 * (len(means) - 1))]:.3f}, second half {statistics.mean(late):.3f}"
        )
    jumps = sorted(max(session.jumps) for session in sessions)
    rows.append(
        f"largest leap up: half of the sessions below {jumps[len(jumps) // 2]:.3f}, "
        f"nine of ten below {jumps[int(0.9 * (len(jumps) - 1))]:.3f}"
    )
    return rows


def check_ends(sessions):
    for session in sessions:
        assert all(place.left_s >= 0.0 for _, place in session.told)
        last = session.told[-1][1]
        assert (last.steps_done, last.left_s) == (last.steps, 0.0)


def test_the_demonstrations_session():
    session = run_demonstration()
    assert session.finished
    check_ends([session])
    # The plan foresees two seconds for each clearing of fault codes, and the car needs none.
    assert statistics.mean(map(abs, session.errors)) < 0.1
    assert statistics.mean(map(abs, session.errors[len(session.errors) // 2 :])) < 0.1


def test_a_few_random_sessions_are_told_better_than_the_plan_does():
    sessions = [each for each in map(run_random, range(12)) if each.finished]
    assert len(sessions) > 8
    check_ends(sessions)
    told, planned = (
        statistics.mean(statistics.mean(map(abs, each)) for each in errors)
        for errors in (
            [session.errors for session in sessions],
            [session.errors_of_plan for session in sessions],
        )
    )
    assert told < planned


@pytest.mark.long
@pytest.mark.timeout(1800)
def test_two_hundred_random_sessions():
    demonstration = run_demonstration()
    sessions, number = [], 0
    tried = 0
    while len(sessions) < SESSIONS:
        session = run_random(number)
        number += 1
        tried += 1
        if session.finished:
            sessions.append(session)
    check_ends(sessions)
    restarts = sum(len(session.starts) for session in sessions)
    print(
        f"\n{SESSIONS} of {tried} random sessions came to their end, {restarts} restarts in them"
    )
    print(*describe(sessions), sep="\n")
    print("the demonstration's session")
    print(*describe([demonstration]), sep="\n")
