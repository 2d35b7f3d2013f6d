"""Lanes side by side, cut at every point, every pair and at random, in many interleavings.

What is asserted is the car's memory, never only what the program believes.
"""

import asyncio
import random
import sys
from dataclasses import replace
from itertools import combinations
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))
from lane_toys import (
    LIST,
    NAMES,
    NEW,
    OLD,
    PROGRAMMED,
    SOFTWARE,
    SwitchingConnection,
    make_lane_car,
    make_lane_pack,
    make_lane_plan,
    make_lane_preparation,
    switch,
)
from toys import RECORD, CutError, Nobody, Schedule

from donorfit.edge.journal.memory import MemoryRun
from donorfit.errors import StoppedError
from donorfit.job.loop import Loop
from donorfit.job.progress import Happening
from donorfit.records.change_record import StepState
from donorfit.records.plan import StepKind
from donorfit.stages.apply import apply
from donorfit.vehicle.control_unit import SOFTWARE_IDENTIFIER

PACK = make_lane_pack()
PLAN = make_lane_plan(PACK)
PREPARATION = make_lane_preparation(PLAN)
KINDS = ("kill before", "kill after", "lost before", "lost after", "silent")
GOOD = {StepState.DONE, StepState.ALREADY}
MOST_RUNS = 80
STEP = {step.id: step for step in PLAN.steps}


def start(car, schedule, entries, *, seed, told=None, reconnects=2):
    return Loop(
        journal=MemoryRun(entries),
        connection=SwitchingConnection(car, schedule, seed),
        person=Nobody(),
        listener=(lambda _: None) if told is None else told.append,
        sleep=switch,
        reconnects=reconnects,
    )


def carry_out(loop):
    return asyncio.run(loop.run("apply", apply(PACK, PLAN, PREPARATION, SOFTWARE)))


def run_until_done(cuts, *, seed=0):
    """Run apply, resuming after every stop; return car, schedule, change record and runs."""
    car, schedule, entries = make_lane_car(), Schedule(cuts=dict(cuts)), []
    for runs in range(1, MOST_RUNS):
        try:
            change = carry_out(start(car, schedule, entries, seed=seed + runs))
        except (StoppedError, CutError):
            check_known(car)
            continue
        check_known(car)
        check_done(car, change)
        return car, schedule, change, runs
    pytest.fail(f"not done after {MOST_RUNS} runs: {cuts}")


def check_known(car):
    """Every value is the old or the new one, never a mix."""
    assert car.units[1].memory[LIST] in {b"old list", b"new list"}
    for number in NAMES:
        assert car.units[number].memory[RECORD] in {OLD, NEW}
        assert car.units[number].memory[SOFTWARE_IDENTIFIER] in {b"2.0", b"2.3"}


def check_done(car, change):
    """No false confirmation: a step that counts as done is done in the car."""
    for result in change.steps:
        step, unit = STEP[result.step], car.units[STEP[result.step].address]
        if result.state not in GOOD:
            assert not change.finished
        elif step.kind in {StepKind.WRITE_RECORD, StepKind.WRITE_OPTION_LIST}:
            assert unit.memory[step.identifier] == step.after
        elif step.kind is StepKind.PROGRAM:
            assert unit.memory[SOFTWARE_IDENTIFIER] == b"2.3"
        elif step.kind is StepKind.RESET:
            assert unit.resets
        else:
            assert unit.clears


def count_asks():
    _, schedule, change, runs = run_until_done({})
    assert change.finished
    assert runs == 1
    return schedule.carried


def test_the_plan_has_lanes_side_by_side():
    widths = [len(each.lanes) for each in PLAN.order.rounds]
    assert max(widths) == 3
    programs = [step for step in PLAN.steps if step.kind is StepKind.PROGRAM]
    assert len({step.round for step in programs}) == 1
    assert len({step.network for step in programs}) == len(PROGRAMMED)


