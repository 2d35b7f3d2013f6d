"""Everything that a schedule can draw, and the numbers of docs/reliability.md that it stands for."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import TYPE_CHECKING

from donorfit.edge.links.faulty import FaultKind

if TYPE_CHECKING:
    import random


class Kind(Enum):
    """What strikes at one numbered request, or at the next write of the journal after it."""

    BUSY = "unit busy, 1 to 12 times"
    PENDING = "response pending for a while, then the answer"
    PENDING_THEN_SILENCE = "response pending, then nothing"
    REFUSE = "any negative response code"
    WRONG_KEY = "the key source gives a wrong key"
    FALL_BACK = "another tester puts the unit back into its default session"
    LOSE_REQUEST = FaultKind.LOSE_REQUEST.value
    REFUSE_REQUEST = FaultKind.REFUSE_REQUEST.value
    LEAVE_UNCONFIRMED = FaultKind.LEAVE_UNCONFIRMED.value
    CONFIRM_LATE = FaultKind.CONFIRM_LATE.value
    CUT_BEFORE_REQUEST = FaultKind.CUT_BEFORE_REQUEST.value
    CUT_AFTER_REQUEST = FaultKind.CUT_AFTER_REQUEST.value
    CUT_BEFORE_ANSWER = FaultKind.CUT_BEFORE_ANSWER.value
    LOSE_ANSWER = FaultKind.LOSE_ANSWER.value
    DELAY_ANSWER = FaultKind.DELAY_ANSWER.value
    DUPLICATE_ANSWER = FaultKind.DUPLICATE_ANSWER.value
    INSERT_BEFORE_ANSWER = FaultKind.INSERT_BEFORE_ANSWER.value
    FOREIGN_FRAMES = "frames of other units and of nobody"
    GATEWAY_REBOOT = "the gateway starts anew and takes no connection for a while"
    UNPLUGGED = "the adapter is unplugged for a while"
    RESET_BEFORE = "the unit resets instead of doing it"
    RESET_AFTER = "the unit does it and resets instead of answering"
    STORE_DIFFERENTLY = "the unit accepts a write and stores another byte"
    SWAPPED = "another unit stands in its place for a while"
    ASLEEP = "the unit does not answer for a while"
    SUPPLY_DIP = "the supply is low for a while"
    POWER_CUT = "every unit starts anew and the link is gone"
    KILL_BEFORE = "the program is killed before the request leaves"
    KILL_AFTER = "the program is killed when the request has left"
    KILL_AT_JOURNAL = "the program is killed before its next words in the journal"
    TORN = "the computer loses power, and with it the last words of the journal"
    DISK_FULL = "the disk is full at the next writes"
    WALL_CLOCK = "the wall clock jumps"
    SUSPEND = "the computer sleeps longer than the session lives"
    STOP = "the person wants to stop at the next safe point"
    CANCEL = "the person stops at once"


# Faults of the table in docs/reliability.md that a kind stands for.
NUMBERS: dict[Kind, tuple[int, ...]] = {
    Kind.BUSY: (1,),
    Kind.PENDING: (2,),
    Kind.PENDING_THEN_SILENCE: (3,),
    Kind.REFUSE: (4, 5, 7, 8, 9, 10, 11, 12, 13, 28),
    Kind.WRONG_KEY: (6,),
    Kind.FALL_BACK: (8, 32, 38),
    Kind.LOSE_REQUEST: (15,),
    Kind.REFUSE_REQUEST: (19,),
    Kind.LEAVE_UNCONFIRMED: (15,),
    Kind.CONFIRM_LATE: (22,),
    Kind.CUT_BEFORE_REQUEST: (14, 23),
    Kind.CUT_AFTER_REQUEST: (14,),
    Kind.CUT_BEFORE_ANSWER: (14,),
    Kind.LOSE_ANSWER: (22,),
    Kind.DELAY_ANSWER: (22,),
    Kind.DUPLICATE_ANSWER: (22,),
    Kind.INSERT_BEFORE_ANSWER: (21,),
    Kind.FOREIGN_FRAMES: (21,),
    Kind.GATEWAY_REBOOT: (16, 17),
    Kind.UNPLUGGED: (39,),
    Kind.RESET_BEFORE: (25, 27),
    Kind.RESET_AFTER: (25, 27),
    Kind.STORE_DIFFERENTLY: (26,),
    Kind.SWAPPED: (29,),
    Kind.ASLEEP: (30,),
    Kind.SUPPLY_DIP: (33,),
    Kind.POWER_CUT: (33,),
    Kind.KILL_BEFORE: (35,),
    Kind.KILL_AFTER: (35,),
    Kind.KILL_AT_JOURNAL: (35,),
    Kind.TORN: (35,),
    Kind.DISK_FULL: (36,),
    Kind.WALL_CLOCK: (37,),
    Kind.SUSPEND: (34,),
    Kind.STOP: (40,),
    Kind.CANCEL: (40,),
}

ON_LINK = {kind.value: kind for kind in FaultKind}
CODES = (
    *(0x10, 0x11, 0x12, 0x13, 0x14, 0x22, 0x24, 0x25, 0x26, 0x31, 0x33, 0x34, 0x36, 0x37, 0x38),
    *(0x55, 0x70, 0x71, 0x72, 0x73, 0x7E, 0x7F, 0x81, 0x83, 0x88, 0x8F, 0x92, 0x93, 0x94, 0xF3),
)
STALE_ANSWERS = (
    *("6E1001", "6E0601", "7E00", "6702", "5003003201F4", "54", "7601", "71020200"),
    *("7F2E31", "7F3673", "62F18C58", "00"),
)


@dataclass(frozen=True)
class Trouble:
    """One thing that goes wrong; the numbers mean what its kind needs."""

    kind: Kind
    seconds: float = 0.0
    times: int = 1
    code: int = 0x22
    data: bytes = b""


def draw(kind: Kind, dice: random.Random) -> Trouble:  # noqa: C901, PLR0912 - one case a kind
    """A trouble of this kind with drawn numbers."""
    match kind:
        case Kind.BUSY:
            return Trouble(kind, times=dice.choice((1, 2, 5, 12)))
        case Kind.PENDING:
            return Trouble(
                kind, times=dice.choice((1, 2, 6)), seconds=dice.choice((0.1, 2.0, 4.5))
            )
        case Kind.PENDING_THEN_SILENCE:
            return Trouble(kind, times=dice.choice((0, 1)))
        case Kind.REFUSE:
            return Trouble(kind, code=dice.choice(CODES))
        case Kind.DELAY_ANSWER:
            return Trouble(kind, seconds=dice.choice((0.04, 0.2, 1.0, 6.0)))
        case Kind.DUPLICATE_ANSWER:
            return Trouble(kind, seconds=dice.choice((0.0, 0.04, 0.3)))
        case Kind.CONFIRM_LATE:
            return Trouble(kind, seconds=dice.choice((0.01, 0.2, 1.9)))
        case Kind.INSERT_BEFORE_ANSWER:
            return Trouble(kind, data=bytes.fromhex(dice.choice(STALE_ANSWERS)))
        case Kind.GATEWAY_REBOOT | Kind.UNPLUGGED | Kind.POWER_CUT:
            return Trouble(kind, seconds=dice.choice((0.0, 0.4, 3.0, 40.0)))
        case Kind.ASLEEP | Kind.SWAPPED:
            return Trouble(kind, seconds=dice.choice((0.3, 4.0, 30.0)))
        case Kind.SUPPLY_DIP:
            volts = dice.choice((6.0, 8.5, 11.0))
            return Trouble(kind, seconds=dice.choice((2.0, 30.0, 120.0)), code=int(volts * 10))
        case Kind.DISK_FULL:
            return Trouble(kind, times=dice.choice((1, 2, 5)))
        case Kind.WALL_CLOCK:
            return Trouble(kind, seconds=dice.choice((-86400.0, -700.0, 700.0, 1e6)))
        case Kind.SUSPEND:
            return Trouble(kind, seconds=dice.choice((4.0, 6.0, 900.0)))
        case _:
            return Trouble(kind)
