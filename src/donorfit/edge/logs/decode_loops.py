"""Compiled loops for decoding; see :class:`donorfit.network.loops.Loops`."""

# ruff: noqa: PLR0917 - compiled loops take their arguments by place

from typing import Any

import numpy as np

from donorfit.edge.logs.compiling import loop

Column = np.ndarray[Any, Any]
U, U32, I32, I64 = np.uint64, np.uint32, np.int32, np.int64
_SPREAD = U32(0x9E3779B1)  # any odd factor that fills the upper bits
_UPPER = U32(16)
_EXTENDED_BIT = U32(31)
_BITS = 64
_NARROW = 31
_BYTES_ODD, _BYTES_WORDS = U(0x00FF00FF00FF00FF), U(0x0000FFFF0000FFFF)
_EIGHT, _SIXTEEN, _THIRTY_TWO = U(8), U(16), U(32)
_ALL = U(0xFFFFFFFFFFFFFFFF)


@loop
def group_ids(
    ids: Column, extended: Column, keys: Column, numbers: Column, counts: Column, found_of: Column
) -> int:
    """Number the identifiers in the order in which they are met.

    Args:
        ids: of every frame.
        extended: of every frame, 29 bits instead of 11.
        keys: keys of a hash table, 65 536 places.
        numbers: its numbers, from 1; 0 is free.
        counts: frames of every number, all 0; as long as there may be identifiers.
        found_of: gets every frame's number, from 0.

    Returns:
        How many there are; -1 where they are too many.
    """
    mask, found = U32(len(keys) - 1), 0
    for row in range(len(ids)):
        key = ids[row] | (U32(extended[row]) << _EXTENDED_BIT)
        place = U32(key * _SPREAD) >> _UPPER
        while numbers[place] != 0 and keys[place] != key:
            place = U32(place + U32(1)) & mask
        if numbers[place] == 0:
            if found >= len(counts):
                return -1
            found += 1
            keys[place], numbers[place] = key, found
        number = numbers[place] - 1
        found_of[row] = number
        counts[number] += 1
    return found


@loop
def place_rows(found_of: Column, begins: Column, order: Column) -> None:
    """Rows ordered by number; ``begins`` says where each number's begin and is used up."""
    for row in range(len(found_of)):
        number = found_of[row]
        order[begins[number]] = row
        begins[number] += 1


@loop
def take_words(payload: Column, rows: Column, swapped: Any, words: Column) -> None:
    """The payload of some rows as numbers, or with their bytes in turned order."""
    if not swapped:
        for place in range(len(rows)):
            words[place] = payload[rows[place]]
        return
    for place in range(len(rows)):
        word = payload[rows[place]]
        word = ((word & _BYTES_ODD) << _EIGHT) | ((word >> _EIGHT) & _BYTES_ODD)
        word = ((word & _BYTES_WORDS) << _SIXTEEN) | ((word >> _SIXTEEN) & _BYTES_WORDS)
        words[place] = (word << _THIRTY_TWO) | (word >> _THIRTY_TWO)


@loop
def scale_bits(
    words: Column,
    low: int,
    length: int,
    signed: Any,
    factor: float,
    offset: float,
    to: Column,
) -> None:
    """Bits of every word from ``low`` on, times a factor, plus an offset.

    Short ones go through 32-bit numbers, which processors turn into floating ones eight at a time.
    """
    down = U(low)
    if signed:
        up, back = U(_BITS - length - low), I64(_BITS - length)
        if length <= _NARROW:
            for place in range(len(words)):
                to[place] = np.float64(I32(I64(words[place] << up) >> back)) * factor + offset
            return
        for place in range(len(words)):
            to[place] = np.float64(I64(words[place] << up) >> back) * factor + offset
        return
    mask = _ALL >> U(_BITS - length)
    if length <= _NARROW:
        for place in range(len(words)):
            to[place] = np.float64(I32((words[place] >> down) & mask)) * factor + offset
        return
    for place in range(len(words)):
        to[place] = np.float64((words[place] >> down) & mask) * factor + offset
