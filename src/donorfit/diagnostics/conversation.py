"""What a stage may ask of the world, and what it may be told.

A *strand* is a generator: it yields one ask, is sent the outcome, and returns its result. The
conversation of a stage is one strand that may yield :class:`Together` to run named strands side
by side, such as one per control unit. Strands hold no clock, dice, files or sockets: the same
outcomes always lead to the same asks, so a journal can be replayed into a fresh one.

An ask names the access it needs. Whoever carries it enters the session and opens the security
level first, and does so again after a lost link; a changing request itself is never sent twice by
the carrier.
"""

from collections.abc import Generator
from dataclasses import dataclass
from enum import Enum
from typing import Any

from donorfit.vehicle.identity import Address, DataIdentifier, UnitId
from donorfit.vehicle.software import DownloadProcedure, SegmentPlace

_NO_UNIT = UnitId("")

_PLAIN = DownloadProcedure()


class Effect(Enum):
    """Whether a request leaves something changed."""

    READING = "reading"
    CHANGING = "changing"


@dataclass(frozen=True, slots=True, kw_only=True)
class Access:
    """Session (ISO 14229-1, 0x10) and security level (0x27, odd; 0 for none) to open before."""

    session: int = 1
    security_level: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Exchange:
    """One UDS request to one control unit.

    Attributes:
        unit: name of the unit, for people and the journal.
        address: its logical address.
        pdu: request bytes from the service identifier on.
        effect: reading requests may be repeated by the carrier, changing ones never.
        access: what has to be open before.
        what: the deed in a few words.
    """

    unit: UnitId
    address: Address
    pdu: bytes
    effect: Effect
    what: str
    access: Access = Access()


@dataclass(frozen=True, slots=True, kw_only=True)
class SupplyWatch:
    """Where the supply is read while a download goes on, and between what it has to be.

    Attributes:
        unit: name of the unit that measures it.
        address: its logical address.
        identifier: data identifier, two bytes big endian.
        volts_per_bit: scale of that value.
        lowest_volts: below it no block is sent.
        highest_volts: above it none either.
    """

    unit: UnitId
    address: Address
    identifier: DataIdentifier
    volts_per_bit: float
    lowest_volts: float
    highest_volts: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Download:
    """One block of software to one control unit: erase, 0x34, 0x36, 0x37, check.

    Attributes:
        unit: name of the unit.
        address: its logical address.
        memory_address: where the block goes, unless the procedure names its pieces.
        data: the whole block, its pieces one after the other.
        routine_check: routine identifier started with the digest that the procedure names as its
            option record; 0 for none.
        access: programming session and its security level.
        what: the deed in a few words.
        procedure: pieces, forms and routines of this unit.
        watch: supply to be watched meanwhile; None where it cannot be.
        resume: whether an earlier try may have left the unit with the beginning of the file.
    """

    unit: UnitId
    address: Address
    memory_address: int
    data: bytes
    routine_check: int
    what: str
    access: Access = Access(session=2)
    procedure: DownloadProcedure = _PLAIN
    watch: SupplyWatch | None = None
    resume: bool = False

    @property
    def places(self) -> tuple[SegmentPlace, ...]:
        """Where the pieces go; their lengths together are that of the data."""
        whole = SegmentPlace(address=self.memory_address, size_bytes=len(self.data))
        return self.procedure.segments or (whole,)


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """Something only the person at the car can say; the answer is one of ``choices``."""

    id: str
    text: str
    choices: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Pause:
    """Wait, for instance until a unit has come back from its reset."""

    seconds: float
    why: str


class MarkKind(Enum):
    """Kinds of mark."""

    ROUND = "round"
    """Strands side by side begin."""
    OPENED = "opened"
    """A step of a strand begins; the person's wish to stop is heard before it, not inside it."""
    CLOSED = "closed"
    """The step is done and read back; that reading counts from now on and is not made again."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """A place in the work that people and the journal should know; nothing is sent.

    Attributes:
        kind: its kind.
        what: the round or the step.
        unit: unit of the step; empty for a round.
        safe: where a step begins, whether the work can stop before it with a car that works.
    """

    kind: MarkKind
    what: str
    unit: UnitId = _NO_UNIT
    safe: bool = True


Ask = Exchange | Download | Question | Pause | Mark


@dataclass(frozen=True, slots=True, kw_only=True)
class Answered:
    """The positive answer, whole, from its service identifier on (empty for downloads)."""

    pdu: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class Refused:
    """A negative answer with its code (NRC, ISO 14229-1 table A.1).

    Attributes:
        code: the code.
        erased: for a download, whether something may be erased already.
    """

    code: int
    erased: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class NotSent:
    """The request did not leave: nothing can have changed."""

    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Unknown:
    """The request left or may have left and no answer came: look before doing anything else."""

    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Chosen:
    """The person's answer to a question."""

    choice: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Paused:
    """The wait is over."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Noted:
    """The mark is written down."""


Outcome = Answered | Refused | NotSent | Unknown | Chosen | Paused | Noted

Strand = Generator["Ask | Together", Any, Any]
"""Yields asks, is sent outcomes (or, for Together, a tuple of results), returns its result."""


@dataclass(frozen=True, slots=True)
class Together:
    """Run strands side by side; the answer is the tuple of their results in this order.

    Attributes:
        strands: name and strand; names are unique within their parent and stay the same from run
            to run, since the journal finds a strand by its name.
    """

    strands: tuple[tuple[str, Strand], ...]
