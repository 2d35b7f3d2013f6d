"""What a running stage says of itself while it works, for whoever looks at the job file."""

from dataclasses import dataclass
from enum import Enum
from typing import Protocol

from donorfit.job.remaining import Measured


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkPart:
    """A step that is being done.

    Attributes:
        step: its id in the plan.
        unit: control unit.
        what: the deed in a few words.
        done_bytes: bytes of its download that the unit has taken; 0 where it is none.
        total_bytes: bytes of its download in all; 0 where it is none.
    """

    step: str
    unit: str
    what: str
    done_bytes: int = 0
    total_bytes: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkNote:
    """How far a stage is.

    Attributes:
        stage: its stage.
        since: when this part of it began, ISO 8601.
        noted_at: when this was written down, ISO 8601.
        answers: answers of control units so far.
        waits_for: the question that a person is asked now; empty where none is.
        steps_done: steps of the plan that are closed; 0 in stages without steps.
        steps: steps in all.
        parts: the steps that are being done, one a lane.
        left_s: seconds that the rest is expected to take; None where that cannot be foreseen.
        plan_digest: the plan that is carried out; empty in stages without steps.
        measured: how long its steps took, by kind, earlier parts of the session included.
    """

    stage: str
    since: str
    noted_at: str
    answers: int = 0
    waits_for: str = ""
    steps_done: int = 0
    steps: int = 0
    parts: tuple[WorkPart, ...] = ()
    left_s: float | None = None
    plan_digest: str = ""
    measured: tuple[Measured, ...] = ()


class Notes(Protocol):
    """Keeps the newest note of a job."""

    def keep(self, note: WorkNote) -> None:
        """Put a note in the place of the one before; never raises."""

    def find_measured(self, plan_digest: str) -> tuple[Measured, ...]:
        """What the newest note holds of an earlier part of this plan's session."""
        ...


class Running(Enum):
    """Whether the program that wrote a note is still there."""

    AT_WORK = "at work"
    CUT = "cut"
    NOT_SEEN = "on another computer, not seen from here"


@dataclass(frozen=True, slots=True, kw_only=True)
class AtWork:
    """A note, and who wrote it.

    Attributes:
        running: whether that program is still there.
        process: its process number.
        host: name of its computer.
        note: how far it was.
    """

    running: Running
    process: int
    host: str
    note: WorkNote
