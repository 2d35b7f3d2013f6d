"""A job whose person does anything at any moment, under faults; the car's memory is the judge.

After the last move everything is taken back, one retrofit after the other, and the car has to hold
what it held before anything was ever changed.
"""

from __future__ import annotations

import random
from dataclasses import dataclass, field, replace
from functools import cache
from typing import TYPE_CHECKING

from campaign import (
    MOST_STARTS,
    MOST_TROUBLES,
    TOO_OLD,
    NeverEndsError,
    Result,
    Schedule,
    list_brought,
    remember_digests,
)
from moves import (
    INTERRUPTED,
    REFUSED,
    RESUMING,
    Hands,
    Move,
    Turn,
    choose_person,
    draw_turns,
)
from thin_car import MODULE, SUPPORT_AMPS, WRITES, Yes, make_thin_bed
from troubles import Kind, Trouble, draw
from world import World, read_preparation

from donorfit.edge.clock import run_in_virtual_time
from donorfit.errors import SafetyError
from donorfit.job.job import CHANGE, PLAN, PREPARATION, PROOF
from donorfit.job.store import decode_stored
from donorfit.records.change_record import ChangeRecord, StepState
from donorfit.records.encoding import compute_digest, encode
from donorfit.records.plan import Plan, PlanPurpose, StepKind
from donorfit.records.preparation import Preparation
from donorfit.records.proof import Proof
from donorfit.stages.plan import PlanChoices

if TYPE_CHECKING:
    from collections.abc import Mapping
    from typing import Any

    from memory_store import MemoryStore
    from thin_car import Bed

    from donorfit.job.job import Job

PLACES = 500
"""Requests within which faults are drawn; what comes after them meets none."""
MOST_UNDOS = 12
NOTHING_LEFT = "nothing to take back"
INTERRUPTIONS = (Kind.STOP, Kind.CANCEL, Kind.KILL_BEFORE, Kind.KILL_AFTER, Kind.KILL_AT_JOURNAL)
Places = dict[tuple[str, int], bytes]


@dataclass
class MovedResult(Result):
    """What a schedule with moves came to.

    Attributes:
        moves: moves that were made, with how each ended.
        refused_with_changes: refusals that left the car or the records other than before.
        unconfirmed: changes of the car that nobody had confirmed.
        misled: what status told to do and was refused at once.
    """

    moves: list[tuple[Move, str]] = field(default_factory=list)
    refused_with_changes: list[str] = field(default_factory=list)
    unconfirmed: list[str] = field(default_factory=list)
    misled: list[str] = field(default_factory=list)

    @property
    def good(self) -> bool:
        own = (self.refused_with_changes, self.unconfirmed, self.misled)
        return Result.good.fget(self) and not any(own)


class MovedWorld(World):
    """A world with several job files, in which a first backup is looked for by place."""

    def __init__(self, bed: Bed, schedule: Mapping[int, Trouble]) -> None:
        super().__init__(bed, schedule)
        self.stores: list[MemoryStore] = [self.store]

    def use(self, store: MemoryStore) -> None:
        """Go on with another job file."""
        store.on_write = self._meet_write
        store.now = self.tell_date
        self.store = store
        if store not in self.stores:
            self.stores.append(store)

    def _look_for_backups(self, unit: str, pdu: bytes) -> None:
        """Some job file holds the first bytes of what is written now, and this one the newest."""
        if pdu[0] != 0x2E:
            return
        key = (unit, int.from_bytes(pdu[1:3]))
        backups = [
            (store, backup)
            for store in self.stores
            for stored in store.list_records()
            if stored.kind == PREPARATION
            for backup in read_preparation(stored).backups
            if (backup.unit, backup.identifier) == key
        ]
        if not any(
            backup.data == self.first_memory[key]
            and store.read_backup(backup.sha256) == backup.data
            for store, backup in backups
        ):
            self.lost_backups.append(f"{unit} {pdu[:3].hex()}: the first bytes are in no backup")
        newest = self.store.find_latest(PREPARATION)
        kept = read_preparation(newest).backups if newest else ()
        if all((each.unit, each.identifier) != key for each in kept):
            self.lost_backups.append(f"{unit} {pdu[:3].hex()}: not in the newest preparation")


