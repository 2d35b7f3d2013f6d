"""One schedule of troubles over a whole job: prepare, apply, prove, undo, prove.

The program is the real one from :class:`donorfit.job.job.Job` down to the carrier; only the link,
the clock, the disk and the car are the world's. What is asserted is the car's memory.
"""

from __future__ import annotations

import random
import sys
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from enum import Enum
from functools import cache, lru_cache
from typing import TYPE_CHECKING
from unittest.mock import patch

from thin_car import SUPPORT_AMPS, WRITES, Bed, Yes, make_thin_bed
from troubles import Kind, Trouble, draw
from world import CancelledByPersonError, KilledError, World, WorldConnection

from donorfit.edge.clock import VirtualClock, run_in_virtual_time
from donorfit.errors import DonorfitError
from donorfit.job.job import Job
from donorfit.job.runner import CarAccess
from donorfit.job.store import decode_stored
from donorfit.records.change_record import ChangeRecord, StepState
from donorfit.records.encoding import compute_digest
from donorfit.records.plan import Plan, Step, StepKind

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable, Iterator, Mapping
    from typing import Any

    from donorfit.job.progress import Person

MOST_STARTS = 60
PAUSE_S = 20.0
TOO_OLD = "preparation is too old"
GOOD = frozenset((StepState.DONE, StepState.ALREADY))
MOST_TROUBLES = 8


@dataclass
class Result:
    """What one schedule came to."""

    end: str = ""
    starts: int = 0
    false_confirmations: list[str] = field(default_factory=list)
    unknown_states: list[str] = field(default_factory=list)
    lost_backups: list[str] = field(default_factory=list)
    never_struck: int = 0
    requests: int = 0
    struck: list[tuple[int, Trouble]] = field(default_factory=list)
    marks: set[str] = field(default_factory=set)

    @property
    def good(self) -> bool:
        return not (self.false_confirmations or self.unknown_states or self.lost_backups)


class Work(Enum):
    """Which part of the job a schedule is about."""

    WHOLE = "prepare, apply, prove, undo, prepare, apply, prove"
    FORWARD = "prepare, apply, prove"
    BACK = "undo, prepare, apply, prove"
    APPLY = "apply, prove"


class NeverEndsError(AssertionError):
    """The job does not come to an end although nothing goes wrong any more."""


