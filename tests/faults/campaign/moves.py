"""What a person does: the moves that a schedule draws between and instead of the next command.

Each move goes through the entry points that the command line uses, with the checks that it makes
outside of them, and starts the program once: what ends it, ends the move.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import Enum
from typing import TYPE_CHECKING

from thin_car import MODULE, SUPPORT_AMPS, Yes

from donorfit.cli.outcome_errors import raise_for_preparation
from donorfit.errors import SafetyError
from donorfit.job.job import PLAN, confirm_digest
from donorfit.job.status import describe_status
from donorfit.job.unfinished import find_unfinished
from donorfit.records.encoding import compute_digest
from donorfit.records.plan import Plan, PlanPurpose
from donorfit.stages.plan import PlanChoices

if TYPE_CHECKING:
    import random
    from collections.abc import Mapping
    from typing import Any

    from donorfit.job.job import Job
    from donorfit.vehicle.software import SoftwareImage

CHOICES = (PlanChoices(), PlanChoices(repair=1), PlanChoices(wire_length_m=3.0))
"""The plan again, one that writes other bytes to the same places, one that only reads otherwise."""


class Move(Enum):
    """One thing that the person does."""

    FOLLOW = "what status says comes next"
    STATUS = "status"
    SURVEY = "survey"
    PLAN = "check and plan again"
    PLAN_ON_OLD = "plan again without a check"
    SURVEY_AND_PLAN = "survey, check and plan again"
    PREPARE = "prepare"
    PREPARE_NO = "prepare, and say no once"
    PREPARE_NOBODY = "prepare, and leave a question open"
    APPLY = "apply"
    APPLY_INTERRUPTED = "apply, and stop it on the way"
    APPLY_OLD_DIGEST = "apply with the digest of an older plan"
    RESUME = "resume"
    RESUME_INTERRUPTED = "resume, and stop it on the way"
    PROVE = "prove"
    PROVE_INTERRUPTED = "prove, and stop it on the way"
    PROVE_NO = "prove, and say no once"
    PROVE_NOBODY = "prove, and leave a question open"
    UNDO_LOOK = "look at the way back"
    UNDO_LOOK_TWICE = "look at the way back twice"
    UNDO = "undo"
    UNDO_INTERRUPTED = "undo, and stop it on the way"
    UNDO_OLD_DIGEST = "undo with the digest of an older plan"
    RECORD = "write the record"
    COPY = "put a copy of the job file aside"
    SWITCH = "go on with the copy that was put aside"


INTERRUPTED = frozenset(
    (
        Move.APPLY_INTERRUPTED,
        Move.RESUME_INTERRUPTED,
        Move.PROVE_INTERRUPTED,
        Move.UNDO_INTERRUPTED,
    )
)
REFUSED = frozenset((Move.APPLY_OLD_DIGEST, Move.UNDO_OLD_DIGEST))
"""Moves that must end in a refusal, whenever they are made."""
RESUMING = frozenset((Move.RESUME, Move.RESUME_INTERRUPTED))


@dataclass(frozen=True)
class Turn:
    """A move, and a number that says where in it: the question, the request, the choice."""

    move: Move
    number: int


class Wavering(Yes):
    """A person who gives another answer than the good one to one question, or none."""

    def __init__(self, at: int, *, there: bool) -> None:
        self._left = at
        self._there = there

    def answer(self, question_id: str, text: str, choices: tuple[str, ...]) -> str | None:
        self._left -= 1
        if self._left:
            return super().answer(question_id, text, choices)
        return choices[1] if self._there else None


class Hands:
    """Carries moves out as the command line does.

    Attributes:
        confirmed: digest of the plan whose carrying out the person has confirmed in this move;
            empty where in none.
    """

    def __init__(self, software: Mapping[str, SoftwareImage]) -> None:
        self._software = software
        self.confirmed = ""

    async def do(self, job: Job, turn: Turn) -> Any:  # noqa: C901, PLR0912 - one case a move
        """Make one move.

        Raises:
            DonorfitError: it was refused or could not go on.
        """
        self.confirmed = ""
        match turn.move:
            case Move.FOLLOW:
                return await self._follow(job, turn.number)
            case Move.STATUS:
                return say_status(job)
            case Move.SURVEY:
                return await job.survey()
            case Move.PLAN:
                job.check(MODULE)
                return job.plan(CHOICES[turn.number % len(CHOICES)])
            case Move.PLAN_ON_OLD:
                return job.plan(CHOICES[turn.number % len(CHOICES)])
            case Move.SURVEY_AND_PLAN:
                await job.survey()
                job.check(MODULE)
                return job.plan(CHOICES[turn.number % len(CHOICES)])
            case Move.PREPARE | Move.PREPARE_NO | Move.PREPARE_NOBODY:
                return await self.prepare(job)
            case Move.APPLY | Move.APPLY_INTERRUPTED:
                return await self.apply(job, compute_digest(job.require(PLAN, Plan)))
            case Move.APPLY_OLD_DIGEST:
                return await self.apply(job, choose_other_digest(job, turn.number))
            case Move.RESUME | Move.RESUME_INTERRUPTED:
                return await self._resume(job)
            case Move.PROVE | Move.PROVE_INTERRUPTED | Move.PROVE_NO | Move.PROVE_NOBODY:
                return await job.prove()
            case Move.UNDO_LOOK:
                return job.plan_undo()
            case Move.UNDO_LOOK_TWICE:
                first = job.plan_undo()
                again = job.plan_undo()
                if compute_digest(first) != compute_digest(again):
                    message = "the way back is another one when it is looked at again"
                    raise AssertionError(message)
                return again
            case Move.UNDO | Move.UNDO_INTERRUPTED:
                return await self.undo(job, compute_digest(job.require(PLAN, Plan)))
            case Move.UNDO_OLD_DIGEST:
                return await self.undo(job, choose_other_digest(job, turn.number))
            case Move.RECORD:
                return job.hand_over(mask=False)
        raise AssertionError(turn)

    async def prepare(self, job: Job) -> Any:
        """Prepare, and say where the car is not ready."""
        preparation = await job.prepare(SUPPORT_AMPS)
        raise_for_preparation(preparation)
        return preparation

    async def apply(self, job: Job, digest: str, support_a: float | None = None) -> Any:
        """Carry the newest plan out."""
        self.confirmed = digest
        return await job.apply(digest, self._software.__getitem__, support_a)

    async def undo(self, job: Job, digest: str) -> Any:
        """Carry the way back out."""
        plan = job.require(PLAN, Plan)
        if plan.purpose is not PlanPurpose.UNDO:
            raise SafetyError(what="There is no plan for the way back yet.")
        confirm_digest(plan, digest)
        await self.prepare(job)
        return await self.apply(job, digest)

    async def _resume(self, job: Job) -> Any:
        unfinished = find_unfinished(job.store)
        if unfinished.plan_digest:
            job.take_up(unfinished.plan_digest, unfinished.preparation_digest)
        match unfinished.stage:
            case "survey":
                return await job.survey()
            case "prepare":
                return await self.prepare(job)
            case "apply":
                digest = compute_digest(job.require(PLAN, Plan))
                return await self.apply(job, digest, SUPPORT_AMPS)
            case "prove":
                return await job.prove()
        return None

    async def _follow(self, job: Job, number: int) -> Any:  # noqa: C901 - one case a command
        """What status says; of two ways one by the number."""
        ways = re.split(r", or ", say_status(job).next_step)
        command = ways[number % len(ways)]
        found = re.search(r"donorfit (\w+) JOB", command)
        if found is None:
            return command  # nothing is left to do
        digest = re.search(r"--write (\w+)", command)
        match found.group(1):
            case "survey":
                return await job.survey()
            case "check":
                return job.check(MODULE)
            case "plan":
                return job.plan(PlanChoices())
            case "prepare":
                return await self.prepare(job)
            case "apply":
                return await self.apply(job, digest.group(1))
            case "resume":
                return await self._resume(job)
            case "prove":
                return await job.prove()
            case "undo" if digest is not None:
                return await self.undo(job, digest.group(1))
            case "undo":
                return job.plan_undo()
            case "record":
                return job.hand_over(mask=False)
        raise AssertionError(command)


def say_status(job: Job) -> Any:
    """Where the job stands."""
    store = job.store
    return describe_status(store, {run.run: store.read_run(run.run) for run in store.list_runs()})


def choose_other_digest(job: Job, number: int) -> str:
    """The digest of a plan that is not the newest; of none where there is only one."""
    newest = compute_digest(job.require(PLAN, Plan))
    others = [
        each.digest
        for each in job.store.list_records()
        if each.kind == PLAN and each.digest != newest
    ]
    return others[number % len(others)][: 12 + number % 53] if others else f"{number:064x}"


def choose_person(turn: Turn) -> Yes:
    """Who answers the questions of a move."""
    match turn.move:
        case Move.PREPARE_NO | Move.PROVE_NO:
            return Wavering(1 + turn.number % 18, there=True)
        case Move.PREPARE_NOBODY | Move.PROVE_NOBODY:
            return Wavering(1 + turn.number % 18, there=False)
    return Yes()


CHANGED_MIND = (
    Move.PREPARE,
    Move.APPLY_INTERRUPTED,
    Move.UNDO_LOOK,
    Move.UNDO_INTERRUPTED,
    Move.SURVEY_AND_PLAN,
    Move.PREPARE,
    Move.APPLY,
)
TOGETHER = (
    CHANGED_MIND,
    (Move.PREPARE, Move.APPLY_INTERRUPTED),
    (Move.PREPARE, Move.APPLY),
    (Move.SURVEY_AND_PLAN, Move.PREPARE, Move.APPLY_INTERRUPTED),
    (Move.PLAN, Move.PREPARE, Move.APPLY_INTERRUPTED),
    (Move.UNDO_LOOK, Move.UNDO_INTERRUPTED),
    (Move.UNDO_LOOK, Move.UNDO),
    (Move.PREPARE, Move.COPY, Move.APPLY_INTERRUPTED, Move.SWITCH),
    (Move.APPLY_INTERRUPTED, Move.COPY, Move.UNDO_LOOK, Move.UNDO, Move.SWITCH, Move.RESUME),
    (Move.APPLY_INTERRUPTED, Move.COPY, Move.RESUME, Move.SWITCH),
    (Move.COPY, Move.UNDO_LOOK, Move.UNDO_INTERRUPTED, Move.SWITCH, Move.PROVE),
    (Move.PROVE_NOBODY, Move.COPY, Move.UNDO_LOOK, Move.UNDO, Move.SWITCH, Move.PROVE),
    (Move.PROVE_INTERRUPTED, Move.COPY, Move.UNDO_LOOK, Move.UNDO, Move.SWITCH, Move.PROVE),
)
"""Moves that go far together."""
BEGINNINGS = (
    (Move.PREPARE, Move.APPLY_INTERRUPTED),
    (Move.PREPARE, Move.APPLY_INTERRUPTED),
    (Move.PREPARE, Move.APPLY),
    (Move.PLAN, Move.PREPARE, Move.APPLY_INTERRUPTED),
    (Move.PREPARE, Move.COPY, Move.APPLY_INTERRUPTED),
)
_OFTEN = (Move.FOLLOW, Move.FOLLOW, Move.FOLLOW, Move.RESUME, Move.UNDO_LOOK, Move.UNDO)


def draw_turns(dice: random.Random, most: int = 14) -> tuple[Turn, ...]:
    """Moves after each other: any one, what comes next anyway, or some that go far together."""
    # Nothing can go wrong before something was written.
    moves: list[Move] = list(dice.choice(BEGINNINGS)) if dice.random() < 0.85 else []
    everything = tuple(Move)
    while len(moves) < most and (not moves or dice.random() < 0.93):
        way = dice.random()
        if way < 0.45:
            moves.append(dice.choice(everything))
        elif way < 0.7:
            moves.append(dice.choice(_OFTEN))
        else:
            moves += dice.choice(TOGETHER)
    return tuple(Turn(move, dice.randrange(1 << 16)) for move in moves)
