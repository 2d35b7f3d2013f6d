"""Recognise a message that carries an authenticator made with a key.

AUTOSAR's secure onboard communication puts a freshness value and a truncated authenticator of 24
to 64 bits (profiles of its specification, from memory, unverified) behind the payload. What shows
in a record: the last bytes change in about half of their bits from frame to frame, also where
nothing else but a counter moved, and no check of any kind explains them. Such a message cannot be
made or copied without the key, and nothing here tries to.
"""

from dataclasses import dataclass

import numpy as np

from donorfit.network.frames import Column

LEAST_BYTES, MOST_BYTES = 3, 16
LEAST_FRAMES = 24
_QUIET_FLIPS = 0.30
"""The rest of the message must be calmer than this, or nothing tells a key from mere noise."""
_SLACK = 4.5
"""Standard deviations by which a bit of an authenticator may leave one half."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SecuredTail:
    """Bytes that look like an authenticator.

    Attributes:
        first_byte: the first of them.
        last_byte: the last of them.
    """

    first_byte: int
    last_byte: int

    @property
    def bits(self) -> int:
        """Length of the authenticator as far as it shows."""
        return 8 * (self.last_byte - self.first_byte + 1)


def find_secured_tail(rows: Column) -> SecuredTail | None:
    """Bytes at the end that look like an authenticator; None where none do.

    Args:
        rows: one row a frame in order; messages that a check explains are not asked about.
    """
    if len(rows) < LEAST_FRAMES:
        return None
    rows = rows.astype(np.uint8)
    moves = np.bitwise_xor(rows[1:], rows[:-1], dtype=np.uint8)
    flips = np.unpackbits(moves, axis=1).mean(axis=0).reshape(-1, 8)
    ones = np.unpackbits(rows, axis=1).mean(axis=0).reshape(-1, 8)
    slack = _SLACK * 0.5 / np.sqrt(len(rows) - 1)
    even = (np.abs(flips - 0.5) < slack).all(axis=1) & (np.abs(ones - 0.5) < slack).all(axis=1)
    last = len(even)
    while last and not moves[:, last - 1].any():
        last -= 1
    first = last
    while first and even[first - 1]:
        first -= 1
    calm = float(flips[:first].mean()) if first else 1.0
    if not LEAST_BYTES <= last - first <= MOST_BYTES or calm > _QUIET_FLIPS:
        return None
    if len(np.unique(rows[:, first:], axis=0)) < len(rows):
        return None
    return SecuredTail(first_byte=first, last_byte=last - 1)
