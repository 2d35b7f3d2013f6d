"""Compiled loop over the objects of an unpacked BLF container.

Only plain data frames are read; every other object is noted as odd and left to the columns of
:mod:`donorfit.edge.logs.blf_objects`, which also know what the fields are.
"""

# ruff: noqa: PLR0917 - compiled loops take their arguments by place

from typing import Any

import numpy as np

from donorfit.edge.logs.compiling import loop, step

Column = np.ndarray[Any, Any]
U = np.uint64
DONE, BROKEN, NEW_CHANNEL = 0, 1, 2
_MARK = np.uint32(0x4A424F4C)
_ONE, _TWO, _THREE, _FOUR, _EIGHT = U(1), U(2), U(3), U(4), U(8)
_BASE = U(16)
_SIX, _TWELVE, _TWENTY_FOUR = U(6), U(12), U(24)
_HEADER, _LONG_HEADER = U(32), U(40)
_CLASSIC, _CLASSIC_2 = U(1), U(86)
_REMOTE = U(0x80)
_ID_BITS, _EXTENDED_SHIFT = U(0x1FFFFFFF), U(31)
_ALL = U(0xFFFFFFFFFFFFFFFF)
_WORD_BITS, _BYTE_BITS = U(64), U(8)
_TEN_MICROSECONDS = U(1)


@step
def find_mark(words: Column, at: Any, stop: Any) -> Any:
    """Where the mark of an object stands, at most four bytes on; else the end of all."""
    for gap in range(5):
        begin = at + U(gap)
        if begin + _FOUR <= stop and words[begin] == _MARK:
            return begin
    return stop


@step
def find_body(signs: Column, shorts: Column, words: Column, begin: Any, size: Any) -> Any:
    """Where the fields of a plain data frame begin; 0 where the object is none."""
    kind, version = U(words[begin + _TWELVE]), U(shorts[begin + _SIX])
    if (kind != _CLASSIC and kind != _CLASSIC_2) or version < _ONE or version > _TWO:  # noqa: PLR1714
        return U(0)
    if size < U(shorts[begin + _FOUR]) + _BASE:
        return U(0)
    body = begin + _HEADER if version == _ONE else begin + _LONG_HEADER
    return U(0) if U(signs[body + _TWO]) & _REMOTE else body


@loop
def scan_objects(
    signs: Column, shorts: Column, words: Column, longs: Column, end: Any, start_s: Any,
    places: Column, times_s: Column, ids: Column, extended: Column, lengths: Column,
    payload: Column, channels: Column, filled: Column, odd: Column, state: Column,
) -> int:  # fmt: skip
    """Read objects up to ``end``, or to the first one with an unknown channel.

    ``places`` gives the place of every channel number, -1 for an unknown one; ``state`` holds
    where the next object is to be looked for, its row, and how many odd objects there are. Returns
    why it ended.
    """
    at, row, odd_count, stop = U(state[0]), U(state[1]), U(state[2]), U(end)
    reason = DONE
    while True:
        begin = find_mark(words, at, stop)
        if begin == stop:
            reason = BROKEN if stop - at >= _EIGHT else DONE
            break
        if begin + _BASE > stop:
            break
        size = U(words[begin + _EIGHT])
        if size < _BASE:
            reason = BROKEN
            break
        if begin + size > stop:
            at = begin
            break
        body = find_body(signs, shorts, words, begin, size)
        if body:
            channel = places[shorts[body]]
            if channel < 0:
                at, reason = begin, NEW_CHANNEL
                break
            ticks = np.float64(longs[begin + _TWENTY_FOUR])
            parts = 1e5 if U(words[begin + _BASE]) == _TEN_MICROSECONDS else 1e9
            number = U(words[body + _FOUR])
            length = min(U(signs[body + _THREE]), _EIGHT)
            kept = _ALL >> (_WORD_BITS - _BYTE_BITS * length) if length else U(0)
            times_s[row] = ticks / parts + start_s
            ids[row], extended[row] = number & _ID_BITS, number >> _EXTENDED_SHIFT != 0
            lengths[row], payload[row] = length, longs[body + _EIGHT] & kept
            channels[row], filled[row] = channel, True
        else:
            odd[0, odd_count], odd[1, odd_count] = row, begin
            odd_count += _ONE
        at = begin + size
        row += _ONE
    state[0], state[1], state[2] = at, row, odd_count
    return reason
