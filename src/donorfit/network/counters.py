"""Find counters in consecutive frames of one message.

A counter is a group of neighbouring bits in one byte that steps by one from frame to frame and
starts again at 0 behind its highest value. The highest value is what the record shows, so modulus
14, 15 (AUTOSAR E2E profiles 1 and 11), 16 and any other are told apart once the start was passed.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from math import lgamma, log, log2

import numpy as np

from donorfit.network.frames import Column

LEAST_AGREEMENT = 0.8
FALSE_ALARM_BITS = 24
"""Bits of evidence before a counter is believed: 2**-24 by chance for one group of bits."""
_LEAST_FLIPS = 0.7


@dataclass(frozen=True, slots=True, kw_only=True)
class Counter:
    """A counter in a message.

    Attributes:
        byte: its byte.
        shift: place of its lowest bit in that byte.
        bits: how many bits it has.
        top: highest value; the modulus is one more.
        agreement: share of steps that fit (lost frames do not).
        restarted: whether the record shows it starting again, so that ``top`` is not supposed.
    """

    byte: int
    shift: int
    bits: int
    top: int
    agreement: float
    restarted: bool = True

    @property
    def modulus(self) -> int:
        """Number of values it takes."""
        return self.top + 1

    def read(self, rows: Column) -> Column:
        """Its value in every row."""
        mask = (1 << self.bits) - 1
        values: Column = rows[:, self.byte].astype(np.int64) >> self.shift & mask
        return values


def find_counters(rows: Column) -> tuple[Counter, ...]:
    """Counters in consecutive frames, one row a frame; at most one for each group of bits."""
    return tuple(each for byte in range(rows.shape[1]) for each in _search_byte(rows, byte))


def _search_byte(rows: Column, byte: int) -> Iterator[Counter]:
    column = rows[:, byte].astype(np.int64)
    flips = column[1:] ^ column[:-1]
    # The lowest bit of a counter moves in nearly every frame.
    starts = [place for place in range(7) if (flips >> place & 1).mean() >= _LEAST_FLIPS]
    found = [
        each
        for shift in starts
        for bits in range(2, 9 - shift)
        if (each := _judge(column, byte, shift, bits)) is not None
    ]
    found.sort(key=lambda each: (-each.agreement, -each.bits))
    taken = 0
    for each in found:
        mask = (1 << each.bits) - 1 << each.shift
        if not taken & mask:
            taken |= mask
            yield each


def _judge(column: Column, byte: int, shift: int, bits: int) -> Counter | None:
    values = column >> shift & (1 << bits) - 1
    steps = np.diff(values)
    ones = int((steps == 1).sum())
    full, seen = (1 << bits) - 1, int(values.max())
    best: Counter | None = None
    for top in dict.fromkeys((full, seen)):
        if top < 2:  # noqa: PLR2004 - two values only alternate
            continue
        restarts = int(((values[:-1] == top) & (values[1:] == 0)).sum())
        agreement = (ones + restarts) / len(steps)
        if agreement < LEAST_AGREEMENT or (best is not None and agreement <= best.agreement):
            continue
        if _weigh(ones + restarts, len(steps), top + 1) < FALSE_ALARM_BITS:
            continue
        best = Counter(
            byte=byte,
            shift=shift,
            bits=max(2, top.bit_length()) if restarts else bits,
            top=top,
            agreement=agreement,
            restarted=bool(restarts),
        )
    return best


def _weigh(hits: int, steps: int, modulus: int) -> float:
    """Bits by which so many fitting steps beat chance."""
    ways = (lgamma(steps + 1) - lgamma(hits + 1) - lgamma(steps - hits + 1)) / log(2)
    return hits * log2(modulus) - ways
