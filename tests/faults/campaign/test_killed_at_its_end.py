"""A program that is killed between the record of a run and its end takes the very run up again."""

from __future__ import annotations

from typing import Any

import memory_store
import world
from campaign import Schedule
from thin_car import make_thin_bed
from world import KilledError

import donorfit.job.job as job_module
from donorfit.stages.apply import look_again

BROKEN_OFF = 3
"""Refused blocks after which a download stops, and leaves its unit uncertain."""


def test_the_run_is_replayed_as_it_was_begun(monkeypatch) -> None:
    begun: list[frozenset[str]] = []
    left = [BROKEN_OFF]
    killed = []
    carry_out, end = world.World._carry_out, memory_store.StoreRun.end

    def refuse_blocks(self: Any, target: Any, pdu: bytes, now_s: float) -> Any:
        if pdu[0] == 0x36 and left[0]:
            left[0] -= 1
            return self._refuse(target, pdu, 0x72)
        return carry_out(self, target, pdu, now_s)

    def be_killed(self: Any) -> None:
        if self._run.stage == "apply" and not killed:
            killed.append(self._run)
            raise KilledError
        end(self)

    def apply_again(*args: Any, **named: Any) -> Any:
        begun.append(named["begun"])
        return look_again.apply_again(*args, **named)

    monkeypatch.setattr(world.World, "_carry_out", refuse_blocks)
    monkeypatch.setattr(memory_store.StoreRun, "end", be_killed)
    monkeypatch.setattr(job_module, "apply_again", apply_again)
    schedule = Schedule(make_thin_bed(), {}, gives_up=False)
    schedule._prepare()
    assert schedule._apply(schedule._bed.plan)
    (step,) = [each.id for each in schedule._bed.plan.steps if each.software_file]
    # Begun, taken up as it was, and only then begun anew with what its record left uncertain.
    assert begun[:2] == [frozenset(), frozenset()]
    assert step in begun[2]