class Schedule:
    """Runs a job in its world until it ends.

    Args:
        bed: what the job starts from.
        troubles: what strikes at which number.
        gives_up: the person goes back as soon as a run has not finished, however it ended.
        work: which part of the job; what comes before it has gone well.
    """

    def __init__(
        self,
        bed: Bed,
        troubles: Mapping[int, Trouble],
        *,
        gives_up: bool,
        work: Work = Work.WHOLE,
    ) -> None:
        self.world = World(bed, troubles)
        self._work = work
        self.result = Result()
        self._bed = bed
        self._gives_up = gives_up
        self._applying = False
        self.person: Person = Yes()

    def run(self) -> Result:
        """Carry the job out to its end, whatever happens."""
        if self._work is Work.BACK:
            self.world.resume_from(find_applied())
            finished = True
            self.result.end = "finished"
        else:
            if self._work is Work.APPLY:
                self.world.resume_from(find_prepared())
            else:
                self._prepare()
            finished = self._run_forward_and_prove()
        # A job that stopped for good, or was given up, always has to be taken back.
        if self._work in {Work.WHOLE, Work.BACK} or not finished:
            self._run_back()
        world, result = self.world, self.result
        result.lost_backups = world.lost_backups
        result.never_struck = world.drop_rest()
        result.requests = world.number
        result.struck = world.struck
        return result

    def _run_forward_and_prove(self) -> bool:
        finished = self._apply(self._bed.plan)
        self._applying = self._gives_up = False
        self.result.end = "finished" if finished else "stopped, told exactly"
        if finished:
            self._expect(self._bed.plan, "after apply")
            self._prove()
        return finished

    def _run_back(self) -> None:
        world, result, first = self.world, self.result, self.world.first_memory
        plan = self._start(self._plan_undo)
        self._prepare()
        if not self._apply(plan):
            result.end += ", undo stopped, told exactly"
            return
        self._prove(undo=True)
        wrong = [key for key, held in world.read_memory().items() if held != first[key]]
        if wrong:
            result.unknown_states.append(f"undo left {wrong}")
        result.end += ", undone"

    def run_forward(self) -> None:
        """Prepare and apply only."""
        self._prepare()
        self._apply(self._bed.plan)

    # --- stages -------------------------------------------------------------------------------

    def _prepare(self) -> None:
        for _ in range(MOST_STARTS):
            if self._start(lambda job: job.prepare(SUPPORT_AMPS)).ready:
                return
        raise NeverEndsError(self.result)

    def _apply(self, plan: Plan) -> bool:
        """Carry out a plan; True where it finished, False where it stopped for good."""
        digest = compute_digest(plan)
        again = 0
        self._applying = True
        before = self.world.read_memory()
        while True:
            change = self._start(
                lambda job: job.apply(digest, self._bed.software.__getitem__, SUPPORT_AMPS)
            )
            if change is None:
                return False
            self._check_record(plan, change, before)
            if change.finished:
                return True
            self.result.marks.add("stopped and taken up again")
            if self._is_stuck(change):
                return False
            if self._gives_up:
                self._gives_up = False
                return False
            again += self.world.over
            if again > MOST_STARTS:
                raise NeverEndsError(change.stop_reason)

    def _is_stuck(self, change: ChangeRecord) -> bool:
        """Whether taking it up again cannot help: a unit holds what nobody planned."""
        differs = any(step.state is StepState.DIFFERS for step in change.steps)
        return differs and bool(self.world.spoilt)

    def _prove(self, *, undo: bool = False) -> None:
        for _ in range(MOST_STARTS):
            proof = self._start(lambda job: job.prove())
            if proof.proved:
                self.result.marks.add("undo proved" if undo else "proved")
                return
        raise NeverEndsError(proof.findings, proof.faults)

    async def _plan_undo(self, job: Job) -> Plan:
        return job.plan_undo()

    def _start(self, deed: Callable[[Job], Awaitable[Any]]) -> Any:
        """Start the program for one stage, again and again until it gives a result.

        None where the person gave up instead.
        """
        for _ in range(MOST_STARTS):
            self.world.start_program()
            self.result.starts += 1
            ended = run_in_virtual_time(self._run_once(deed))
            if not isinstance(ended, BaseException):
                return ended
            self.result.marks.add(f"ended by {type(ended).__name__}")
            self._check_known()
            if self._applying and TOO_OLD in str(ended):
                # It was refused before anything was begun, so that there is nothing to give up.
                self._applying = False
                self._prepare()
                self._applying = True
            elif self._gives_up and self._applying:
                self._gives_up = False
                return None
        raise NeverEndsError(str(ended))

    async def _run_once(self, deed: Callable[[Job], Awaitable[Any]]) -> Any:
        clock = VirtualClock()
        world = self.world
        job = Job(
            pack=self._bed.pack,
            store=world.store,
            now=world.tell_date,
            car=CarAccess(
                connection=WorldConnection(world, clock),
                person=self.person,
                listener=lambda progress: self._listen(),
                sleep=clock.sleep,
                watch=self._watch,
            ),
        )
        try:
            return await deed(job)
        except (KilledError, CancelledByPersonError, DonorfitError) as error:
            return error
        except BaseExceptionGroup as group:
            kinds = (KilledError, CancelledByPersonError, DonorfitError)
            own, rest = group.split(kinds)
            if rest is not None:
                raise
            return own
        finally:
            world.dead = True
            world.end_program(clock.now(), PAUSE_S)

    def _watch(self, loop: Any) -> None:
        self._loop = loop

    def _listen(self) -> None:
        if self.world.stop_asked:
            self._loop.stop_asked = True

    # --- what must hold -----------------------------------------------------------------------

    def _check_known(self) -> None:
        """At every moment at which the program is gone: each value is an old or a new one."""
        memory = self.world.read_memory()
        allowed: dict[tuple[str, int], set[bytes]] = {}
        for step in self._bed.plan.steps:
            if step.kind in WRITES:
                allowed[step.unit, step.identifier] = {step.before, step.after}
            elif step.kind is StepKind.PROGRAM:
                # Between erase and check the unit stays in its boot loader and says so.
                versions = (step.software_before, step.software_after, "none")
                allowed[step.unit, 0] = {version.encode() for version in versions}
        for key, held in memory.items():
            known = allowed.get(key, {self.world.first_memory[key]})
            if held not in known and key not in self.world.spoilt:
                self.result.unknown_states.append(f"{key} holds {held.hex()}")

    def _check_record(
        self, plan: Plan, change: ChangeRecord, before: Mapping[tuple[str, int], bytes]
    ) -> None:
        """What a change record says is so in the car."""
        self._check_known()
        memory, wrong = self.world.read_memory(), self.result.false_confirmations
        states = {step.step: step for step in change.steps}
        for step in plan.steps:
            said = states[step.id]
            if step.kind in WRITES:
                held = memory[step.unit, step.identifier]
                if said.state in GOOD and held != step.after:
                    wrong.append(f"{step.id} {step.what} is said to be done: {held.hex()}")
                if said.state is StepState.DIFFERS and said.held != held:
                    wrong.append(f"{step.id} {step.what}: {held.hex()} is not what was told")
                if "holds the old bytes" in said.detail and held != step.before:
                    wrong.append(f"{step.id} {step.what} does not hold the old bytes")
            elif said.state in GOOD:
                self._check_deed(plan, step, memory)
        if change.finished and not all(step.state in GOOD for step in change.steps):
            wrong.append("finished, and a step is not done")
        self._check_changed(change, before, memory)

    def _check_deed(self, plan: Plan, step: Step, memory: Mapping[tuple[str, int], bytes]) -> None:
        wrong, unit = self.result.false_confirmations, step.unit
        if step.kind is StepKind.PROGRAM:
            if memory[unit, 0] not in list_brought(plan, step):
                wrong.append(f"{step.id} {step.what} is said to be done: {memory[unit, 0]}")
            return
        service = 0x11 if step.kind is StepKind.RESET else 0x14
        if not any(who == unit and pdu[0] == service for who, pdu in self.world.changes):
            wrong.append(f"{step.id} {step.what} is said to be done and never was")

    def _check_changed(
        self,
        change: ChangeRecord,
        before: Mapping[tuple[str, int], bytes],
        memory: Mapping[tuple[str, int], bytes],
    ) -> None:
        """Every unit that this plan has changed is named, so that nobody forgets it."""
        changed = {key[0] for key, held in memory.items() if held != before[key]}
        forgotten = changed - set(change.changed)
        if forgotten:
            self.result.unknown_states.append(
                f"the record does not say that {sorted(forgotten)} changed: {change.stop_reason}"
            )

    def _expect(self, plan: Plan, when: str) -> None:
        memory = self.world.read_memory()
        for step in plan.steps:
            if step.kind in WRITES and memory[step.unit, step.identifier] != step.after:
                self.result.false_confirmations.append(f"{when}: {step.what}")


