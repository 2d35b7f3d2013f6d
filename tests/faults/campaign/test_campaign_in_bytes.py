"""Whole jobs over the program's own DoIP link in bytes, whose downloads stream their blocks.

The troubles are those of the campaign. What strikes within a download strikes within a streak,
where the link goes on by itself until something is not as foreseen.
"""

from __future__ import annotations

import random
from functools import cache
from unittest.mock import patch

import campaign
import pytest
from troubles import Kind, draw
from world import World

from donorfit.edge.links.doip_streak import RunningStreak

BLOCK = b"\x36"


@pytest.fixture(autouse=True)
def in_bytes():
    with patch.object(World, "in_bytes", new=True):
        yield


def check(result: campaign.Result, what: object) -> None:
    assert not result.false_confirmations, (what, result.false_confirmations)
    assert not result.unknown_states, (what, result.unknown_states)
    assert not result.lost_backups, (what, result.lost_backups)
    assert result.end, what


@cache
def find_block_places() -> tuple[int, ...]:
    """Numbers of the blocks of the downloads of a whole job in which nothing goes wrong."""
    found = []
    choose = World._choose

    def note(self, target, pdu):
        fault = choose(self, target, pdu)
        if pdu[:1] == BLOCK:
            found.append(self.number)
        return fault

    with patch.object(World, "_choose", note):
        campaign.run_schedule({})
    return tuple(found)


def test_without_a_fault_the_new_software_streams() -> None:
    went_on = []
    go_on = RunningStreak.go_on

    def count(self, now_s):
        went_on.append(self)
        go_on(self, now_s)

    with patch.object(RunningStreak, "go_on", count):
        result = campaign.run_schedule({})
    check(result, "no fault")
    assert result.end == "finished, undone"
    assert len(went_on) >= 8
    assert len(find_block_places()) >= 12


@pytest.mark.parametrize("kind", Kind, ids=lambda kind: kind.name.lower())
def test_one_fault_of_each_kind_within_a_streak(kind: Kind) -> None:
    dice = random.Random(kind.name)
    for place in dice.sample(find_block_places(), 2):
        troubles = {place: draw(kind, dice)}
        result = campaign.run_schedule(troubles)
        check(result, troubles)
        assert result.end == "finished, undone", (troubles, result)


def test_drawn_schedules_of_up_to_eight_faults() -> None:
    for seed in range(40_000, 40_020):
        drawn = campaign.draw_schedule(seed)
        check(drawn.run(), (seed, drawn))


@pytest.mark.long
@pytest.mark.parametrize("kind", Kind, ids=lambda kind: kind.name.lower())
def test_every_kind_at_every_block(kind: Kind) -> None:
    for place in find_block_places():
        for seed in range(4):
            troubles = {place: draw(kind, random.Random(f"{kind.name} {place} {seed}"))}
            check(campaign.run_schedule(troubles), troubles)


@pytest.mark.long
@pytest.mark.parametrize("begin", range(50_000, 53_000, 250))
def test_many_drawn_schedules(begin: int) -> None:
    for seed in range(begin, begin + 250):
        drawn = campaign.draw_schedule(seed)
        check(drawn.run(), (seed, drawn))