@pytest.mark.parametrize("seed", range(5))
def test_it_ends_new_without_any_cut_and_writes_each_value_once(seed):
    car, _, change, _ = run_until_done({}, seed=seed)
    assert change.finished
    assert [result.step for result in change.steps] == [step.id for step in PLAN.steps]
    assert [car.units[number].writes for number in NAMES] == [1, 1, 1, 2, 2, 1]


@pytest.mark.parametrize("kind", KINDS)
def test_every_single_cut_ends_in_the_new_state(kind):
    for place in range(1, count_asks() + 1):
        for seed in (1, 2):
            car, _, change, _ = run_until_done({place: kind}, seed=seed)
            if kind == "silent" and not change.finished:
                continue  # a unit that says nothing to a reading stops the job in a known state
            assert change.finished, (place, kind, change.stop_reason)
            if "before" in kind:
                assert [car.units[number].writes for number in (1, 2, 3, 6)] == [1, 1, 1, 1]


def check_taken_up(car, change, cuts):
    """A download that two lost links kept from being begun stays open, and is done next time."""
    states = {result.state for result in change.steps} - GOOD
    assert states <= {StepState.NOT_BEGUN, StepState.NOT_REACHED}, (cuts, change.stop_reason)
    assert "not begun. nothing was erased" in change.stop_reason
    again = carry_out(start(car, Schedule(cuts={}), [], seed=1))
    assert again.finished, (cuts, again.stop_reason)
    check_done(car, again)


def run_pairs(step):
    places = range(1, count_asks() + 6)
    done = 0
    for first, second in list(combinations(places, 2))[::step]:
        for kinds in (
            ("kill after", "kill after"),
            ("lost after", "kill before"),
            ("lost before", "lost after"),
        ):
            cuts = {first: kinds[0], second: kinds[1]}
            car, _, change, _ = run_until_done(cuts, seed=first + second)
            if not change.finished:
                check_taken_up(car, change, cuts)
            done += 1
    return done


def test_pairs_of_cuts_end_in_the_new_state():
    assert run_pairs(step=40) > 100


@pytest.mark.long
@pytest.mark.timeout(3600)
def test_every_pair_of_cuts_ends_in_the_new_state():
    print(f"{run_pairs(step=1)} pairs of cuts over lanes")


def run_random_schedules(count, seed):
    dice = random.Random(seed)
    finished = 0
    for number in range(count):
        cuts = {dice.randint(1, 130): dice.choice(KINDS) for _ in range(dice.randint(1, 8))}
        finished += run_until_done(cuts, seed=number)[2].finished
    return finished


def test_random_sequences_of_up_to_eight_cuts_end_in_a_known_state():
    assert run_random_schedules(200, seed=7) > 50


@pytest.mark.long
@pytest.mark.timeout(3600)
@pytest.mark.parametrize("seed", range(10))
def test_ten_thousand_random_sequences_end_in_a_known_state(seed):
    finished = run_random_schedules(1_000, seed=100 + seed)
    print(f"1,000 random schedules over lanes, {finished} ended new, the rest at a known stop")
    assert finished > 300


def test_a_lane_that_is_refused_stops_and_the_others_end_their_lane():
    refused = next(lane for lane in PLAN.order.rounds[1].lanes if lane.network == "b")
    assert [STEP[id_].address for id_ in refused.steps] == [3, 4]
    for seed in range(20):
        car = make_lane_car()
        car.refuse[3, 0x2E] = 0x33
        change = carry_out(start(car, Schedule(), [], seed=seed))
        assert not change.finished
        states = {STEP[each.step].what: each.state for each in change.steps}
        assert states["write configuration record unit_3"] is StepState.REFUSED
        assert states["write configuration record unit_4"] is StepState.NOT_REACHED
        for number in (2, 5, 6):
            assert states[f"write configuration record unit_{number}"] is StepState.DONE
            assert car.units[number].memory[RECORD] == NEW
        assert not any(unit.resets or unit.clears for unit in car.units.values())
        assert set(change.changed) == {NAMES[number] for number in (1, 2, 5, 6)}
        check_done(car, change)