def list_brought(plan: Plan, step: Step) -> set[bytes]:
    """Software that a unit may have once a download is done: its own, or a later one's of its row."""
    row = [each for each in plan.steps if (each.kind, each.unit) == (step.kind, step.unit)]
    return {each.software_after.encode() for each in row[row.index(step) :]}


_REMEMBERED = {
    compute_digest: lru_cache(maxsize=256)(compute_digest),
    decode_stored: lru_cache(maxsize=256)(decode_stored),
}


@contextmanager
def remember_digests() -> Iterator[None]:
    """Compute the digest of equal records, and read a record of the job file, once.

    It is a third of the campaign's time. Records are frozen, so that nobody can tell.
    """
    with ExitStack() as stack:
        for name, module in tuple(sys.modules.items()):
            for function, remembered in _REMEMBERED.items():
                own = name.startswith("donorfit.") or name == "moved_job"
                if own and vars(module).get(function.__name__) is function:
                    stack.enter_context(patch.object(module, function.__name__, remembered))
        yield


@cache
def find_applied() -> World:
    """The world after a job in which nothing went wrong, to go back from."""
    schedule = Schedule(make_thin_bed(), {}, gives_up=False)
    schedule._prepare()
    schedule._run_forward_and_prove()
    return schedule.world


@cache
def find_prepared() -> World:
    """The world after a preparation in which nothing went wrong, to begin to write in."""
    schedule = Schedule(make_thin_bed(), {}, gives_up=False)
    schedule._prepare()
    return schedule.world


@cache
def count_requests(work: Work = Work.WHOLE) -> int:
    """Requests of a job in which nothing goes wrong."""
    return run_schedule({}, work=work).requests


def run_schedule(
    troubles: Mapping[int, Trouble], *, gives_up: bool = False, work: Work = Work.WHOLE
) -> Result:
    """Run one schedule."""
    with remember_digests():
        return Schedule(make_thin_bed(), troubles, gives_up=gives_up, work=work).run()


@dataclass(frozen=True)
class Drawn:
    """A drawn schedule."""

    troubles: dict[int, Trouble]
    gives_up: bool
    work: Work

    def run(self) -> Result:
        """Run it."""
        return run_schedule(self.troubles, gives_up=self.gives_up, work=self.work)


def draw_schedule(seed: int) -> Drawn:
    """Up to eight troubles of any kinds at any places, and whether the person gives up."""
    dice = random.Random(seed)
    work = dice.choice((Work.FORWARD, Work.BACK, Work.FORWARD, Work.BACK, Work.WHOLE))
    places = count_requests(work)
    kinds = tuple(Kind)
    troubles = {
        dice.randint(1, places): draw(dice.choice(kinds), dice)
        for _ in range(dice.randint(1, MOST_TROUBLES))
    }
    gives_up = work is not Work.BACK and dice.random() < 0.25
    return Drawn(troubles=troubles, gives_up=gives_up, work=work)


def list_single(places: int, seed: int = 1) -> Iterator[dict[int, Trouble]]:
    """Every kind at every place."""
    dice = random.Random(seed)
    for place in range(1, places + 1):
        for kind in Kind:
            yield {place: draw(kind, dice)}


def list_pairs(last: int, *, first: int = 1, seed: int = 2) -> Iterator[dict[int, Trouble]]:
    """Every pair of places from the first to the last, each with two kinds that are drawn."""
    dice = random.Random(seed)
    kinds = tuple(Kind)
    for late in range(first + 1, last + 1):
        for early in range(first, late):
            yield {
                early: draw(dice.choice(kinds), dice),
                late: draw(dice.choice(kinds), dice),
            }


@cache
def find_apply_places() -> tuple[int, int]:
    """First and last request of applying, in a job in which nothing goes wrong."""
    schedule = Schedule(make_thin_bed(), {}, gives_up=False)
    schedule._prepare()
    first = schedule.world.number + 1
    schedule._apply(make_thin_bed().plan)
    return first, schedule.world.number
