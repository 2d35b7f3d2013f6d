"""What the loop tells while it works; shells turn it into words and pixels."""

from dataclasses import dataclass
from enum import Enum
from typing import Protocol


class Happening(Enum):
    """Kinds of progress."""

    ASKED = "asked"
    ANSWERED = "answered"
    REFUSED = "refused"
    NO_ANSWER = "no answer"
    NOT_SENT = "not sent"
    BUSY = "busy"
    PENDING = "pending"
    BYTES = "bytes"
    LINK_LOST = "link lost"
    RECONNECTED = "reconnected"
    REPLAYED = "replayed"
    WAITING = "waiting"
    NOTE = "note"
    ROUND = "round"
    STEP_OPENED = "step opened"
    STEP_CLOSED = "step closed"
    QUESTION = "question"


@dataclass(frozen=True, slots=True, kw_only=True)
class Progress:
    """One thing that happened.

    Attributes:
        happening: its kind.
        unit: control unit; empty where it is about none.
        what: the deed in a few words.
        detail: code, reason, numbers.
        binding: whether it is about something that changes the car.
        fraction: 0..1 where the deed has a length; None elsewhere.
        bytes_per_s: how fast a download goes; 0 where that is not known.
        left_s: how long it will take yet; 0 where that is not known.
        done_bytes: bytes of a download that the unit has taken.
        total_bytes: bytes of a download in all.
        replayed: whether it happened in an earlier part of the run and is only told again.
        session: how far the whole session is; None where that is not known.
    """

    happening: Happening
    unit: str = ""
    what: str = ""
    detail: str = ""
    binding: bool = False
    fraction: float | None = None
    bytes_per_s: float = 0.0
    left_s: float = 0.0
    done_bytes: int = 0
    total_bytes: int = 0
    replayed: bool = False
    session: "SessionPlace | None" = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionPlace:
    """How far a whole session is.

    Attributes:
        steps_done: steps that are closed.
        steps: steps in all.
        left_s: seconds that the rest is expected to take.
    """

    steps_done: int
    steps: int
    left_s: float


class Listener(Protocol):
    """Takes progress; must return quickly and never raise."""

    def __call__(self, progress: Progress) -> None:
        """Take one piece of progress."""
        ...


class Person(Protocol):
    """The person at the car."""

    def answer(self, question_id: str, text: str, choices: tuple[str, ...]) -> str | None:
        """One of the choices; None where nobody is there to say."""
        ...
