"""Find single bytes that check the others of their message.

A CRC-8 is found by differences of frame pairs with the *same* counter value: initial value, final
xor, data id and lists of ids by counter cancel out, so what remains is linear: ``crc(a xor b) =
check(a) xor check(b)`` with initial value 0. All 128 polynomials with a constant term are tried.
Sums and xor are tried directly. Source of the algebra: the definition of a CRC.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from enum import Enum
from itertools import groupby, pairwise, product

import numpy as np

from donorfit.network.counters import Counter
from donorfit.network.crc8_sweep import list_survivors, sweep_polynomials
from donorfit.network.crc_rows import compute_rank
from donorfit.network.frames import Column

MOST_PAIRS = 64
LARGEST_LIST = 16
LEAST_VARIED = 3
LEAST_RANK = 4
"""Independent differences before a check is believed: with 8 bits each, 2**-32 by chance for one
of 12 288 ways, 3 in a million for all of them."""
FIRST_PLACES, LAST_PLACES = 16, 8
"""In long frames only these bytes are tried as checks."""
_BYTE_RING, _CARRY_RING = 256, 255


class CheckKind(Enum):
    """Kinds of check."""

    CRC8 = "CRC-8"
    CRC16 = "CRC-16"
    CRC32 = "CRC-32"
    CRC64 = "CRC-64"
    SUM = "sum of bytes"
    NEGATIVE_SUM = "negative sum of bytes"
    CARRY_SUM = "sum of bytes with carry"
    NEGATIVE_CARRY_SUM = "inverted sum of bytes with carry"
    XOR = "xor of bytes"


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """One way in which bytes check the others.

    Attributes:
        kind: how it is computed.
        byte: its first byte.
        width: its bits.
        polynomial: of a CRC, without the highest bit; 0 otherwise.
        reflected: least significant bit first.
        backwards: bytes are taken from the last to the first.
        trailing: bytes behind the data that never reach the bus, such as a data id.
        low_byte_first: order of the bytes of a wide check.
        place_sure: false where the algebra fits every byte alike (xor, negative sums) and the byte
            that moves most was taken.
        pairs: pairs of frames that agree, all of those tried.
    """

    kind: CheckKind
    byte: int
    width: int = 8
    polynomial: int = 0
    reflected: bool = False
    backwards: bool = False
    trailing: int = 0
    low_byte_first: bool = False
    place_sure: bool = True
    pairs: int

    @property
    def is_crc(self) -> bool:
        """Whether it is a CRC of any width."""
        return self.kind.value.startswith("CRC")

    @property
    def places(self) -> range:
        """Bytes that it takes."""
        return range(self.byte, self.byte + self.width // 8)


def find_byte_checks(
    rows: Column, counters: tuple[Counter, ...], differences: Column
) -> Iterator[Check]:
    """Checks of one byte.

    Args:
        rows: one row a frame.
        counters: those found; a byte that counts is no check.
        differences: of frame pairs with equal counter value.
    """
    symmetric = _find_symmetric(rows, counters)
    if symmetric is not None:
        yield symmetric
        return
    survivors = list_survivors(differences, list_places(rows.shape[1]))
    for byte in list_places(rows.shape[1]):
        if len(np.unique(rows[:, byte])) < LEAST_VARIED:
            continue
        if any(each.byte == byte and each.bits == 8 for each in counters):  # noqa: PLR2004
            continue
        plain = list(_try_plain(rows[:, byte], np.delete(rows, byte, axis=1), byte))
        yield from plain
        if not plain:
            yield from _try_crc(differences, byte, survivors)


def list_places(length: int) -> list[int]:
    """Bytes that are tried as checks: all of a short frame, both ends of a long one."""
    return [n for n in range(length) if n < FIRST_PLACES or n >= length - LAST_PLACES]


def find_differences(rows: Column, counters: tuple[Counter, ...]) -> Column:
    """Differences of frame pairs with equal counter value and different content.

    Values that change with the counter are known of counters with up to 16 values only (AUTOSAR
    E2E profiles 1 and 2); a wider one would leave a short record without any pair.
    """
    pairs = _pair_frames(rows, tuple(each for each in counters if each.modulus <= LARGEST_LIST))
    found: Column = rows[pairs[:, 0]] ^ rows[pairs[:, 1]] if len(pairs) else rows[:0]
    return found


def _pair_frames(rows: Column, counters: tuple[Counter, ...]) -> Column:
    values = counters[0].read(rows) if counters else np.zeros(len(rows), np.uint8)
    order = np.argsort(values, kind="stable")
    pairs = [
        (before, after)
        for _, same in groupby(order, key=lambda row: values[row])
        for before, after in pairwise(same)
        if (rows[before] != rows[after]).any()
    ]
    step = max(1, len(pairs) // MOST_PAIRS)
    return np.array(pairs[::step][:MOST_PAIRS], np.int64).reshape(-1, 2)


def _find_symmetric(rows: Column, counters: tuple[Counter, ...]) -> Check | None:
    """A check that fits every byte alike: all bytes together never change their sum or xor."""
    moving = [n for n in range(rows.shape[1]) if len(np.unique(rows[:, n])) >= LEAST_VARIED]
    if len(moving) < 3:  # noqa: PLR2004 - two bytes that move against each other are no check
        return None
    total = rows.sum(axis=1, dtype=np.int64)
    rests = (
        (CheckKind.NEGATIVE_SUM, total % _BYTE_RING),
        (CheckKind.NEGATIVE_CARRY_SUM, total % _CARRY_RING),
        (CheckKind.XOR, np.bitwise_xor.reduce(rows, axis=1).astype(np.int64)),
    )
    kind = next((name for name, rest in rests if (rest == rest[0]).all()), None)
    if kind is None:
        return None
    counting = {each.byte for each in counters}
    moved = np.bitwise_xor(rows[1:], rows[:-1], dtype=np.uint8)
    moves = np.unpackbits(moved, axis=1).reshape(len(moved), -1, 8).sum(axis=(0, 2))
    # Of equals the outermost byte: checks stand at the beginning or at the end.
    end = rows.shape[1] - 1
    byte = max(moving, key=lambda n: (n not in counting, moves[n], max(n, end - n)))
    return Check(kind=kind, byte=byte, pairs=len(rows), place_sure=False)


def _try_plain(check: Column, others: Column, byte: int) -> Iterator[Check]:
    """Sums with any constant added: the difference to the check byte never moves."""
    # A byte that equals one moving neighbour would pass too; ask for two that move.
    if sum(len(np.unique(column)) >= LEAST_VARIED for column in others.T) < 2:  # noqa: PLR2004
        return
    difference = check.astype(np.int64) - others.sum(axis=1, dtype=np.int64)
    for kind, ring in ((CheckKind.SUM, _BYTE_RING), (CheckKind.CARRY_SUM, _CARRY_RING)):
        rest = difference % ring
        if (rest == rest[0]).all():
            yield Check(kind=kind, byte=byte, pairs=len(check))


def _try_crc(
    differences: Column, byte: int, survivors: frozenset[tuple[int, bool, bool]]
) -> Iterator[Check]:
    others = np.delete(differences, byte, axis=1)
    check = differences[:, byte]
    useful = others.any(axis=1)
    others, check = others[useful], check[useful]
    numbers = [int.from_bytes(row.tobytes(), "big") for row in others]
    if not check.any() or compute_rank(numbers) < LEAST_RANK:
        return
    for reflected, backwards in product((False, True), repeat=2):
        if (byte, reflected, backwards) not in survivors:
            continue
        ordered = others[:, ::-1] if backwards else others
        for trailing, polynomial in sweep_polynomials(ordered, check, reflected=reflected):
            yield Check(
                kind=CheckKind.CRC8,
                byte=byte,
                polynomial=polynomial,
                reflected=reflected,
                backwards=backwards,
                trailing=trailing,
                pairs=len(check),
            )
