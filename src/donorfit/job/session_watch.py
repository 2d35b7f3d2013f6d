"""Watches a stage while it runs: how far the session is, for the person and for the job file."""

from collections.abc import Callable
from dataclasses import replace

from donorfit.job.progress import Happening, Listener, Progress, SessionPlace
from donorfit.job.remaining import RemainingTime
from donorfit.job.runner import CarAccess
from donorfit.job.work import Notes, WorkNote, WorkPart
from donorfit.records.encoding import compute_digest
from donorfit.records.plan import Plan, StepKind
from donorfit.vehicle.pack import Pack

NOTE_EVERY_S = 1.0
"""A note is written where a step begins or ends, and otherwise no oftener than this."""
_TURNS = frozenset((Happening.STEP_OPENED, Happening.STEP_CLOSED, Happening.ROUND))


class SessionWatch:
    """A listener that adds how far the session is, passes on, and keeps notes.

    Args:
        stage: the stage.
        listener: takes the progress with the session's place in it.
        remaining: the rest of the session; None for a stage without steps.
        read_clock: monotonic seconds.
        now: wall time, ISO 8601.
        plan_digest: the plan that is carried out; empty for a stage without steps.
        notes: keeps the notes; None where nobody wants them.
    """

    def __init__(
        self,
        *,
        stage: str,
        listener: Listener,
        remaining: RemainingTime | None,
        read_clock: Callable[[], float],
        now: Callable[[], str],
        plan_digest: str,
        notes: Notes | None,
    ) -> None:
        self._stage = stage
        self._tell = listener
        self._remaining = remaining
        self._read_clock = read_clock
        self._now = now
        self._plan_digest = plan_digest
        self._notes = notes
        self._since = now()
        self._answers = 0
        self._bytes: dict[str, tuple[int, int]] = {}
        self._noted_at_s = 0.0
        self._write(read_clock())

    def __call__(self, progress: Progress) -> None:
        """Take one piece of progress."""
        at_s = self._read_clock()
        self._answers += progress.happening is Happening.ANSWERED
        place = self._follow(self._remaining, progress, at_s) if self._remaining else None
        turn = progress.happening in _TURNS and not progress.replayed
        if turn or at_s - self._noted_at_s >= NOTE_EVERY_S:
            self._write(at_s)
        self._tell(replace(progress, session=place) if place else progress)

    def _follow(self, remaining: RemainingTime, progress: Progress, at_s: float) -> SessionPlace:
        match progress.happening:
            case Happening.STEP_OPENED:
                self._bytes.pop(progress.unit, None)
                remaining.open(progress.what, at_s, whole=not progress.replayed)
            case Happening.STEP_CLOSED:
                self._bytes.pop(progress.unit, None)
                remaining.close(progress.what, at_s)
            case Happening.BYTES if progress.fraction is not None:
                self._bytes[progress.unit] = (progress.done_bytes, progress.total_bytes)
                for step in remaining.opened:
                    if step.unit == progress.unit:
                        remaining.follow_download(
                            step.id, progress.fraction, progress.left_s, at_s
                        )
        return SessionPlace(
            steps_done=remaining.steps_done, steps=remaining.steps, left_s=remaining.tell(at_s)
        )

    def _write(self, at_s: float) -> None:
        self._noted_at_s = at_s
        if self._notes is None:
            return
        note = WorkNote(
            stage=self._stage, since=self._since, noted_at=self._now(), answers=self._answers
        )
        if self._remaining is not None:
            note = replace(
                note,
                steps_done=self._remaining.steps_done,
                steps=self._remaining.steps,
                parts=tuple(
                    WorkPart(
                        step=step.id,
                        unit=step.unit,
                        what=step.what,
                        done_bytes=self._bytes.get(step.unit, (0, 0))[0],
                        total_bytes=self._bytes.get(step.unit, (0, 0))[1],
                    )
                    for step in self._remaining.opened
                ),
                left_s=self._remaining.tell(at_s),
                plan_digest=self._plan_digest,
                measured=self._remaining.list_measured(),
            )
        self._notes.keep(note)


def watch_stage(
    car: CarAccess, stage: str, now: Callable[[], str], pack: Pack, plan: Plan | None
) -> CarAccess:
    """The way to the car with a watch on what is told; as it is where there is no clock.

    ``plan`` is the one that the stage carries out; None for a stage that carries none out.
    """
    if car.read_clock is None:
        return car
    digest = compute_digest(plan) if plan else ""
    measured = car.notes.find_measured(digest) if plan and car.notes else ()
    watch = SessionWatch(
        stage=stage,
        listener=car.listener,
        remaining=RemainingTime(plan, measured, _find_restarts(pack, plan)) if plan else None,
        read_clock=car.read_clock,
        now=now,
        plan_digest=digest,
        notes=car.notes,
    )
    return replace(car, listener=watch)


def _find_restarts(pack: Pack, plan: Plan) -> dict[str, float]:
    """By step, the seconds for which a unit starts again after its download."""
    resets_s = {unit.id: unit.reset_seconds for unit in pack.units}
    return {
        step.id: resets_s.get(step.unit, 0.0)
        for step in plan.steps
        if step.kind is StepKind.PROGRAM
    }
