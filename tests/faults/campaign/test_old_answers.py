"""Answers to the checks by hand count for one sitting, also where a proof was cut after them."""

from __future__ import annotations

from dataclasses import replace

import pytest
from campaign import Schedule
from thin_car import make_thin_bed
from troubles import Kind, Trouble

from donorfit.records.plan import PlannedCheck


class Person:
    """Answers with the first choice, and counts."""

    def __init__(self) -> None:
        self.asked: list[str] = []

    def answer(self, question_id: str, text: str, choices: tuple[str, ...]) -> str | None:
        del text
        self.asked.append(question_id)
        return choices[0]


CHECK = PlannedCheck(id="lamp", text="Is the lamp lit?")


@pytest.mark.parametrize(("hours", "times"), [(1, 1), (5, 2), (-5, 2)])
def test_old_answers_are_asked_for_again(hours: int, times: int) -> None:
    thin = make_thin_bed()
    bed = replace(thin, plan=replace(thin.plan, checks=(CHECK,)))
    schedule = Schedule(bed, {}, gives_up=False)
    schedule._prepare()
    assert schedule._apply(bed.plan)
    before, world = schedule.result.starts, schedule.world
    # The check comes before the first reading; the clock is set, so that the car does not sleep.
    world._schedule[world.number + 2] = Trouble(Kind.WALL_CLOCK, seconds=hours * 3600.0)
    world._schedule[world.number + 3] = Trouble(Kind.KILL_BEFORE)
    schedule.person = Person()
    assert schedule._start(lambda job: job.prove()).proved
    assert schedule.result.starts == before + 2
    assert schedule.person.asked == ["check-lamp"] * times
