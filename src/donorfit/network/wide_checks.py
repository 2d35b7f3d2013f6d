"""Find CRCs of 16, 32 and 64 bits of any polynomial.

With the difference of two frames that have equal counter values, data ``M`` and check ``C`` as
polynomials fulfil ``M * x**width + C = 0 modulo P``. Every such sum is a multiple of ``P``, so
``P`` is their greatest common divisor; of a handful of sums that no CRC made it is small. No list
of polynomials is needed. Source: the definition of a CRC and Euclid's algorithm.
"""

from collections.abc import Iterator
from itertools import product
from typing import Literal

import numpy as np

from donorfit.network.byte_checks import (
    LEAST_VARIED,
    Check,
    CheckKind,
)
from donorfit.network.crc_rows import (
    CRC_ROWS,
    compute_rank,
    find_common_divisor,
    mirror_bytes,
    reverse_bits,
    take_remainder,
)
from donorfit.network.frames import Column

WIDTHS = ((16, CheckKind.CRC16), (32, CheckKind.CRC32), (64, CheckKind.CRC64))
LEAST_RANKS = {16: 5, 32: 4, 64: 3}
"""Independent differences asked for: a common divisor of that many random sums has ``width`` bits
with a chance of about ``2**(-width * (rank - 1))``."""
MOST_SUMS = 24
TRAILING = (0, 2)
"""Bytes taken in behind the data: none, or the data id of AUTOSAR E2E profiles 5 and 6."""
FIRST_PLACES = 9
"""A wide check stands in one of these bytes, or at the very end."""


def find_wide_checks(rows: Column, differences: Column) -> tuple[Check, ...]:
    """Checks of two, four or eight bytes; the widest that fits counts.

    Args:
        rows: one row a frame.
        differences: of frame pairs with equal counter value.
    """
    moving = [len(np.unique(column)) >= LEAST_VARIED for column in rows.T]
    for width, kind in reversed(WIDTHS):
        size = width // 8
        found: list[Check] = []
        end = rows.shape[1] - size
        for byte in range(end + 1):
            likely = byte < FIRST_PLACES or byte == end
            if likely and all(moving[byte : byte + size]):
                found += _try_place(differences, byte, width, kind)
        if found:
            return tuple(found)
    return ()


def _try_place(differences: Column, byte: int, width: int, kind: CheckKind) -> Iterator[Check]:
    size = width // 8
    checks = differences[:, byte : byte + size]
    others = np.delete(differences, np.s_[byte : byte + size], axis=1)
    useful = others.any(axis=1)
    data = [row.tobytes() for row in others[useful][:MOST_SUMS]]
    ends = [row.tobytes() for row in checks[useful][:MOST_SUMS]]
    if len(data) < LEAST_RANKS[width] or not any(any(each) for each in ends):
        return
    ranked = False
    for reflected, low_byte_first in product((False, True), repeat=2):
        values = [mirror_bytes(each) for each in data] if reflected else data
        messages = [int.from_bytes(each, "big") for each in values]
        order: Literal["little", "big"] = "little" if low_byte_first else "big"
        numbers = [int.from_bytes(each, order) for each in ends]
        if reflected:
            numbers = [reverse_bits(each, width) for each in numbers]
        for trailing in TRAILING:
            polynomial = _divide(messages, numbers, width, trailing)
            if not polynomial:
                continue
            # Few independent differences share a divisor by chance; asked last, because it costs.
            if not ranked and compute_rank(messages) < LEAST_RANKS[width]:
                return
            ranked = True
            yield Check(
                kind=kind,
                byte=byte,
                width=width,
                polynomial=polynomial,
                reflected=reflected,
                trailing=trailing,
                low_byte_first=low_byte_first,
                pairs=len(data),
            )


def _divide(messages: list[int], checks: list[int], width: int, trailing: int) -> int:
    """The polynomial that all sums share, without its highest bit; 0 where there is none."""
    shift = width + 8 * trailing
    common = 0
    for message, check in zip(messages, checks, strict=True):
        common = find_common_divisor(message << shift ^ check, common)
        if common.bit_length() <= width:
            return 0
    if common.bit_length() == width + 1:
        return common ^ 1 << width if common & 1 else 0
    # The sums happen to share more than the polynomial: only a known one is taken out of them.
    known = (each.polynomial for each in CRC_ROWS if each.width == width)
    return next((p for p in known if not take_remainder(common, p | 1 << width)), 0)
