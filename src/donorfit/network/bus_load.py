"""Load of a CAN bus and the longest time until a message is through.

Source: Davis, Burns, Bril, Lukkien 2007 (see :mod:`donorfit.network.frame_bits`), the revised
analysis: blocking by one frame of lower priority, a busy period, every instance inside it. The
analysis of 1994 looks at the first instance only and is optimistic. CAN FD frames take part with
the time of their two rates (:mod:`donorfit.network.flexible_frame_bits`); arbitration, and so the
bit time in the recurrence, is nominal for both kinds. Times are whole nanoseconds.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from donorfit.errors import InputError
from donorfit.network.flexible_frame_bits import (
    LENGTHS,
    FrameBits,
    compute_plain_flexible_bits,
    compute_worst_flexible_bits,
)
from donorfit.network.frame_bits import (
    LARGEST_CLASSIC_BYTES,
    compute_plain_bits,
    compute_priority,
    compute_worst_bits,
)
from donorfit.records.counted import count
from donorfit.vehicle.network import Message, Network

NANOSECONDS_A_SECOND = 1_000_000_000
NANOSECONDS_A_MS = 1_000_000
MOST_MESSAGES = 4096
MOST_ROUNDS = 2_000_000
EASY_LOAD, ADVISED_LOAD, DANGEROUS_LOAD = 0.30, 0.50, 0.70
"""Guidance of trade pages: easy below 30 %, advised ceiling 50 %, dangerous above 70 %."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ResponseTime:
    """One message through the analysis; times in microseconds.

    Attributes:
        message: name.
        frame_id: identifier.
        period_us: its cycle.
        frame_us: longest time on the wire.
        blocking_us: wait for a frame of lower priority that has begun.
        worst_us: longest time from being ready to being through; None where it has no bound.
        in_time: whether it is through before the next one is due.
    """

    message: str
    frame_id: int
    period_us: float
    frame_us: float
    blocking_us: float
    worst_us: float | None
    in_time: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadReport:
    """A bus as described.

    Attributes:
        network: name.
        bit_rate: bit/s.
        worst_load: share of the time with every frame stuffed as badly as can be.
        plain_load: share of the time without stuff bits.
        responses: messages in order of priority.
        left_out: messages that the analysis does not cover, with the reason.
        data_bit_rate: bit/s of the fast part of CAN FD frames; 0 where it is not known.
        assumed: messages that something was assumed about, in words.
    """

    network: str
    bit_rate: int
    worst_load: float
    plain_load: float
    responses: tuple[ResponseTime, ...]
    left_out: tuple[str, ...] = ()
    data_bit_rate: int = 0
    assumed: tuple[str, ...] = ()

    @property
    def late(self) -> tuple[ResponseTime, ...]:
        """Messages that may come too late."""
        return tuple(each for each in self.responses if not each.in_time)

    @property
    def first_late(self) -> ResponseTime | None:
        """Message of highest priority that may come too late; None where none does."""
        return next(iter(self.late), None)

    def find(self, message: str) -> ResponseTime | None:
        """One message's times; None where it was left out."""
        return next((each for each in self.responses if each.message == message), None)


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadComparison:
    """The bus before and after messages are added.

    Attributes:
        before: as described.
        after: with the added messages.
        first_late: message of highest priority that is late only afterwards; None where none is.
    """

    before: LoadReport
    after: LoadReport
    first_late: ResponseTime | None


@dataclass(frozen=True, slots=True)
class _Frame:
    message: Message
    period: int
    length: int
    plain: float


