"""What a talk with one unit asks of whoever drives it, and what it is told.

A *talk* is a generator without clock or sockets: it yields steps and is sent events. Times in
steps and events are seconds of the driver's monotonic clock. The four that every exchange needs
are tuples, because making one takes a third of the time.

| step | event that answers it |
|---|---|
| Transmit | Taken, Failed |
| Listen | Heard, Elapsed, Gone |
| Stream | Streamed |
| Rest | Elapsed, Gone |
| AskKey | Key |
| Tell, SetLockOut | Told |
| AskLockOut | Left |
| LookAtSupply | Supply |
"""

from collections.abc import Generator, Iterator
from dataclasses import dataclass
from enum import Enum
from typing import NamedTuple, TypeVar

from donorfit.diagnostics.conversation import SupplyWatch

T = TypeVar("T")


class Transmit(NamedTuple):
    """Give this request to the link."""

    pdu: bytes


class Listen(NamedTuple):
    """Wait for the next message of the unit, at most until this time."""

    until_s: float


class Foreseen(NamedTuple):
    """A request, and what a message has to begin with to be the only answer that is awaited."""

    request: bytes
    answer: bytes


class Stream(NamedTuple):
    """Give requests to the link, each as soon as the one before is answered as foreseen.

    The first request whose answer is another, or stays away, ends it; what came instead is heard
    by the next Listen. So nothing is decided here that a talk would decide otherwise.

    Attributes:
        exchanges: the requests in their order, taken one by one as they are sent.
        wait_s: longest wait for an answer after its request was taken.
        seconds: after this time no further request is begun.
    """

    exchanges: Iterator[Foreseen]
    wait_s: float
    seconds: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Rest:
    """Let this time pass; what arrives meanwhile belongs to nobody."""

    seconds: float


@dataclass(frozen=True, slots=True, kw_only=True)
class AskKey:
    """Ask the user's key source."""

    level: int
    seed: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class AskLockOut:
    """Ask how long the unit has to be left alone yet."""

    level: int


@dataclass(frozen=True, slots=True, kw_only=True)
class SetLockOut:
    """Remember that the unit has to be left alone for this time."""

    level: int
    seconds: float


@dataclass(frozen=True, slots=True, kw_only=True)
class LookAtSupply:
    """Read the supply in the unit that measures it; a reading not older than this will do."""

    watch: SupplyWatch
    not_older_s: float


class NoteKind(Enum):
    """Kinds of note."""

    RESPONSE_PENDING = "response pending"
    BUSY = "busy"
    NO_ANSWER = "no answer"
    REPEATED = "asked again"
    FENCE = "waiting for late answers"
    STRAY = "message that nobody asked for"
    SESSION = "session entered"
    SECURITY = "security open"
    SECURITY_WAIT = "security delay"
    LOCKED_OUT = "locked out"
    PROGRESS = "progress"
    DOWNLOAD_FAILED = "download failed"
    BEGUN_AGAIN = "begun again"
    SUPPLY = "supply"
    LINK_LOST = "link lost"


@dataclass(frozen=True, slots=True, kw_only=True)
class Tell:
    """Tell people what happens; done and total are bytes, 0 where they say nothing."""

    kind: NoteKind
    text: str
    done: int = 0
    total: int = 0


SlowStep = Rest | AskKey | AskLockOut | SetLockOut | LookAtSupply | Tell
Step = Transmit | Listen | Stream | SlowStep


class Taken(NamedTuple):
    """The link took the request at this time."""

    at_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Failed:
    """The link did not take the request.

    Attributes:
        why: the reason.
        may_have_left: whether the unit may have it all the same.
        gone: whether the link is lost.
    """

    why: str
    may_have_left: bool
    gone: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Streamed:
    """How far it went.

    Attributes:
        answered: requests that were answered as foreseen.
        last: what became of the request after them, as Transmit would say it; None where none
            was given to the link.
    """

    answered: int
    last: Taken | Failed | None


class Heard(NamedTuple):
    """A message of the unit and when it was looked at."""

    pdu: bytes
    at_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Elapsed:
    """The time is over."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Gone:
    """The link is lost."""

    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Key:
    """The key, or None where the source has none."""

    key: bytes | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Left:
    """Seconds that the unit has to be left alone yet; 0 for none."""

    seconds: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Supply:
    """The supply in volts; None, with the reason, where it could not be read."""

    volts: float | None
    why: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """The step is done and there is nothing to say of it."""


Event = Taken | Failed | Streamed | Heard | Elapsed | Gone | Key | Left | Supply | Told

Talk = Generator[Step, Event, T]
"""Yields steps, is sent events, returns its result."""
