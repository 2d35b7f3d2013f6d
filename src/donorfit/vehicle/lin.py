"""A LIN bus: its nodes and the tables by which its master asks for frames."""

from dataclasses import dataclass
from enum import Enum

LARGEST_SIGNAL_ID = 0x3B
"""Identifiers 0..59 carry signals, 60 and 61 diagnosis, 62 and 63 are reserved (LIN 2.1)."""


class SlotKind(Enum):
    """What one slot of a schedule table asks for."""

    FRAME = "frame"
    MASTER_REQUEST = "master request"
    SLAVE_RESPONSE = "slave response"
    CONFIGURATION = "node configuration"
    OTHER = "other"


@dataclass(frozen=True, slots=True, kw_only=True)
class LinNode:
    """One node.

    Attributes:
        name: its name.
        master: whether it holds the schedule.
        protocol: protocol version as written, such as ``2.1``; empty where not said.
        node_address: configured node address for diagnosis (NAD), 1..127; None where not said.
        initial_address: node address before configuration; None where not said.
    """

    name: str
    master: bool = False
    protocol: str = ""
    node_address: int | None = None
    initial_address: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LinSlot:
    """One slot: the frame asked for and the time until the next one begins, in microseconds.

    ``frame`` is empty where the slot carries no frame with signals.
    """

    kind: SlotKind
    frame: str
    delay_us: int


@dataclass(frozen=True, slots=True, kw_only=True)
class LinSchedule:
    """One schedule table."""

    name: str
    slots: tuple[LinSlot, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class LinCluster:
    """Nodes and schedule tables of one LIN bus.

    Attributes:
        protocol: protocol version of the bus as written.
        nodes: the master first.
        schedules: schedule tables.
        jitter_us: most by which a header may begin late.
        time_base_us: step of the master's timer; 0 where not said.
    """

    protocol: str
    nodes: tuple[LinNode, ...]
    schedules: tuple[LinSchedule, ...] = ()
    jitter_us: int = 0
    time_base_us: int = 0
