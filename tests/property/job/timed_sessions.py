"""Whole sessions in virtual time, of which every told rest is held against the real one.

The program is the real one from the job down to the carrier; the car is the demonstration's, with
the durations of every unit drawn anew and troubles struck at random requests, restarts included.
"""

from __future__ import annotations

import random
import sys
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

sys.path.insert(0, str(Path(__file__).parents[2] / "faults" / "campaign"))

from thin_car import DEMO, PROGRAMMED, SUPPORT_AMPS, Bed, Yes, make_whole_bed
from troubles import Kind, Trouble, draw
from world import CancelledByPersonError, KilledError, World, WorldConnection

from donorfit.assemble import CarConnection
from donorfit.edge.clock import VirtualClock, run_in_virtual_time
from donorfit.edge.packs.scenario_files import read_scenario
from donorfit.errors import DonorfitError
from donorfit.job.carrier import Carrier
from donorfit.job.job import Job
from donorfit.job.runner import CarAccess
from donorfit.job.session_watch import SessionWatch

if TYPE_CHECKING:
    from donorfit.job.line import CarrierNote
    from donorfit.job.progress import Progress, SessionPlace
    from donorfit.job.work import WorkNote

PAUSE_S = 20.0
MOST_STARTS = 20
MOST_REQUESTS = 700
TROUBLES = (
    *(Kind.BUSY, Kind.PENDING, Kind.LOSE_ANSWER, Kind.LOSE_REQUEST, Kind.CUT_AFTER_REQUEST),
    *(Kind.RESET_AFTER, Kind.SUPPLY_DIP, Kind.KILL_AFTER, Kind.KILL_BEFORE, Kind.POWER_CUT),
)


@dataclass
class Session:
    """What was told in one session.

    Attributes:
        told: (time of the work itself, what was told), pauses between two starts left out; every
            start after the first begins with a place in ``starts``.
        seconds: how long the work took.
        planned_s: how long the plan foresees.
    """

    planned_s: float
    told: list[tuple[float, SessionPlace]] = field(default_factory=list)
    starts: list[int] = field(default_factory=list)
    seconds: float = 0.0
    finished: bool = False

    def list_errors(self, told_s: list[tuple[float, float]]) -> list[float]:
        """At every second what stands before the person, less what is left, in shares of it all."""
        errors = []
        at = 0
        for second in range(int(self.seconds) + 1):
            while at + 1 < len(told_s) and told_s[at + 1][0] <= second:
                at += 1
            if told_s[at][0] <= second:
                errors.append((told_s[at][1] - (self.seconds - second)) / self.seconds)
        return errors

    @property
    def errors(self) -> list[float]:
        """Errors of what was told."""
        return self.list_errors([(at_s, place.left_s) for at_s, place in self.told])

    @property
    def errors_of_plan(self) -> list[float]:
        """Errors of the plan's own figure, run down by the clock."""
        told = [
            (float(second), max(0.0, self.planned_s - second))
            for second in range(int(self.seconds) + 1)
        ]
        return self.list_errors(told)

    @property
    def jumps(self) -> list[float]:
        """How far each telling lies from the one before run down by the clock, as shares of all.

        The first telling of a program that was started anew has none before it.
        """
        pairs = zip(self.told, self.told[1:], strict=False)
        return [
            (after.left_s - max(0.0, before.left_s - (at_s - before_s))) / self.seconds
            for place, ((before_s, before), (at_s, after)) in enumerate(pairs, start=1)
            if place not in self.starts
        ]


class _Notes:
    """Notes in memory, which outlive a program that is killed."""

    def __init__(self) -> None:
        self.newest: WorkNote | None = None

    def keep(self, note: WorkNote) -> None:
        self.newest = note

    def find_measured(self, plan_digest: str):
        newest = self.newest
        return newest.measured if newest and newest.plan_digest == plan_digest else ()


