"""Which needed signals a record shows, and in which rhythm.

Absence from a record is "not seen", never "missing": the sender may sleep, or send in another
state of the car.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import Enum

import numpy as np

from donorfit.network.decode import find_rows
from donorfit.network.frame_bits import (
    LARGEST_CLASSIC_BYTES,
    compute_plain_bits,
    compute_worst_bits,
)
from donorfit.network.frames import Column, Frames
from donorfit.vehicle.donor import NeededSignal
from donorfit.vehicle.network import Message, Network

PEAK_SECONDS = 0.1
MOST_SLOTS = 50_000_000


class SeenVerdict(Enum):
    """What a record says about one need."""

    SEEN = "seen in time"
    TOO_SLOW = "seen, gaps too long"
    NOT_SEEN = "not seen in this record"
    NOT_DESCRIBED = "message not described"


@dataclass(frozen=True, slots=True, kw_only=True)
class Rhythm:
    """Rhythm of one identifier; times in milliseconds, None with fewer than two frames or times.

    Attributes:
        frame_id: identifier.
        extended: 29 bits instead of 11.
        count: frames.
        median_ms: middle gap.
        p99_ms: gap that 99 of 100 stay below.
        longest_ms: longest gap.
    """

    frame_id: int
    extended: bool
    count: int
    median_ms: float | None
    p99_ms: float | None
    longest_ms: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class SeenCheck:
    """One need against a record."""

    need: NeededSignal
    verdict: SeenVerdict
    rhythm: Rhythm | None
    reason: str


def list_rhythms(frames: Frames) -> tuple[Rhythm, ...]:
    """Rhythm of every identifier in the record, by identifier."""
    key = frames.ids.astype(np.int64) | (frames.extended.astype(np.int64) << 32)
    order = np.argsort(key, kind="stable")
    found, first = np.unique(key[order], return_index=True)
    parts = np.split(order, first[1:]) if len(found) else []
    return tuple(
        _measure(frames.times_s[rows], int(each) & 0xFFFFFFFF, extended=bool(each >> 32))
        for each, rows in zip(found, parts, strict=True)
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredLoad:
    """Load of a bus as recorded, every frame counted without and with the most stuff bits.

    Attributes:
        seconds: length of the record.
        plain: share of the time without stuff bits; what was really sent lies above it.
        worst: share of the time with every frame stuffed as badly as can be; it lies below this.
        peak_plain: the same as ``plain`` in the busiest tenth of a second.
        not_counted: CAN FD frames, which are not counted.
    """

    seconds: float
    plain: float
    worst: float
    peak_plain: float
    not_counted: int


def measure_load(frames: Frames, bit_rate: int) -> MeasuredLoad | None:
    """Load of one bus in a record; None where the record has no times or only one.

    Frame lengths as in :mod:`donorfit.network.frame_bits`.
    """
    classic = frames.lengths <= LARGEST_CLASSIC_BYTES
    times = frames.times_s[classic]
    if len(times) < 2 or np.isnan(times).any() or times.max() <= times.min() or bit_rate <= 0:  # noqa: PLR2004
        return None
    lengths, extended = frames.lengths[classic], frames.extended[classic].astype(np.intp)
    plain_of, worst_of = (
        np.array(
            [
                [compute(length, extended=long) for length in range(LARGEST_CLASSIC_BYTES + 1)]
                for long in (False, True)
            ]
        )
        for compute in (compute_plain_bits, compute_worst_bits)
    )
    plain = plain_of[extended, lengths]
    seconds = float(times.max() - times.min())
    slots = ((times - times.min()) / PEAK_SECONDS).astype(np.int64)
    if slots.max() > MOST_SLOTS:
        return None
    peak = np.bincount(slots, weights=plain).max()
    return MeasuredLoad(
        seconds=seconds,
        plain=float(plain.sum()) / bit_rate / seconds,
        worst=float(worst_of[extended, lengths].sum()) / bit_rate / seconds,
        peak_plain=float(peak) / bit_rate / PEAK_SECONDS,
        not_counted=int((~classic).sum()),
    )


def check_record(
    needed: Iterable[NeededSignal], networks: Sequence[Network], frames: Frames
) -> tuple[SeenCheck, ...]:
    """Check needs against a record of the network; one answer a need, in order.

    The record holds one network's traffic; identifiers come from the description.
    """
    messages = {(n.name, m.name): m for n in networks for m in n.messages}
    return tuple(
        _check(need, messages.get((need.network, need.message)), frames) for need in needed
    )


def _check(need: NeededSignal, message: Message | None, frames: Frames) -> SeenCheck:
    if message is None:
        reason = f"no description says which identifier {need.message} has"
        return SeenCheck(need=need, verdict=SeenVerdict.NOT_DESCRIBED, rhythm=None, reason=reason)
    rows = find_rows(frames, message)
    if not len(rows):
        reason = f"{message.frame_id:#x} does not occur; the car may have been in another state"
        return SeenCheck(need=need, verdict=SeenVerdict.NOT_SEEN, rhythm=None, reason=reason)
    rhythm = _measure(frames.times_s[rows], message.frame_id, extended=message.extended)
    longest = rhythm.longest_ms
    if longest is None:
        return SeenCheck(
            need=need,
            verdict=SeenVerdict.SEEN,
            rhythm=rhythm,
            reason=f"{rhythm.count} frames, without times to judge the rhythm by",
        )
    slow = longest > need.longest_gap_ms
    return SeenCheck(
        need=need,
        verdict=SeenVerdict.TOO_SLOW if slow else SeenVerdict.SEEN,
        rhythm=rhythm,
        reason=f"{rhythm.count} frames, longest gap {longest:.0f} ms, "
        f"{need.longest_gap_ms} ms is tolerated",
    )


def _measure(times_s: Column, frame_id: int, *, extended: bool) -> Rhythm:
    gaps = np.diff(times_s) * 1000
    usable = len(gaps) > 0 and not np.isnan(gaps).any()
    median, p99, longest = (
        (float(each) for each in (*np.percentile(gaps, (50, 99)), gaps.max()))
        if usable
        else (None, None, None)
    )
    return Rhythm(
        frame_id=frame_id,
        extended=extended,
        count=len(times_s),
        median_ms=median,
        p99_ms=p99,
        longest_ms=longest,
    )