def test_two_lanes_that_stop_are_both_named():
    car = make_lane_car()
    car.refuse[3, 0x2E] = car.refuse[5, 0x2E] = 0x33
    change = carry_out(start(car, Schedule(), [], seed=1))
    assert "unit_3" in change.stop_reason
    assert "unit_5" in change.stop_reason


@pytest.mark.parametrize("seed", range(40))
def test_a_wish_to_stop_ends_every_lane_between_two_steps(seed):
    """Whatever has begun is ended; the run goes on from there and repeats nothing."""
    car, entries, told = make_lane_car(), [], []
    dice = random.Random(seed)
    loop = start(car, Schedule(), entries, seed=seed, told=told)
    place = dice.randint(1, count_asks())
    loop._tell = lambda progress: ask_to_stop(loop, progress, told, place)
    try:
        change = carry_out(loop)
    except StoppedError:
        for number in PROGRAMMED:
            # A download that was begun ended with the restart that belongs to it.
            if car.units[number].memory[SOFTWARE_IDENTIFIER] == b"2.3":
                assert car.units[number].resets == 1
        change = carry_out(start(car, Schedule(), entries, seed=seed + 1))
    assert change.finished
    assert [car.units[number].writes for number in NAMES] == [1, 1, 1, 2, 2, 1]
    assert [car.units[number].resets for number in NAMES] == [1] * 6


def ask_to_stop(loop, progress, told, place):
    told.append(progress)
    asked = sum(each.happening is Happening.ASKED for each in told)
    if asked == place:
        loop.stop_asked = True


def test_a_lost_link_in_one_lane_does_not_tear_the_others_out_of_a_step():
    """The link is lost for good; nothing is cancelled, and resuming ends the work."""
    for place in range(20, count_asks(), 3):
        car, entries = make_lane_car(), []
        schedule = Schedule(cuts={place: "lost after"})
        loop = start(car, schedule, entries, seed=place, reconnects=0)
        with pytest.raises(StoppedError):
            carry_out(loop)
        assert loop._connection.torn == []
        check_known(car)
        change = carry_out(start(car, Schedule(), entries, seed=place + 1))
        assert change.finished, change.stop_reason
        check_done(car, change)


def test_an_order_that_leaves_a_step_out_is_not_followed():
    order = replace(PLAN.order, rounds=PLAN.order.rounds[:-1])
    plan = replace(PLAN, order=order)
    car = make_lane_car()
    loop = start(car, Schedule(), [], seed=1)
    change = asyncio.run(loop.run("apply", apply(PACK, plan, PREPARATION, SOFTWARE)))
    assert not change.finished
    assert "plan again" in change.stop_reason
    assert not any(unit.writes for unit in car.units.values())


def test_a_begun_download_comes_before_everything_else():
    car = make_lane_car()
    car.units[4].memory[SOFTWARE_IDENTIFIER] = b"0.0.0"
    begun = frozenset(step.id for step in PLAN.steps if step.software_file == "4.bin")
    told = []
    loop = start(car, Schedule(), [], seed=1, told=told)
    change = asyncio.run(loop.run("apply", apply(PACK, PLAN, PREPARATION, SOFTWARE, begun)))
    assert change.finished, change.stop_reason
    changes = [each.unit for each in told if each.binding and each.happening is Happening.ASKED]
    assert changes[0] == NAMES[4]
    assert car.units[4].writes == 2


def test_a_download_that_lost_links_kept_from_being_begun_is_open_and_done_next_time():
    struck = 0
    for place in range(1, count_asks()):
        cuts = {place: "lost before", place + 3: "lost before"}
        car, _, change, _ = run_until_done(cuts, seed=place)
        if change.finished:
            continue
        check_taken_up(car, change, cuts)
        struck += 1
    assert struck
