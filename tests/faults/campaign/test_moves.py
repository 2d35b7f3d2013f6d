"""Whole jobs whose person does anything at any moment; the car's memory is the judge.

The scenes are jobs that once ended wrongly. The default run draws a sample beside them; ``--long``
draws three thousand, and breaks the program on purpose to see that the judge notices.
"""

from __future__ import annotations

from contextlib import ExitStack, contextmanager
from typing import TYPE_CHECKING
from unittest.mock import patch

import moved_job
import pytest
from campaign import NeverEndsError
from memory_store import MemoryStore
from moves import Move, Turn

from donorfit.job import job as job_module
from donorfit.job import readiness, standing, status
from donorfit.job.job import PLAN, Job
from donorfit.job.loop import Loop
from donorfit.stages.apply import look_again
from donorfit.stages.apply.look_again import NO_CLAIMS

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from typing import Any

KILLED = 42
"""Number of a turn that kills the program in the midst of writing."""
KILLED_EARLY = 22
IN_DOWNLOAD = 77
KILLED_LATE = 87

SCENES: dict[str, tuple[Move | tuple[Move, int], ...]] = {
    "planned anew after the way back was given up": (
        *(Move.PREPARE, (Move.APPLY_INTERRUPTED, KILLED), Move.UNDO_LOOK),
        *((Move.UNDO_INTERRUPTED, 62), Move.SURVEY_AND_PLAN, Move.PREPARE, Move.APPLY),
    ),
    "planned anew after a stop": (
        *(Move.PREPARE, (Move.APPLY_INTERRUPTED, KILLED), (Move.SURVEY_AND_PLAN, 2)),
        *(Move.PREPARE, Move.APPLY, Move.PROVE),
    ),
    "three retrofits on each other": (
        *(Move.PREPARE, (Move.APPLY_INTERRUPTED, KILLED), (Move.SURVEY_AND_PLAN, 2)),
        *(Move.PREPARE, (Move.APPLY_INTERRUPTED, KILLED_EARLY), Move.SURVEY_AND_PLAN),
        *(Move.PREPARE, Move.APPLY),
    ),
    "planned anew from a survey of a boot loader": (
        *(Move.PREPARE, (Move.APPLY_INTERRUPTED, IN_DOWNLOAD), Move.SURVEY_AND_PLAN),
        *(Move.PREPARE, (Move.APPLY_INTERRUPTED, KILLED_EARLY)),
    ),
    "prepared again in the midst": (
        *(Move.PREPARE, (Move.APPLY_INTERRUPTED, KILLED), Move.PREPARE),
        *((Move.APPLY_INTERRUPTED, 7), Move.PREPARE, Move.APPLY),
    ),
    "a copy of a cut run after the way back": (
        *(Move.PREPARE, (Move.APPLY_INTERRUPTED, KILLED), Move.COPY, Move.UNDO_LOOK, Move.UNDO),
        *(Move.SWITCH, Move.RESUME),
    ),
    "a copy of a cut way back after going forward again": (
        *(Move.PREPARE, Move.APPLY, Move.UNDO_LOOK, (Move.UNDO_INTERRUPTED, KILLED_LATE)),
        *(Move.COPY, Move.RESUME, Move.PLAN, Move.PREPARE, Move.APPLY, Move.SWITCH, Move.RESUME),
    ),
    "a copy of a proof with answers, after the way back": (
        *(Move.PREPARE, Move.APPLY, (Move.PROVE_NOBODY, 4), Move.COPY, Move.UNDO_LOOK),
        *(Move.UNDO, Move.SWITCH, Move.PROVE),
    ),
    "a copy of a proof that was cut, after the way back": (
        *(Move.PREPARE, Move.APPLY, (Move.PROVE_INTERRUPTED, 12), Move.COPY, Move.UNDO_LOOK),
        *(Move.UNDO, Move.SWITCH, Move.PROVE),
    ),
    "the way back is looked at, then forward": (
        *(Move.PREPARE, (Move.APPLY_INTERRUPTED, KILLED), Move.UNDO_LOOK, Move.RESUME),
        *(Move.UNDO_LOOK_TWICE, Move.PROVE, Move.RECORD),
    ),
    "digests of older plans": (
        *(Move.APPLY_OLD_DIGEST, Move.PREPARE, (Move.PLAN, 1), Move.APPLY_OLD_DIGEST),
        *(
            Move.PREPARE,
            Move.APPLY_OLD_DIGEST,
            Move.APPLY,
            Move.UNDO_LOOK,
            Move.UNDO_OLD_DIGEST,
            Move.APPLY_OLD_DIGEST,
        ),
    ),
    "another plan is made beside a cut run": (
        *(Move.PREPARE, (Move.APPLY_INTERRUPTED, KILLED), (Move.SURVEY_AND_PLAN, 2)),
        *(Move.PREPARE, Move.RESUME, Move.PROVE),
    ),
    "done, undone, done": (
        *(Move.PREPARE, Move.APPLY, Move.UNDO_LOOK, Move.UNDO, Move.PLAN, Move.PREPARE),
        *((Move.APPLY_INTERRUPTED, KILLED), Move.STATUS, Move.FOLLOW, Move.FOLLOW, Move.FOLLOW),
    ),
    "no and nobody": (
        *((Move.PREPARE_NO, 3), Move.APPLY, (Move.PREPARE_NOBODY, 5), Move.RESUME, Move.APPLY),
        *((Move.PROVE_NO, 2), Move.RECORD, Move.PROVE, Move.RECORD),
    ),
    "what status says": (Move.FOLLOW,) * 6,
    "nothing is open": (Move.RESUME, Move.PROVE, Move.RECORD, Move.UNDO_LOOK, Move.UNDO),
}


