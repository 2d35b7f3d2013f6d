"""Apply, cut at every point, every pair of points and in random sequences, on a toy car.

What is asserted is the car's memory, never only what the program believes.
"""

import asyncio
import random
import sys
from itertools import combinations
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[2] / "unit" / "job"))
from toys import (
    RECORD,
    CutError,
    Nobody,
    Schedule,
    ToyConnection,
    make_car,
    make_pack,
    make_plan,
    make_preparation,
    no_sleep,
)

from donorfit.edge.journal.memory import MemoryRun
from donorfit.errors import StoppedError
from donorfit.job.loop import Loop
from donorfit.records.change_record import StepState
from donorfit.stages.apply import apply
from donorfit.vehicle.control_unit import SOFTWARE_IDENTIFIER

PACK = make_pack()
PLAN = make_plan()
PREPARATION = make_preparation(PLAN)
KINDS = ("kill before", "kill after", "lost before", "lost after", "silent")
MOST_RUNS = 60


def run_until_done(cuts, *, reconnects=2):
    """Run apply, resuming after every stop; return car, schedule, change record and runs."""
    car, schedule, entries = make_car(), Schedule(cuts=dict(cuts)), []
    for runs in range(1, MOST_RUNS):
        loop = Loop(
            journal=MemoryRun(entries),
            connection=ToyConnection(car, schedule),
            person=Nobody(),
            listener=lambda progress: None,
            sleep=no_sleep,
            reconnects=reconnects,
        )
        try:
            change = asyncio.run(
                loop.run("apply", apply(PACK, PLAN, PREPARATION, {"three.bin": b"data"}))
            )
        except (StoppedError, CutError):
            check_known(car)
            continue
        except BaseExceptionGroup:
            check_known(car)
            continue
        return car, schedule, change, runs
    pytest.fail(f"not done after {MOST_RUNS} runs: {cuts}")


def check_known(car):
    """Every value is the old or the new one, never a mix."""
    assert car.units[1].memory[0x2000] in {b"old list", b"new list"}
    assert car.units[2].memory[RECORD] in {b"\x01\x02", b"\x01\x07"}
    assert car.units[3].memory[SOFTWARE_IDENTIFIER] in {b"2.0", b"2.3"}


def check_done(car, change):
    """No false confirmation: a step that counts as done is done in the car."""
    states = {step.step: step.state for step in change.steps}
    good = {StepState.DONE, StepState.ALREADY}
    if states["s01"] in good:
        assert car.units[1].memory[0x2000] == b"new list"
    if states["s02"] in good:
        assert car.units[2].memory[RECORD] == b"\x01\x07"
    if states["s04"] in good:
        assert car.units[3].memory[SOFTWARE_IDENTIFIER] == b"2.3"
    if change.finished:
        assert set(states.values()) <= good
        assert car.units[1].clears >= 1


def count_asks():
    _, schedule, change, runs = run_until_done({})
    assert change.finished
    assert runs == 1
    return schedule.carried


def test_it_ends_new_without_any_cut_and_writes_each_value_once():
    car, _, change, _ = run_until_done({})
    check_done(car, change)
    assert [car.units[number].writes for number in (1, 2, 3)] == [1, 1, 1]


@pytest.mark.parametrize("kind", KINDS)
def test_every_single_cut_ends_in_the_new_state(kind):
    for place in range(1, count_asks() + 1):
        car, _, change, _ = run_until_done({place: kind})
        check_done(car, change)
        if kind == "silent" and not change.finished:
            continue  # a unit that says nothing to a reading stops the job in a known state
        assert change.finished, (place, kind, change.stop_reason)


def test_every_pair_of_cuts_ends_in_a_known_state():
    places = range(1, count_asks() + 6)
    for first, second in combinations(places, 2):
        for kinds in (
            ("kill after", "kill after"),
            ("lost after", "kill before"),
            ("lost before", "lost after"),
        ):
            car, _, change, _ = run_until_done({first: kinds[0], second: kinds[1]})
            check_known(car)
            check_done(car, change)
            assert change.finished, (first, second, kinds, change.stop_reason)


