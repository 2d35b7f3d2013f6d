"""Length of a CAN FD frame in bits of its two rates.

A frame begins and ends at the nominal bit rate; between the bit that switches (BRS) and the CRC
delimiter it runs at the data bit rate. Fields and their lengths: ISO 11898-1:2015, as restated
field by field in the Linux kernel's public header ``linux/can/length.h``: 67 bits around the data
with an 11-bit identifier and CRC-21, 86 with a 29-bit one; 4 bits of stuff count; 6 fixed stuff
bits with CRC-17 (up to 16 bytes), 7 with CRC-21.

Stuff bits: from the start of the frame to the end of the data one bit follows five equal ones. The
first such run takes five bits and each further one four, because a stuff bit may begin the next
run: at most ``floor((bits - 1) / 4)``, the argument of Davis and others (2007) for classic frames.
At most ``floor((17 - 1) / 4) = 4`` of them (8 with 29 bits) fall into the slow part. Behind the
data the stuff bits are fixed and counted with the CRC. The bits of BRS and of the CRC delimiter
change rate in their middle; both are counted as slow, so the time is never too short.
"""

from typing import NamedTuple

from donorfit.errors import InputError
from donorfit.records.counted import count

LENGTHS: tuple[int, ...] = (*range(9), 12, 16, 20, 24, 32, 48, 64)
"""Bytes that a CAN FD frame can carry (ISO 11898-1:2015)."""
LARGEST_SHORT_CRC_BYTES = 16
_SLOW_AHEAD, _SLOW_AHEAD_EXTENDED = 17, 36
"""Start of frame to BRS: 1+11+RRS+IDE+FDF+res+BRS; 1+11+SRR+IDE+18+RRS+FDF+res+BRS."""
_SLOW_BEHIND = 13
"""CRC delimiter, acknowledgement and its delimiter, 7 bits of end, 3 bits of gap."""
_FAST_AHEAD = 5
"""Error state indicator and the four bits of the length code."""
_SHORT_CRC, _LONG_CRC = 4 + 17 + 6, 4 + 21 + 7
"""Stuff count, CRC, fixed stuff bits."""


class FrameBits(NamedTuple):
    """Bits at the nominal and at the data bit rate."""

    nominal: int
    data: int

    def to_nanoseconds(self, bit_rate: int, data_bit_rate: int) -> float:
        """Time on the wire in nanoseconds; bit rates in bit/s."""
        return 1e9 * (self.nominal / bit_rate + self.data / data_bit_rate)


def round_up_length(length_bytes: int) -> int:
    """Bytes that are sent: the next length that the format has.

    Raises:
        InputError: fewer than 0 or more than 64 bytes.
    """
    if not 0 <= length_bytes <= LENGTHS[-1]:
        raise InputError(
            what=f"a CAN FD frame cannot carry {count(length_bytes, 'byte')}",
            where="frame length",
            why=f"ISO 11898-1 allows 0 to {LENGTHS[-1]}",
            next_step="correct the message's length",
        )
    return next(length for length in LENGTHS if length >= length_bytes)


def compute_plain_flexible_bits(length_bytes: int, *, extended: bool) -> FrameBits:
    """The frame without any dynamic stuff bit, with the 3-bit gap.

    Raises:
        InputError: fewer than 0 or more than 64 bytes.
    """
    length = round_up_length(length_bytes)
    ahead = _SLOW_AHEAD_EXTENDED if extended else _SLOW_AHEAD
    crc = _SHORT_CRC if length <= LARGEST_SHORT_CRC_BYTES else _LONG_CRC
    return FrameBits(ahead + _SLOW_BEHIND, _FAST_AHEAD + 8 * length + crc)


def compute_worst_flexible_bits(length_bytes: int, *, extended: bool) -> FrameBits:
    """The longest frame with that many bytes, with the 3-bit gap; see the module's formula.

    Raises:
        InputError: fewer than 0 or more than 64 bytes.
    """
    plain = compute_plain_flexible_bits(length_bytes, extended=extended)
    ahead = plain.nominal - _SLOW_BEHIND
    stuffable = ahead + _FAST_AHEAD + 8 * round_up_length(length_bytes)
    slow = (ahead - 1) // 4
    return FrameBits(plain.nominal + slow, plain.data + (stuffable - 1) // 4 - slow)