class MovedJob(Schedule):
    """Makes moves, then takes everything back."""

    def __init__(self, bed: Bed, troubles: Mapping[int, Trouble], turns: tuple[Turn, ...]) -> None:
        super().__init__(bed, troubles, gives_up=False)
        self.world = MovedWorld(bed, troubles)
        self.result = MovedResult()
        self._turns = turns
        self._hands = Hands(bed.software)
        self._copies: list[MemoryStore] = []
        self._writers: list[MemoryStore] = []
        self._plans: dict[str, Plan] = {}
        self._baseline: tuple[str, Places] = ("", {})
        self._move: Move | None = None
        self._seen = 0

    def run(self) -> MovedResult:
        """Make the moves, take everything back, and judge."""
        for turn in self._turns:
            if turn.move is Move.COPY:
                self._copies.append(self.world.store.copy_file())
                self.result.moves.append((turn.move, "made"))
            elif turn.move is Move.SWITCH:
                self._switch(turn)
            else:
                self._make(turn)
        self._move = None
        self._take_all_back()
        world, result = self.world, self.result
        result.lost_backups = world.lost_backups
        result.never_struck = world.drop_rest()
        result.requests = world.number
        result.struck = world.struck
        return result

    # --- moves --------------------------------------------------------------------------------

    def _switch(self, turn: Turn) -> None:
        """The copy becomes the job file, and the one before it a copy."""
        if not self._copies:
            self.result.moves.append((turn.move, "no copy"))
            return
        store = self._copies.pop(turn.number % len(self._copies))
        self._copies.append(self.world.store)
        self.world.use(store)
        self._baseline = ("", {})
        self.result.moves.append((turn.move, "made"))

    def _make(self, turn: Turn) -> None:
        world, self._move = self.world, turn.move
        if turn.move in INTERRUPTED:
            kind = INTERRUPTIONS[turn.number % len(INTERRUPTIONS)]
            world._schedule.setdefault(world.number + 1 + turn.number % 90, Trouble(kind))
        self.person = choose_person(turn)
        ended = self._carry_out(lambda job: self._hands.do(job, turn))
        self.person = Yes()
        how = type(ended).__name__ if isinstance(ended, BaseException) else "made"
        self.result.moves.append((turn.move, how))
        if turn.move in REFUSED and not isinstance(ended, BaseException):
            self.result.false_confirmations.append(f"{turn.move.value} was not refused")
        sent = world.number - self._number_before
        # Status has no clock, so that it cannot know how old a preparation is.
        refused = isinstance(ended, SafetyError) and TOO_OLD not in str(ended)
        if turn.move is Move.FOLLOW and refused and not sent:
            self.result.misled.append(str(ended))

    def _carry_out(self, deed: Any) -> Any:
        """Start the program once for a deed, and judge what it left."""
        world = self.world
        before, changes, counted = world.read_memory(), len(world.changes), world.store.count_all()
        begun = self._find_begun()
        self._seen = len(world.store.list_records())
        self._number_before = world.number
        world.start_program()
        self.result.starts += 1
        self._hands.confirmed = ""
        ended = run_in_virtual_time(self._run_once(deed))
        new = world.changes[changes:]
        if new:
            plan = self._find_begun()
            if self._baseline[0] != plan:
                self._baseline = (plan, before)
            if world.store not in self._writers:
                self._writers.append(world.store)
        self._check_known()
        self._check_confirmed(new, begun)
        if isinstance(ended, SafetyError):
            self._check_refusal(ended, new, counted)
        self._check_new_records(before)
        return ended

    def _find_begun(self) -> str:
        """Digest of the plan whose carrying out was begun last in this job file."""
        begun = [run.context for run in self.world.store.list_runs() if run.stage == "apply"]
        return begun[-1].partition(" ")[0] if begun else ""

    # --- the way back -------------------------------------------------------------------------

    def _take_all_back(self) -> None:
        """Undo, until nothing is left to take back; then the first bytes are there again."""
        world, result = self.world, self.result
        for _ in range(MOST_UNDOS):
            plan = self._plan_way_back()
            if plan is None:
                break
            if not (self._prepare_way_back() and self._carry_back(plan)):
                result.end = "undo stopped, told exactly"
                if not (world.spoilt or self._diverged):
                    result.unknown_states.append("undo did not come to its end")
                return
            result.marks.add("undone")
        else:
            raise NeverEndsError(plan)
        first = world.first_memory
        wrong = [key for key, held in world.read_memory().items() if held != first[key]]
        if wrong and not self._diverged:
            result.unknown_states.append(f"undo left {wrong}")
        result.end = "everything taken back" if not wrong else "other files hold the rest"

    @property
    def _diverged(self) -> bool:
        """Whether more than one job file has changed the car, so that each knows a part."""
        return any(store is not self.world.store for store in self._writers)

    def _plan_way_back(self) -> Plan | None:
        for _ in range(MOST_STARTS):
            ended = self._carry_out(self._plan_undo)
            if isinstance(ended, Plan):
                return ended
            if isinstance(ended, SafetyError) and NOTHING_LEFT in str(ended):
                return None
        raise NeverEndsError(ended)

    def _prepare_way_back(self) -> bool:
        for _ in range(MOST_STARTS):
            ended = self._carry_out(self._hands.prepare)
            if isinstance(ended, Preparation):
                return True
            stuck = isinstance(ended, SafetyError) and "since the survey" in str(ended)
            if stuck and (self.world.spoilt or self._diverged):
                return False
        if self._diverged:
            return False
        raise NeverEndsError(ended)

    def _carry_back(self, plan: Plan) -> bool:
        digest = compute_digest(plan)
        for _ in range(MOST_STARTS):
            ended = self._carry_out(lambda job: self._hands.apply(job, digest, SUPPORT_AMPS))
            if isinstance(ended, ChangeRecord):
                if ended.finished:
                    return True
                if self._is_stuck(ended):
                    return False
            elif isinstance(ended, SafetyError) and TOO_OLD in str(ended):
                self._prepare_way_back()
        if self._diverged:
            # What another job file began here, only that one knows.
            return False
        raise NeverEndsError(ended)

    def _is_stuck(self, change: ChangeRecord) -> bool:
        differs = any(step.state is StepState.DIFFERS for step in change.steps)
        return differs and bool(self.world.spoilt or self._diverged)

    # --- what must hold -----------------------------------------------------------------------

    def _find_plan(self, digest: str) -> Plan:
        if digest not in self._plans:
            for store in self.world.stores:
                for each in store.list_records():
                    if each.kind == PLAN and each.digest not in self._plans:
                        self._plans[each.digest] = decode_stored(each, Plan)
        return self._plans[digest]

    def _check_known(self) -> None:
        """Each value is one that was there first, or that a plan that was begun writes."""
        world = self.world
        memory = world.read_memory()
        allowed: dict[tuple[str, int], set[bytes]] = {
            key: {held} for key, held in world.first_memory.items()
        }
        begun = {
            run.context.partition(" ")[0]
            for store in world.stores
            for run in store.list_runs()
            if run.stage == "apply"
        }
        for digest in begun:
            for step in self._find_plan(digest).steps:
                if step.kind in WRITES:
                    allowed[step.unit, step.identifier].add(step.after)
                elif step.kind is StepKind.PROGRAM:
                    allowed[step.unit, 0] |= {step.software_after.encode(), b"none"}
        for key, held in memory.items():
            if held not in allowed[key] and key not in world.spoilt:
                self.result.unknown_states.append(f"{key} holds {held.hex()}")

    def _check_confirmed(self, new: list[tuple[str, bytes]], begun: str) -> None:
        """Only what the person has confirmed in this move, or in the run that is resumed."""
        if not new:
            return
        wrong = self.result.unconfirmed
        given = self._hands.confirmed
        plan = self._find_plan(self._find_begun())
        digest = compute_digest(plan)
        if not given or not digest.startswith(given):
            wrong.append(f"{len(new)} changes by plan {digest[:12]}, confirmed was {given!r}")
        if self._move in RESUMING and begun and begun != digest:
            wrong.append("resume carried out another plan than the one that was begun")
        writes = {(step.unit, step.identifier, step.after) for step in plan.steps}
        units = {step.unit for step in plan.steps}
        for unit, pdu in new:
            if unit not in units:
                wrong.append(f"{unit} is not in the plan: {pdu.hex()}")
            elif pdu[0] == 0x2E and (unit, int.from_bytes(pdu[1:3]), pdu[3:]) not in writes:
                wrong.append(f"{unit} {pdu.hex()} is not in the plan")

    def _check_refusal(
        self, error: SafetyError, new: list[tuple[str, bytes]], counted: Any
    ) -> None:
        """A refusal leaves everything as it was, but for a preparation that says why."""
        world = self.world
        if new:
            self.result.refused_with_changes.append(f"{len(new)} changes, then: {error}")
        sent = world.number - self._number_before
        if not sent and world.store.count_all() != counted:
            self.result.refused_with_changes.append(f"the records are changed: {error}")
        if sent and self._move in REFUSED:
            self.result.refused_with_changes.append(f"{sent} requests were sent: {error}")

    def _check_new_records(self, before: Places) -> None:
        for stored in self.world.store.list_records()[self._seen :]:
            if stored.kind == CHANGE:
                change = decode_stored(stored, ChangeRecord)
                plan = self._find_plan(change.plan_digest)
                same = self._baseline[0] == change.plan_digest
                self._check_record(plan, change, self._baseline[1] if same else before)
            elif stored.kind == PROOF:
                self._check_proof(decode_stored(stored, Proof))

    def _check_proof(self, proof: Proof) -> None:
        """What a proof read is in the car; where it proves, all that its plan wanted is."""
        plan, memory = self._find_plan(proof.plan_digest), self.world.read_memory()
        for each in proof.read_backs:
            held = memory.get((each.unit, each.identifier))
            if each.read and held is not None and held != each.read:
                self.result.false_confirmations.append(
                    f"{each.unit} {each.identifier:04X} was not read: {each.read.hex()}"
                )
        if not proof.proved:
            return
        self.result.marks.add("proved")
        for step in plan.steps:
            if step.kind in WRITES:
                right = memory[step.unit, step.identifier] == step.after
            elif step.kind is StepKind.PROGRAM:
                right = memory[step.unit, 0] in list_brought(plan, step)
            else:
                continue
            if not right:
                self.result.false_confirmations.append(f"proved, but {step.id} {step.what}")


