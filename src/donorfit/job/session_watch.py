"""Watches a stage while it runs: how far the session is, for the person and for the job file."""

from collections.abc import Callable
from dataclasses import replace

from donorfit.job.progress import Happening, Listener, Progress, SessionPlace
from donorfit.job.remaining import RemainingTime
from donorfit.job.work import Notes, WorkNote, WorkPart
from donorfit.records.encoding import compute_digest
from donorfit.records.plan import Plan, Step, StepKind
from donorfit.vehicle.pack import Pack

NOTE_EVERY_S = 1.0
"""A note is written where a step begins or ends, and otherwise no oftener than this."""
_STEPS = frozenset((Happening.STEP_OPENED, Happening.STEP_CLOSED))
_TURNS = _STEPS | {Happening.ROUND}


class SessionWatch:
    """A listener that adds how far the session is, passes on, and keeps notes.

    It passes on what it is told also before a stage has begun.

    Args:
        listener: takes the progress with the session's place in it.
        read_clock: monotonic seconds.
        now: wall time, ISO 8601.
        notes: keeps the notes.
    """

    def __init__(
        self,
        *,
        listener: Listener,
        read_clock: Callable[[], float],
        now: Callable[[], str],
        notes: Notes,
    ) -> None:
        self._tell = listener
        self._read_clock = read_clock
        self._now = now
        self._notes = notes
        self._note: WorkNote | None = None
        self._remaining: RemainingTime | None = None
        self._bytes: dict[str, tuple[int, int]] = {}
        self._noted_at_s = 0.0
        self._placed = False

    def begin(self, stage: str, pack: Pack, plan: Plan | None) -> None:
        """A stage begins; ``plan`` is the one that it carries out, None where it carries none."""
        now = self._now()
        self._note = WorkNote(stage=stage, since=now, noted_at=now)
        self._remaining = None
        self._placed = False
        self._bytes.clear()
        if plan is not None:
            digest = compute_digest(plan)
            measured = self._notes.find_measured(digest)
            self._remaining = RemainingTime(plan, measured, _find_restarts(pack, plan))
            self._note = replace(self._note, plan_digest=digest, measured=measured)
        self._write(self._read_clock())

    def __call__(self, progress: Progress) -> None:
        """Take one piece of progress."""
        if self._note is None:
            self._tell(progress)
            return
        at_s = self._read_clock()
        if progress.happening is Happening.ANSWERED:
            self._note = replace(self._note, answers=self._note.answers + 1)
        # Before the first step nothing is known of the place: earlier steps are replayed then.
        self._placed = self._placed or progress.happening in _STEPS
        place = self._follow(self._remaining, progress, at_s) if self._remaining else None
        turn = progress.happening in _TURNS and not progress.replayed
        asked = progress.what if progress.happening is Happening.QUESTION else ""
        if asked != self._note.waits_for:
            self._note = replace(self._note, waits_for=asked)
            turn = True
        if turn or at_s - self._noted_at_s >= NOTE_EVERY_S:
            self._write(at_s)
        self._tell(replace(progress, session=place) if place else progress)

    def _follow(
        self, remaining: RemainingTime, progress: Progress, at_s: float
    ) -> SessionPlace | None:
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
        if not self._placed:
            return None
        if progress.replayed:
            remaining.begin_telling()
        return SessionPlace(
            steps_done=remaining.steps_done, steps=remaining.steps, left_s=remaining.tell(at_s)
        )

    def _write(self, at_s: float) -> None:
        self._noted_at_s = at_s
        if self._note is None:
            return
        note = replace(self._note, noted_at=self._now())
        if self._remaining is not None and self._placed:
            note = replace(
                note,
                steps_done=self._remaining.steps_done,
                steps=self._remaining.steps,
                parts=tuple(map(self._describe_part, self._remaining.opened)),
                left_s=self._remaining.tell(at_s),
                measured=self._remaining.list_measured(),
            )
        self._notes.keep(note)

    def _describe_part(self, step: Step) -> WorkPart:
        done, total = self._bytes.get(step.unit, (0, 0))
        return WorkPart(
            step=step.id, unit=step.unit, what=step.what, done_bytes=done, total_bytes=total
        )


def _find_restarts(pack: Pack, plan: Plan) -> dict[str, float]:
    """By step, the seconds for which a unit starts again after its download."""
    resets_s = {unit.id: unit.reset_seconds for unit in pack.units}
    return {
        step.id: resets_s.get(step.unit, 0.0)
        for step in plan.steps
        if step.kind is StepKind.PROGRAM
    }