def play(scene: str) -> moved_job.MovedResult:
    turns = tuple(
        Turn(*each) if isinstance(each, tuple) else Turn(each, 0) for each in SCENES[scene]
    )
    return moved_job.MovedDrawn(turns=turns, troubles={}).run()


def check(result: moved_job.MovedResult, what: object) -> None:
    assert not result.false_confirmations, (what, result.false_confirmations)
    assert not result.unknown_states, (what, result.unknown_states)
    assert not result.lost_backups, (what, result.lost_backups)
    assert not result.refused_with_changes, (what, result.refused_with_changes)
    assert not result.unconfirmed, (what, result.unconfirmed)
    assert not result.misled, (what, result.misled)
    assert result.end, what


@pytest.mark.parametrize("scene", SCENES)
def test_a_scene(scene: str) -> None:
    result = play(scene)
    check(result, scene)
    assert result.end == "everything taken back"


def test_drawn_moves() -> None:
    for seed in range(12):
        check(moved_job.draw_moves(seed, most_troubles=0).run(), seed)


def test_drawn_moves_under_faults() -> None:
    for seed in range(100, 112):
        check(moved_job.draw_moves(seed).run(), seed)


@pytest.mark.long
@pytest.mark.timeout(6 * 3600)
def test_three_thousand_drawn_moves() -> None:
    for seed in range(50_000, 53_000):
        check(moved_job.draw_moves(seed, most_troubles=8 * (seed % 2)).run(), seed)


# --- the program is broken on purpose ------------------------------------------------------


def _forget_what_lies_below() -> Any:
    """Undo knows the newest retrofit only."""
    own = standing._begin

    def begin(pile: list[Any], *rest: Any) -> None:
        if pile and pile[-1].plan_digest != rest[0]:
            pile.clear()
        own(pile, *rest)

    return patch.object(standing, "_begin", begin)


def _accept_any_digest() -> Any:
    """Apply carries the newest plan out, whatever was confirmed."""
    return patch.object(job_module, "confirm_digest", lambda plan, confirmation: None)


def _trust_the_journal_when_proving() -> Any:
    """A proof that is taken up replays its readings."""

    def load_past(self: Loop) -> Any:
        past = self._journal.read_past()
        return {name: {ask.number: ask for ask in asks} for name, asks in past.items()}

    return patch.object(Loop, "_load_past", load_past)


def _do_not_look_again() -> Any:
    """What the journal says was closed is done."""

    def apply_again(*args: Any, claims: Any, **named: Any) -> Any:
        del claims
        return look_again.apply_again(*args, claims=NO_CLAIMS, **named)

    return patch.object(job_module, "apply_again", apply_again)


def _resume_whatever_is_newest() -> Any:
    """Resume does not ask which plan was confirmed."""
    return patch.object(Job, "take_up", lambda self, plan, preparation: None)


def _leave_a_trace_of_refusals() -> Any:
    """Apply writes into the job file before it looks whether it may."""
    own = Job.apply

    async def apply(self: Job, *args: Any) -> Any:
        self.store.add_record(PLAN, self.store.find_latest(PLAN).data)
        return await own(self, *args)

    return patch.object(Job, "apply", apply)


@contextmanager
def _lose_backups() -> Iterator[None]:
    """Backups are not kept, and nobody misses them."""
    with ExitStack() as stack:
        stack.enter_context(patch.object(MemoryStore, "read_backup", lambda self, digest: None))
        stack.enter_context(patch.object(readiness, "_list_missing_backups", lambda *_: []))
        yield


def _advise_wrongly() -> Any:
    """Status says that a record can be written."""
    return patch.object(status, "_choose_next", lambda store: "donorfit record JOB")


def _undo_only_what_was_recorded() -> Any:
    """A run that was cut is taken for one that did nothing."""

    def presume(plan: Any, preparation: Any, earlier: Any) -> Any:
        change = _PRESUME(plan, preparation, earlier)
        return moved_job.replace(change, steps=earlier.steps if earlier else ())

    return patch.object(job_module, "presume_change", presume)


_PRESUME = job_module.presume_change

MUTATIONS: dict[Callable[[], Any], tuple[str, str]] = {
    _forget_what_lies_below: ("planned anew after a stop", "unknown_states"),
    _accept_any_digest: ("digests of older plans", "false_confirmations"),
    _trust_the_journal_when_proving: (
        "a copy of a proof that was cut, after the way back",
        "false_confirmations",
    ),
    _do_not_look_again: ("a copy of a cut run after the way back", "false_confirmations"),
    _resume_whatever_is_newest: ("another plan is made beside a cut run", "unconfirmed"),
    _leave_a_trace_of_refusals: ("digests of older plans", "refused_with_changes"),
    _lose_backups: ("planned anew after a stop", "lost_backups"),
    _advise_wrongly: ("what status says", "misled"),
    _undo_only_what_was_recorded: ("three retrofits on each other", "unknown_states"),
}


@pytest.mark.long
@pytest.mark.parametrize("mutation", MUTATIONS, ids=lambda each: each.__name__.strip("_"))
def test_the_judge_sees_what_is_broken(mutation: Callable[[], Any]) -> None:
    scene, kind = MUTATIONS[mutation]
    caught = []
    job = None
    with mutation():
        turns = tuple(
            Turn(*each) if isinstance(each, tuple) else Turn(each, 0) for each in SCENES[scene]
        )
        with moved_job.remember_digests():
            job = moved_job.MovedJob(moved_job.make_moved_bed(), {}, turns)
            try:
                job.run()
            except NeverEndsError as error:
                caught.append(str(error))
    found = job.world.lost_backups if kind == "lost_backups" else getattr(job.result, kind)
    assert found, (job.result, caught)
