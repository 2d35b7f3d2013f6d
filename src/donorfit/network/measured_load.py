"""Load of a bus as a record shows it."""

from dataclasses import dataclass

import numpy as np

from donorfit.network.frame_bits import (
    LARGEST_CLASSIC_BYTES,
    compute_plain_bits,
    compute_worst_bits,
)
from donorfit.network.frames import Frames

PEAK_SECONDS = 0.1
MOST_SLOTS = 50_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredLoad:
    """Load of a bus as recorded, every frame counted without and with the most stuff bits.

    Attributes:
        channel: name of the channel in the record.
        seconds: length of the record.
        plain: share of the time without stuff bits; what was really sent lies above it.
        worst: share of the time with every frame stuffed as badly as can be; it lies below this.
        peak_plain: the same as ``plain`` in the busiest tenth of a second.
        not_counted: CAN FD frames, which are not counted.
    """

    channel: str
    seconds: float
    plain: float
    worst: float
    peak_plain: float
    not_counted: int


def measure_load(frames: Frames, bit_rate: int, channel: int = 0) -> MeasuredLoad | None:
    """Load of one channel, given by its place; None without times, or with only one.

    Frame lengths as in :mod:`donorfit.network.frame_bits`.
    """
    own = frames.channels == channel
    rows = np.flatnonzero(own & (frames.lengths <= LARGEST_CLASSIC_BYTES))
    times = frames.times_s[rows]
    if len(times) < 2 or np.isnan(times).any() or times.max() <= times.min() or bit_rate <= 0:  # noqa: PLR2004
        return None
    lengths, extended = frames.lengths[rows], frames.extended[rows].astype(np.intp)
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
        channel=frames.channel_names[channel],
        seconds=seconds,
        plain=float(plain.sum()) / bit_rate / seconds,
        worst=float(worst_of[extended, lengths].sum()) / bit_rate / seconds,
        peak_plain=float(peak) / bit_rate / PEAK_SECONDS,
        not_counted=int(own.sum()) - len(rows),
    )