def run_random_schedules(count, seed):
    dice = random.Random(seed)
    finished = 0
    for _ in range(count):
        cuts = {dice.randint(1, 60): dice.choice(KINDS) for _ in range(dice.randint(1, 8))}
        car, _, change, _ = run_until_done(cuts)
        check_known(car)
        check_done(car, change)
        finished += change.finished
    return finished


def test_random_sequences_of_up_to_eight_cuts_end_in_a_known_state():
    assert run_random_schedules(300, seed=7) > 100


@pytest.mark.long
def test_ten_thousand_random_sequences_end_in_a_known_state():
    assert run_random_schedules(10_000, seed=8) > 3_000


def test_a_refused_write_stops_at_once_and_is_not_sent_again():
    car = make_car()
    car.refuse[2, 0x2E] = 0x33
    loop = Loop(
        journal=MemoryRun(),
        connection=ToyConnection(car, Schedule()),
        person=Nobody(),
        listener=lambda progress: None,
        sleep=no_sleep,
    )
    change = asyncio.run(loop.run("apply", apply(PACK, PLAN, PREPARATION, {"three.bin": b""})))
    assert not change.finished
    assert [step.state for step in change.steps][1:] == [
        StepState.REFUSED,
        StepState.NOT_REACHED,
        StepState.NOT_REACHED,
        StepState.NOT_REACHED,
    ]
    assert car.units[2].memory[RECORD] == b"\x01\x02"
    assert change.changed == ("one",)


def test_a_value_that_is_neither_old_nor_new_is_left_alone():
    car = make_car()
    car.units[2].memory[RECORD] = b"\x09\x09"
    loop = Loop(
        journal=MemoryRun(),
        connection=ToyConnection(car, Schedule()),
        person=Nobody(),
        listener=lambda progress: None,
        sleep=no_sleep,
    )
    change = asyncio.run(loop.run("apply", apply(PACK, PLAN, PREPARATION, {"three.bin": b""})))
    assert change.steps[1].state is StepState.DIFFERS
    assert "0909" in change.steps[1].detail
    assert change.steps[1].held == b"\x09\x09"
    assert car.units[2].memory[RECORD] == b"\x09\x09"
    assert car.units[2].writes == 0


def test_a_swapped_unit_is_not_written():
    car = make_car()
    car.units[3].memory[0xF18C] = b"OTHER"
    loop = Loop(
        journal=MemoryRun(),
        connection=ToyConnection(car, Schedule()),
        person=Nobody(),
        listener=lambda progress: None,
        sleep=no_sleep,
    )
    change = asyncio.run(loop.run("apply", apply(PACK, PLAN, PREPARATION, {"three.bin": b""})))
    assert not change.finished
    assert "swapped" in change.stop_reason
    assert all(unit.writes == 0 for unit in car.units.values())


def test_a_unit_left_in_its_boot_loader_is_programmed_by_the_next_run():
    def run(car, begun):
        loop = Loop(
            journal=MemoryRun(),
            connection=ToyConnection(car, Schedule()),
            person=Nobody(),
            listener=lambda progress: None,
            sleep=no_sleep,
        )
        strand = apply(PACK, PLAN, PREPARATION, {"three.bin": b"data"}, begun)
        return asyncio.run(loop.run("apply", strand))

    car = make_car()
    car.units[3].memory[SOFTWARE_IDENTIFIER] = b"0.0.0"
    change = run(car, frozenset())
    assert change.steps[3].state is StepState.DIFFERS
    assert car.units[3].writes == 0
    change = run(car, frozenset({"s04"}))
    assert change.finished
    assert car.units[3].memory[SOFTWARE_IDENTIFIER] == b"2.3"
