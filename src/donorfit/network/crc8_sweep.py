"""Try all CRC-8 polynomials on differences of frames, at every byte at once.

With start value 0 a CRC is linear, so every byte adds what its value and its distance from the end
say. Two running sums, one for the bytes ahead of a place and one for those behind it, give the
check that each place would have; few survive a handful of differences and are looked at in full.
"""

from collections.abc import Iterator, Sequence
from functools import cache
from itertools import product

import numpy as np

from donorfit.network.frames import Column

FIRST_PAIRS = 6
MOST_TRAILING = 2
POLYNOMIALS = 128
"""With a constant term; without one a CRC would not see the last bit."""


def list_survivors(
    differences: Column, places: Sequence[int]
) -> frozenset[tuple[int, bool, bool]]:
    """Places, with reflection and direction, where a polynomial fits the first differences.

    Args:
        differences: of frame pairs with equal counter value.
        places: bytes that are tried as the check.
    """
    # A difference in one byte alone says nothing about where the check is.
    some = differences[(differences != 0).sum(axis=1) > 1][:FIRST_PAIRS]
    if len(some) < 2:  # noqa: PLR2004
        return frozenset()
    length = some.shape[1]
    found = set()
    for reflected, backwards in product((False, True), repeat=2):
        ordered = some[:, ::-1] if backwards else some
        for trailing in range(MOST_TRAILING + 1):
            powers = _list_powers(length + MOST_TRAILING, reflected=reflected)
            ahead = _add_up(powers, ordered, length - 2 + trailing)
            behind = _add_up(powers, ordered[:, ::-1], trailing, rising=True)
            for place in places:
                here = length - 1 - place if backwards else place
                state = ahead[here] ^ behind[length - 1 - here]
                if (state == ordered[None, :, here]).all(axis=1).any():
                    found.add((place, reflected, backwards))
    return frozenset(found)


def sweep_polynomials(
    others: Column, check: Column, *, reflected: bool
) -> Iterator[tuple[int, int]]:
    """Trailing bytes and polynomial of every CRC-8 that gives ``check`` from ``others``."""
    tables = _list_tables(reflected=reflected)
    state = _run_all(tables, others)
    for trailing in range(MOST_TRAILING + 1):
        for place in np.flatnonzero((state == check[None, :]).all(axis=1)):
            yield trailing, 2 * int(place) + 1
        state = np.take_along_axis(tables, state, axis=1)  # one more byte, difference 0


def _add_up(powers: Column, data: Column, distance: int, *, rising: bool = False) -> Column:
    """Running sums over the bytes from the first on: (bytes + 1, polynomials, rows).

    The first byte lies ``distance`` bytes ahead of the end; the distance falls, or rises, by one.
    """
    sums = np.zeros((data.shape[1] + 1, POLYNOMIALS, len(data)), np.uint8)
    for place in range(data.shape[1]):
        away = distance + place if rising else distance - place
        part = powers[away][:, data[:, place]] if away >= 0 else 0
        np.bitwise_xor(sums[place], part, out=sums[place + 1])
    return sums


@cache
def _list_powers(length: int, *, reflected: bool) -> Column:
    """What a byte adds at each distance from the end: (distance, polynomial, byte value)."""
    tables = _list_tables(reflected=reflected)
    powers = np.empty((length, *tables.shape), np.uint8)
    powers[0] = tables
    for distance in range(1, length):
        powers[distance] = np.take_along_axis(tables, powers[distance - 1], axis=1)
    powers.flags.writeable = False
    return powers


def _run_all(tables: Column, data: Column) -> Column:
    """CRC with initial value 0 of every row under every polynomial: (128, rows)."""
    state = np.zeros((len(tables), len(data)), np.uint8)
    which = np.arange(len(tables))[:, None]
    for column in range(data.shape[1]):
        state = tables[which, state ^ data[None, :, column]]
    return state


@cache
def _list_tables(*, reflected: bool) -> Column:
    """One 256-entry table for each of the 128 polynomials with a constant term."""
    polynomials: Column = np.arange(1, 256, 2, dtype=np.uint8)
    if reflected:
        polynomials = np.array([int(f"{each:08b}"[::-1], 2) for each in polynomials], np.uint8)
    values: Column = np.broadcast_to(np.arange(256, dtype=np.uint8), (128, 256)).copy()
    for _ in range(8):
        if reflected:
            out = values & 1
            values = (values >> 1) ^ np.where(out, polynomials[:, None], 0).astype(np.uint8)
        else:
            out = values >> 7
            values = (values << 1) ^ np.where(out, polynomials[:, None], 0).astype(np.uint8)
    values.flags.writeable = False
    return values