def analyse_load(network: Network, *, jitter_us: float = 0.0) -> LoadReport:
    """Load and worst response time of every cyclic CAN message, classic and CAN FD.

    Args:
        network: a CAN network with a bit rate.
        jitter_us: queueing jitter of every message.

    Raises:
        InputError: no bit rate, not CAN, or more messages than are analysed.
    """
    _check(network)
    frames, left_out, assumed = _collect(network)
    jitter = round(jitter_us * 1000)
    bit = -(-NANOSECONDS_A_SECOND // network.bit_rate)
    load = _load(frames)
    return LoadReport(
        network=network.name,
        bit_rate=network.bit_rate,
        worst_load=load,
        plain_load=sum(each.plain / each.period for each in frames),
        responses=tuple(
            _judge(frames, place, jitter, bit, load >= 1) for place in range(len(frames))
        ),
        left_out=left_out,
        data_bit_rate=network.data_bit_rate,
        assumed=assumed,
    )


def compare_load(network: Network, added: Sequence[Message]) -> LoadComparison:
    """The bus before and after ``added`` are sent on it too."""
    bigger = replace(network, messages=(*network.messages, *added))
    before, after = analyse_load(network), analyse_load(bigger)
    late_before = {(each.message, each.frame_id) for each in before.late}
    new = (each for each in after.late if (each.message, each.frame_id) not in late_before)
    return LoadComparison(before=before, after=after, first_late=next(new, None))


def _check(network: Network) -> None:
    checks = (
        (network.kind.value == "can", f"it is a network of kind {network.kind.value}"),
        (network.bit_rate > 0, "its bit rate is not known"),
        (
            len(network.messages) <= MOST_MESSAGES,
            f"it has {len(network.messages)} messages, more than {MOST_MESSAGES}",
        ),
    )
    mistakes = [text for right, text in checks if not right]
    if mistakes:
        raise InputError(
            what=f"the load of network {network.name} cannot be worked out",
            where=network.name,
            why="; ".join(mistakes),
            next_step="name a CAN network and its bit rate",
        )


def _collect(network: Network) -> tuple[list[_Frame], tuple[str, ...], tuple[str, ...]]:
    frames, left_out, assumed = [], [], []
    for message in sorted(network.messages, key=compute_priority):
        kind = "CAN FD" if message.can_fd else "classic CAN"
        longest = LENGTHS[-1] if message.can_fd else LARGEST_CLASSIC_BYTES
        if not 0 <= message.length_bytes <= longest:
            left_out.append(
                f"{message.name}: {count(message.length_bytes, 'byte')} fit no {kind} frame"
            )
        elif message.cycle_ms is None or message.cycle_ms <= 0:
            left_out.append(f"{message.name}: sent on events, no cycle")
        else:
            worst, plain = _time_frame(message, network)
            period = message.cycle_ms * NANOSECONDS_A_MS
            frames.append(_Frame(message, period, _ceil(worst), plain))
            if message.can_fd and not _switches(message, network):
                assumed.append(f"{message.name}: {_say_slow(message)}")
    return frames, tuple(left_out), tuple(assumed)


def _time_frame(message: Message, network: Network) -> tuple[float, float]:
    """Longest and shortest time on the wire in nanoseconds."""
    length, extended = message.length_bytes, message.extended
    if not message.can_fd:
        bit = NANOSECONDS_A_SECOND / network.bit_rate
        worst = compute_worst_bits(length, extended=extended) * bit
        return worst, compute_plain_bits(length, extended=extended) * bit
    fast = network.data_bit_rate if _switches(message, network) else network.bit_rate
    frames: tuple[FrameBits, FrameBits] = (
        compute_worst_flexible_bits(length, extended=extended),
        compute_plain_flexible_bits(length, extended=extended),
    )
    worst, plain = (each.to_nanoseconds(network.bit_rate, fast) for each in frames)
    return worst, plain


def _switches(message: Message, network: Network) -> bool:
    return bool(message.bit_rate_switch and network.data_bit_rate)


def _say_slow(message: Message) -> str:
    """Why a CAN FD frame is counted at the nominal rate, which is never too short a time."""
    if message.bit_rate_switch is None:
        return "it is not said whether it goes over to the data bit rate; counted without"
    if message.bit_rate_switch:
        return "the data bit rate is not known; counted at the nominal one"
    return "it stays at the nominal bit rate"


def _judge(
    frames: list[_Frame],
    place: int,
    jitter: int,
    bit: int,
    overloaded: bool,  # noqa: FBT001
) -> ResponseTime:
    own = frames[place]
    blocking = max((each.length for each in frames[place + 1 :]), default=0)
    higher = frames[:place]
    worst = (
        None
        if overloaded and _load(frames[: place + 1]) >= 1
        else _respond(own, higher, blocking, jitter, bit)
    )
    return ResponseTime(
        message=own.message.name,
        frame_id=own.message.frame_id,
        period_us=own.period / 1000,
        frame_us=own.length / 1000,
        blocking_us=blocking / 1000,
        worst_us=None if worst is None else worst / 1000,
        in_time=worst is not None and worst <= own.period,
    )


def _respond(
    own: _Frame, higher: list[_Frame], blocking: int, jitter: int, bit: int
) -> int | None:
    """Equations (5) to (10) of the paper; None where the rounds run out."""
    interfering = [*higher, own]
    rounds = 0
    busy = own.length
    while True:
        longer = blocking + sum(-(-(busy + jitter) // f.period) * f.length for f in interfering)
        if longer == busy:
            break
        busy, rounds = longer, rounds + 1
        if rounds > MOST_ROUNDS // (len(interfering) or 1):
            return None
    worst = 0
    wait = blocking
    for instance in range(-(-(busy + jitter) // own.period)):
        wait = max(wait, blocking + instance * own.length)
        while True:
            longer = (
                blocking
                + instance * own.length
                + sum(-(-(wait + jitter + bit) // f.period) * f.length for f in higher)
            )
            if longer == wait:
                break
            wait, rounds = longer, rounds + 1
            if rounds > MOST_ROUNDS // (len(interfering) or 1):
                return None
        worst = max(worst, jitter + wait - instance * own.period + own.length)
    return worst


def _load(frames: list[_Frame]) -> float:
    return sum(each.length / each.period for each in frames)


def _ceil(value: float) -> int:
    return -int(-value // 1)