class _Connection(WorldConnection):
    """The world's, with the carrier's notes passed on as the program does."""

    def __init__(self, world: World, clock: VirtualClock, listener) -> None:
        super().__init__(world, clock)
        self._tell = listener

    def _pass_on(self, note: CarrierNote) -> None:
        CarConnection._pass_on(self, note)

    async def connect(self) -> Carrier:
        link = self._world.open_link(self._clock)
        await link.open(self._clock.now() + 6.0)
        carrier = Carrier(
            link, self._clock, self._world, lock_outs=self._lock_outs, on_note=self._pass_on
        )
        try:
            await self._check_same_car(carrier)
        except BaseException:
            await carrier.close()
            raise
        return carrier


class _Timed:
    """Carries the plan of a bed out and keeps all that is told."""

    def __init__(self, bed: Bed, troubles: dict[int, Trouble]) -> None:
        self.world = World(bed, troubles)
        self.notes = _Notes()
        self.session = Session(planned_s=bed.plan.order.seconds)
        self._bed = bed
        self._worked_s = 0.0

    def run(self) -> Session:
        for _ in range(MOST_STARTS):
            preparation = self._start(lambda job: job.prepare(SUPPORT_AMPS), listen=False)
            if preparation is not None and preparation.ready:
                break
        digest = self._bed.plan_digest
        for _ in range(MOST_STARTS):
            change = self._start(
                lambda job: job.apply(digest, self._bed.software.__getitem__), listen=True
            )
            if change is not None and change.finished:
                self.session.finished = True
                break
        self.session.seconds = self._worked_s
        return self.session

    def _start(self, deed, *, listen: bool):
        self.world.start_program()
        if listen and self.session.told:
            self.session.starts.append(len(self.session.told))
        return run_in_virtual_time(self._run_once(deed, listen=listen))

    async def _run_once(self, deed, *, listen: bool):
        clock = VirtualClock()
        before_s = self._worked_s

        def take(progress: Progress) -> None:
            if listen and progress.session is not None:
                self.session.told.append((before_s + clock.now(), progress.session))

        watch = SessionWatch(
            listener=take, read_clock=clock.now, now=self.world.tell_date, notes=self.notes
        )
        job = Job(
            pack=self._bed.pack,
            store=self.world.store,
            now=self.world.tell_date,
            car=CarAccess(
                connection=_Connection(self.world, clock, watch),
                person=Yes(),
                listener=watch,
                sleep=clock.sleep,
                session=watch,
            ),
        )
        try:
            return await deed(job)
        except (KilledError, CancelledByPersonError, DonorfitError):
            return None
        except BaseExceptionGroup as group:
            _, rest = group.split((KilledError, CancelledByPersonError, DonorfitError))
            if rest is not None:
                raise
            return None
        finally:
            if listen:
                self._worked_s += clock.now()
            self.world.dead = True
            self.world.end_program(clock.now(), PAUSE_S)


def run_demonstration() -> Session:
    """The demonstration's session, with the car's own disturbances."""
    bed = make_whole_bed()
    own = read_scenario(DEMO / "car.toml")
    scenario = replace(bed.scenario, disturbances=own.disturbances)
    return _Timed(replace(bed, scenario=scenario), {}).run()


def run_random(number: int) -> Session:
    """A session whose car takes other times than planned, with up to three troubles."""
    dice = random.Random(number)
    bed = make_whole_bed()
    pace = dice.lognormvariate(0.0, 0.25)

    def draw_s(seconds: float) -> float:
        return seconds * pace * dice.lognormvariate(0.0, 0.35)

    units = tuple(
        replace(
            unit,
            write_s=draw_s(unit.write_s),
            reset_s=draw_s(unit.reset_s),
            blocks=tuple(replace(block, seconds=draw_s(block.seconds)) for block in unit.blocks),
        )
        for unit in bed.scenario.units
    )
    troubles = {
        dice.randint(1, MOST_REQUESTS): draw(dice.choice(TROUBLES), dice)
        for _ in range(dice.randint(0, 3))
    }
    return _Timed(replace(bed, scenario=replace(bed.scenario, units=units)), troubles).run()


__all__ = ["PROGRAMMED", "Session", "run_demonstration", "run_random"]
