"""Whole jobs under everything that can go wrong, in virtual time; the car's memory is the judge.

The default run is a sample; ``--long`` runs every place and kind, every pair of places within
applying, and ten thousand drawn schedules. ``python benchmarks/reliability.py`` prints the counts.
"""

from __future__ import annotations

import random

import campaign
import phases
import pytest
from thin_car import make_thin_bed
from troubles import NUMBERS, Kind, Trouble, draw

from donorfit.records.change_record import StepState
from donorfit.stages.apply import lanes
from donorfit.stages.apply.deeds import StepOutcome


@pytest.fixture(scope="module")
def places() -> int:
    """Requests of a whole job without a fault: the numbered points."""
    return campaign.count_requests()


def check(result: campaign.Result, what: object) -> None:
    assert not result.false_confirmations, (what, result.false_confirmations)
    assert not result.unknown_states, (what, result.unknown_states)
    assert not result.lost_backups, (what, result.lost_backups)
    assert result.end, what


def test_without_a_fault_every_value_is_new_and_then_old_again() -> None:
    result = campaign.run_schedule({})
    check(result, "no fault")
    assert result.end == "finished, undone"
    assert result.marks == {"proved", "undo proved"}
    assert result.starts == 7


@pytest.mark.parametrize("kind", Kind, ids=lambda kind: kind.name.lower())
def test_one_fault_of_each_kind_at_drawn_places(kind: Kind, places: int) -> None:
    dice = random.Random(kind.name)
    for _ in range(2):
        place = dice.randint(1, places)
        troubles = {place: draw(kind, dice)}
        result = campaign.run_schedule(troubles)
        check(result, troubles)
        if kind is not Kind.STORE_DIFFERENTLY:
            assert result.end == "finished, undone", (troubles, result)


def test_pairs_of_faults_at_drawn_places(places: int) -> None:
    pairs = list(campaign.list_pairs(places))
    for troubles in random.Random(5).sample(pairs, 16):
        check(campaign.run_schedule(troubles), troubles)


def test_drawn_schedules_of_up_to_eight_faults() -> None:
    for seed in range(30):
        drawn = campaign.draw_schedule(seed)
        check(drawn.run(), (seed, drawn))


def test_pairs_of_phases_are_every_two_that_follow_each_other() -> None:
    """Every request of an undisturbed apply but the keep-alives is of one phase."""
    found = phases.find_phases()
    numbers = [number for each in found.values() for number in each]
    first, last = campaign.find_apply_places()
    assert len(set(numbers)) == len(numbers)
    assert 0 < len(numbers) < last - first + 1
    places = list(phases.list_places())
    assert len(set(places)) <= len(places) <= len(found) ** 2
    assert all(1 <= early < late <= last - first + 1 for early, late in places)
    # A write follows a look, and never the other way round only.
    look, write = found["look before a write"][0], found["write"][0]
    assert (look, write) in places
    assert phases.count_phase_pairs() == len(places) * len(Kind) ** 2


def test_pairs_of_kinds_at_drawn_pairs_of_phases() -> None:
    pairs = random.Random(9).sample(list(phases.list_phase_pairs()), 12)
    for troubles in pairs:
        check(campaign.run_schedule(troubles, work=campaign.Work.APPLY), troubles)


@pytest.mark.parametrize("share", [0.2, 0.4, 0.6, 0.8, 0.95])
def test_a_run_that_is_killed_and_stops_when_taken_up_is_undone_whole(share: float) -> None:
    """The second part sees another unit at once and writes nothing; the first had written much."""
    first, last = campaign.find_apply_places()
    place = first + int((last - first) * share)
    troubles = {
        place: Trouble(Kind.KILL_AFTER),
        place + 6: Trouble(Kind.SWAPPED, seconds=30.0),
        place + 7: Trouble(Kind.SWAPPED, seconds=30.0),
        place + 8: Trouble(Kind.SWAPPED, seconds=30.0),
    }
    for gives_up in (False, True):
        result = campaign.run_schedule(troubles, gives_up=gives_up)
        check(result, troubles)
        assert result.end.endswith("undone")


@pytest.mark.long
@pytest.mark.timeout(6 * 3600)
def test_every_kind_at_every_place(places: int) -> None:
    for troubles in campaign.list_single(places):
        check(campaign.run_schedule(troubles), troubles)


@pytest.mark.long
@pytest.mark.timeout(6 * 3600)
def test_every_pair_of_places_within_applying(places: int) -> None:
    first, last = campaign.find_apply_places()
    assert last <= places
    for troubles in campaign.list_pairs(last, first=first):
        check(campaign.run_schedule(troubles), troubles)


@pytest.mark.long
@pytest.mark.timeout(6 * 3600)
def test_ten_thousand_drawn_schedules() -> None:
    for seed in range(10_000, 20_000):
        drawn = campaign.draw_schedule(seed)
        check(drawn.run(), (seed, drawn))


def test_every_kind_stands_for_a_fault_of_the_table() -> None:
    assert set(NUMBERS) == set(Kind)
    assert all(1 <= number <= 40 for numbers in NUMBERS.values() for number in numbers)


def test_the_judge_sees_a_step_that_is_called_done_and_is_not(monkeypatch) -> None:
    def lie(unit, step, _wait_for_supply):
        del unit, step
        return StepOutcome(state=StepState.DONE, detail="believe me")
        yield

    monkeypatch.setattr(lanes, "write", lie)
    with pytest.raises(campaign.NeverEndsError):
        campaign.run_schedule({})
    schedule = campaign.Schedule(make_thin_bed(), {}, gives_up=False)
    with pytest.raises(campaign.NeverEndsError):
        schedule.run()
    assert any("is said to be done" in text for text in schedule.result.false_confirmations)


def test_the_judge_sees_a_backup_that_is_gone() -> None:
    world = campaign.Schedule(make_thin_bed(), {}, gives_up=False).world
    world._look_for_backups("gateway", b"\x2e\x06\x01")
    assert len(world.lost_backups) >= 5


def test_without_its_backups_nothing_is_written() -> None:
    schedule = campaign.Schedule(make_thin_bed(), {}, gives_up=False)
    schedule._prepare()
    schedule.world.store._backups.clear()
    with pytest.raises(campaign.NeverEndsError, match="may not be applied"):
        schedule._apply(make_thin_bed().plan)
    assert schedule.world.changes == []
    assert schedule.world.read_memory() == schedule.world.first_memory


def test_a_value_that_is_neither_old_nor_new_is_told_byte_for_byte_and_undone() -> None:
    """Fault 26, at the write of a plain record, which is neither list nor checked."""
    struck = 0
    for place in range(*campaign.find_apply_places()):
        result = campaign.run_schedule({place: Trouble(Kind.STORE_DIFFERENTLY)})
        if result.end.startswith("stopped"):
            struck += 1
            check(result, place)
            assert result.end == "stopped, told exactly, undone"
        if struck == 2:
            break
    assert struck == 2
