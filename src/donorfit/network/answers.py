"""What the commands on recorded traffic and on signals answer, row by row."""

from dataclasses import dataclass

from donorfit.network.awake import AwakePeriod, Rhythm
from donorfit.network.frames import LeftOut
from donorfit.network.measured_load import MeasuredLoad
from donorfit.network.protection import Protection


@dataclass(frozen=True, slots=True, kw_only=True)
class ProtectionSeen:
    """What protects one identifier of a record, and whether a gateway could make it."""

    channel: str
    frame_id: int
    found: Protection
    can_be_made: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordSeen:
    """What one record shows.

    Attributes:
        record: the file.
        frames: data frames.
        lines: lines or events.
        left_out: lines without a data frame, by kind.
        notes: what is odd about it.
        channels: names of its channels.
        awake: periods in which its buses were awake.
        identifiers: rhythm of every identifier.
        load: load of every channel; empty where it was not asked for, or cannot be measured.
        protection: what protects each identifier; empty where it was not asked for.
    """

    record: str
    frames: int
    lines: int
    left_out: tuple[LeftOut, ...]
    notes: tuple[str, ...]
    channels: tuple[str, ...]
    awake: tuple[AwakePeriod, ...]
    identifiers: tuple[Rhythm, ...]
    load: tuple[MeasuredLoad, ...]
    protection: tuple[ProtectionSeen, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SignalValues:
    """One decoded signal over a record: frames that hold it, and its physical values.

    The values are None where no frame holds a usable one.
    """

    network: str
    message: str
    signal: str
    frames: int
    lowest: float | None
    highest: float | None
    last: float | None
    unit: str


@dataclass(frozen=True, slots=True, kw_only=True)
class MatchCandidate:
    """A signal of the host that may be the wanted one: network/message/signal, score, reasons."""

    found: str
    score: float
    reasons: tuple[str, ...]
    differences: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class MatchedSignal:
    """A wanted signal, the chosen one (empty where nothing is alike), and all candidates."""

    wanted: str
    found: str
    score: float
    reasons: tuple[str, ...]
    differences: tuple[str, ...]
    candidates: tuple[MatchCandidate, ...]
