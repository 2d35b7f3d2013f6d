"""The rounds of a plan: what runs side by side, why it waits, and how good the order is."""

from dataclasses import dataclass

BEGUN_LANE = "begun"
"""Lane of the downloads that an earlier run has begun; it comes before all rounds."""


def name_lane(round_number: int, network: str) -> str:
    """The name under which the journal keeps what is asked in one lane of one round."""
    return f"round {round_number} {network}"


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedLane:
    """One lane of a round: steps on one network, one after the other."""

    network: str
    steps: tuple[str, ...]
    seconds: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedRound:
    """Lanes that begin together; the next round begins when the last of them has ended.

    Attributes:
        number: place in the session, from 1.
        lanes: the lanes.
        seconds: planned length, that of the longest lane.
        current_a: most that the car can take in it, whatever runs beside what.
        bytes_per_s: most that passes the gateway in it, likewise; planned averages.
        because: why it does not begin before the round before it has ended; empty for the first.
        safe: whether the job can stop after it with a car that works.
        restorable: whether the backup restores everything done up to its end without programming.
    """

    number: int
    lanes: tuple[PlannedLane, ...]
    seconds: float
    current_a: float
    bytes_per_s: float
    because: str
    safe: bool
    restorable: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionOrder:
    """The rounds of a plan.

    Attributes:
        rounds: the rounds in order.
        seconds: planned length of the session.
        row_seconds: length of the same steps one after the other.
        bound_seconds: no order within the limits is shorter than this.
        proved: whether this is the shortest order there is.
        most_units: units at once.
        most_current_a: most that the car may take; None where nothing limits it.
        gateway_bytes_per_s: most that the gateway passes on; None where it does not limit.
    """

    rounds: tuple[PlannedRound, ...]
    seconds: float
    row_seconds: float
    bound_seconds: float
    proved: bool
    most_units: int
    most_current_a: float | None
    gateway_bytes_per_s: float | None

    @property
    def last_restorable(self) -> int:
        """Number of the last round up to whose end the backup restores everything; 0 for none."""
        return max((each.number for each in self.rounds if each.restorable), default=0)