@cache
def make_moved_bed() -> Bed:
    """The thin car with a plan that the planner makes of it, with its cautions and checks."""
    bed = make_thin_bed()
    schedule = Schedule(bed, {}, gives_up=False)

    async def plan(job: Job) -> Plan:
        await job.survey()
        job.check(MODULE)
        return job.plan(PlanChoices())

    made = schedule._start(plan)
    store = schedule.world.store
    from donorfit.records.survey import Survey

    survey = decode_stored(store.find_latest("survey"), Survey)
    report = store.find_latest("fit report").data
    assert made.purpose is PlanPurpose.RETROFIT
    assert encode(made)
    return replace(bed, plan=made, survey=survey, report=report)


@dataclass(frozen=True)
class MovedDrawn:
    """A drawn schedule of moves and faults."""

    turns: tuple[Turn, ...]
    troubles: dict[int, Trouble]

    def run(self) -> MovedResult:
        """Run it."""
        with remember_digests():
            return MovedJob(make_moved_bed(), self.troubles, self.turns).run()


def draw_moves(seed: int, *, most_troubles: int = MOST_TROUBLES) -> MovedDrawn:
    """Moves, and up to so many troubles of any kinds at any places."""
    dice = random.Random(seed)
    turns = draw_turns(dice)
    kinds = tuple(Kind)
    troubles = {
        dice.randint(1, PLACES): draw(dice.choice(kinds), dice)
        for _ in range(dice.randint(0, most_troubles))
    }
    return MovedDrawn(turns=turns, troubles=troubles)
