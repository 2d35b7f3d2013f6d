"""Which needed messages records show, in which recorded states, and in which rhythm.

One record stands for one state of the car: parked, ignition on, driving. Absence is "not seen
while awake", never "missing": the sender may only send in a state that was not recorded.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import Enum

from donorfit.network.awake import AwakePeriod, Rhythm
from donorfit.records.counted import count
from donorfit.vehicle.donor import NeededSignal
from donorfit.vehicle.network import Message, Network


class SeenVerdict(Enum):
    """What records say about one need."""

    SEEN = "seen in time"
    TOO_SLOW = "seen, gaps too long"
    SOMETIMES = "seen in some states only"
    NOT_SEEN = "not seen while awake"
    NOT_RECORDED = "network not recorded"
    NOT_DESCRIBED = "message not described"


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordedState:
    """What is known of one record.

    Attributes:
        name: name of the state: that of the record.
        periods: awake periods of its channels.
        rhythms: rhythm of every identifier on every channel.
    """

    name: str
    periods: tuple[AwakePeriod, ...]
    rhythms: tuple[Rhythm, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class StateSeen:
    """One needed message in one state.

    Attributes:
        state: name of the state.
        channel: channel that was looked at; where several have the identifier, the one with the
            most frames; empty where none has it.
        awake_periods: awake periods long enough for the message to have to occur.
        without: how many of them it does not occur in.
        rhythm: its rhythm, None where it does not occur.
    """

    state: str
    channel: str
    awake_periods: int
    without: int
    rhythm: Rhythm | None


@dataclass(frozen=True, slots=True, kw_only=True)
class SeenCheck:
    """One need against all records."""

    need: NeededSignal
    verdict: SeenVerdict
    states: tuple[StateSeen, ...]
    reason: str


def check_records(
    needed: Iterable[NeededSignal],
    networks: Sequence[Network],
    states: Sequence[RecordedState],
    channels: Mapping[str, str] | None = None,
) -> tuple[SeenCheck, ...]:
    """Check needs against records; one answer a need, in order.

    Args:
        needed: what a module has to receive.
        networks: descriptions, which say what identifier a message has.
        states: the records.
        channels: channel of a network, by the network's name. A network that is not named is
            looked for on every channel.
    """
    messages = {(n.name, m.name): m for n in networks for m in n.messages}
    return tuple(
        _check(need, messages.get((need.network, need.message)), states, channels or {})
        for need in needed
    )


def _check(
    need: NeededSignal,
    message: Message | None,
    states: Sequence[RecordedState],
    channels: Mapping[str, str],
) -> SeenCheck:
    if message is None:
        reason = f"no description says which identifier {need.message} has"
        return SeenCheck(need=need, verdict=SeenVerdict.NOT_DESCRIBED, states=(), reason=reason)
    wanted = channels.get(need.network, "")
    recorded = [
        each
        for each in states
        if not wanted or any(period.channel == wanted for period in each.periods)
    ]
    if not recorded:
        reason = f"no record has a channel {wanted}"
        return SeenCheck(need=need, verdict=SeenVerdict.NOT_RECORDED, states=(), reason=reason)
    seen = tuple(_look(need, message, each, wanted) for each in recorded)
    verdict = _judge(need, seen)
    return SeenCheck(need=need, verdict=verdict, states=seen, reason=_explain(need, message, seen))


def _look(need: NeededSignal, message: Message, state: RecordedState, wanted: str) -> StateSeen:
    there = [
        each
        for each in state.rhythms
        if each.frame_id == message.frame_id
        and each.extended == message.extended
        and (not wanted or each.channel == wanted)
    ]
    rhythm = max(there, key=lambda each: each.count, default=None)
    channel = rhythm.channel if rhythm else wanted
    own = [each for each in state.periods if not channel or each.channel == channel]
    counted = [
        place
        for place, each in enumerate(own)
        if each.seconds is None or each.seconds * 1000 > need.longest_gap_ms
    ]
    occurs = frozenset(rhythm.periods) if rhythm else frozenset()
    return StateSeen(
        state=state.name,
        channel=channel,
        awake_periods=len(counted),
        without=sum(place not in occurs for place in counted),
        rhythm=rhythm,
    )


def _judge(need: NeededSignal, seen: Sequence[StateSeen]) -> SeenVerdict:
    if not any(each.rhythm for each in seen):
        return SeenVerdict.NOT_SEEN
    longest = [
        each.rhythm.longest_ms
        for each in seen
        if each.rhythm is not None and each.rhythm.longest_ms is not None
    ]
    if longest and max(longest) > need.longest_gap_ms:
        return SeenVerdict.TOO_SLOW
    if any(each.without for each in seen):
        return SeenVerdict.SOMETIMES
    return SeenVerdict.SEEN


def _explain(need: NeededSignal, message: Message, seen: Sequence[StateSeen]) -> str:
    """Frames and longest gap, and where it is not seen."""
    name = f"{message.frame_id:#x}"
    with_it = [each for each in seen if each.rhythm is not None]
    awake = sum(each.awake_periods for each in seen)
    absent = sum(each.without for each in seen)
    states = count(len(seen), "recorded state")
    periods = count(awake, "awake period")
    if not with_it:
        return f"{name} does not occur in {periods} of {states}"
    frames = sum(each.rhythm.count for each in with_it if each.rhythm is not None)
    longest = max(
        (
            each.rhythm.longest_ms
            for each in with_it
            if each.rhythm is not None and each.rhythm.longest_ms is not None
        ),
        default=None,
    )
    rhythm = (
        "no times to judge the rhythm by"
        if longest is None
        else f"longest gap {longest:.0f} ms, {need.longest_gap_ms} ms is tolerated"
    )
    missed = [each.state for each in seen if each.without]
    where = f"; absent in {absent} of {periods} ({', '.join(missed)})" if missed else ""
    return f"{count(frames, 'frame')}, {rhythm}{where}"
