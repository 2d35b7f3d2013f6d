"""Compiled loop over lines of candump text.

A line is read only where every sign of it is as expected; any other is noted as odd and left to
the reader of single lines.
"""

# ruff: noqa: PLR0917 - compiled loops take their arguments by place

from typing import Any

import numpy as np

from donorfit.edge.logs.compiling import loop, step
from donorfit.edge.logs.sign_loops import (
    EIGHT,
    FOUR,
    HALF_BITS,
    LARGEST_BYTE,
    LARGEST_ID,
    MOST_BYTES,
    NEWLINE,
    NO_NUMBER,
    NONE,
    ONE,
    RETURN,
    SPACE,
    THREE,
    TWO,
    ZERO,
    Column,
    U,
    copy_bytes,
    find_end,
    find_name,
    join_bytes,
    read_bytes,
    read_digit,
    read_hex,
    read_number,
    read_spaced,
    skip_spaces,
)

HASH, OPEN, CLOSE = np.uint8(35), np.uint8(40), np.uint8(41)
BRACKET, BRACKET_END = np.uint8(91), np.uint8(93)
LETTER_R, LETTER_T = np.uint8(82), np.uint8(84)


@step
def read_identifier(signs: Column, pairs: Column, table: Column, at: Any) -> Any:
    """Three or eight hex digits and a ``#``: the number, 29 bits or not, the end; 0 for none."""
    if signs[at + THREE] == HASH:
        high = U(table[pairs[at]])
        low = read_digit(signs, table, at + TWO)
        if high > LARGEST_BYTE or low > LARGEST_BYTE:
            return NONE, False, NONE
        return high << HALF_BITS | low, False, at + FOUR
    if signs[at + EIGHT] != HASH:
        return NONE, False, NONE
    number, end = read_hex(signs, table, at)
    if end != at + EIGHT or number > LARGEST_ID:
        return NONE, True, NONE
    return number, True, end + ONE


@step
def end_candump(signs: Column, at: Any) -> Any:
    """Step over a direction and a carriage return."""
    if signs[at] == SPACE and (signs[at + ONE] == LETTER_R or signs[at + ONE] == LETTER_T):
        at += TWO
    if signs[at] == RETURN:
        at += ONE
    return at


@step
def read_listed(signs: Column, pairs: Column, table: Column, at: Any) -> Any:
    """``123 [2] 00 11``: number, 29 bits or not, bytes, how many, the end (0: no)."""
    begin = skip_spaces(signs, at)
    number, at = read_hex(signs, table, begin)
    digits = at - begin
    end = skip_spaces(signs, at)
    count = U(np.uint8(signs[end + ONE] - ZERO))
    bad = digits < THREE or end == at or number > LARGEST_ID or count > EIGHT
    if bad or signs[end] != BRACKET or signs[end + TWO] != BRACKET_END:
        return NONE, False, NONE, NONE, NONE
    at = end + THREE
    if count > NONE:
        at = max(at, skip_spaces(signs, at) - ONE)
    word, found, at = read_spaced(signs, pairs, table, at, count)
    at = skip_spaces(signs, at)
    if signs[at] == RETURN:
        at += ONE
    if found != count:
        at = NONE
    return number, digits > THREE, word, count, at


@step
def is_named(signs: Column, table: Column, at: Any) -> Any:
    """Whether a word and an identifier stand here, so that the word may name a channel."""
    while signs[at] != SPACE and signs[at] != NEWLINE:
        at += ONE
    begin = skip_spaces(signs, at)
    _, at = read_hex(signs, table, begin)
    return at - begin >= THREE and (signs[at] == HASH or signs[at] == SPACE)


@step
def read_long(
    signs: Column, pairs: Column, table: Column, at: Any, pool: Column, pool_size: Any
) -> Any:
    """Behind a second ``#``: the first eight bytes, how many there are, the end (0: no)."""
    if read_digit(signs, table, at) > LARGEST_BYTE:
        return NONE, NONE, NONE
    count, end = copy_bytes(pairs, table, at + ONE, MOST_BYTES, pool, pool_size)
    return join_bytes(pool, pool_size, count), count, end


@step
def read_stamp(signs: Column, at: Any, powers: Column) -> Any:
    """Seconds in brackets (NaN where there are no brackets), and where the rest begins (0: no)."""
    time_s = np.nan
    if signs[at] == OPEN:
        total, behind, at = read_number(signs, at + ONE)
        if behind == NO_NUMBER or signs[at] != CLOSE or signs[at + ONE] != SPACE:
            at = NONE
        else:
            time_s = np.float64(np.int64(total)) / powers[behind]
            at = skip_spaces(signs, at + TWO)
    return time_s, at


@step
def read_frame(
    signs: Column, pairs: Column, table: Column, at: Any, timed: Any, pool: Column, pool_size: Any
) -> Any:
    """From the identifier on: number, 29 bits or not, bytes, how many, the end (0: no)."""
    number, wide, here = read_identifier(signs, pairs, table, at)
    word, count = NONE, NONE
    if here == NONE:
        number, wide, word, count, here = read_listed(signs, pairs, table, at)
    else:
        word, count, here = read_bytes(pairs, table, here)
        if signs[here] != NEWLINE:
            if count == NONE and signs[here] == HASH:
                word, count, here = read_long(signs, pairs, table, here + ONE, pool, pool_size)
            if here != NONE:
                here = end_candump(signs, here)
        if not timed:  # the form with a mark always has a time
            here = NONE
    return number, wide, word, count, here


@loop
def scan_candump(
    signs: Column, pairs: Column, end: Any, table: Column, powers: Column,
    names: Column, name_lengths: Column,
    times_s: Column, ids: Column, extended: Column, lengths: Column, words: Column,
    channels: Column, filled: Column, odd: Column, long: Column, pool: Column, state: Column,
) -> None:  # fmt: skip
    """Read lines up to ``end``, or to the first one with an unknown channel.

    ``state`` holds the place, the row, and how many odd lines, long frames and bytes in the pool
    there are; it is brought up to date.
    """
    at, row = U(state[0]), U(state[1])
    odd_count, long_count, pool_size = U(state[2]), U(state[3]), U(state[4])
    stop, unknown = U(end), U(len(names))
    while at < stop:
        begin, channel = at, unknown
        time_s, at = read_stamp(signs, skip_spaces(signs, at), powers)
        if at != NONE:
            channel, at = find_name(signs, at, names, name_lengths)
            if channel == unknown:
                if is_named(signs, table, at):
                    at = begin
                    break
                at = NONE
        number, wide, word, count = NONE, False, NONE, NONE
        if at != NONE:
            begin_frame = skip_spaces(signs, at)
            timed = time_s >= 0
            number, wide, at = read_identifier(signs, pairs, table, begin_frame)
            if at != NONE and timed:  # most lines end behind their data
                word, count, at = read_bytes(pairs, table, at)
            if at == NONE or not timed or signs[at] != NEWLINE:
                number, wide, word, count, at = read_frame(
                    signs, pairs, table, begin_frame, timed, pool, pool_size
                )
        if at != NONE and signs[at] == NEWLINE:
            times_s[row], ids[row], extended[row] = time_s, number, wide
            lengths[row], words[row], channels[row] = count, word, channel
            filled[row] = True
            if count > EIGHT:
                long[0, long_count], long[1, long_count] = row, count
                long_count += ONE
                pool_size += count
        else:
            at = find_end(signs, begin)
            odd[0, odd_count], odd[1, odd_count], odd[2, odd_count] = row, begin, at
            odd_count += ONE
        at += ONE
        row += ONE
    state[0], state[1] = at, row
    state[2], state[3], state[4] = odd_count, long_count, pool_size
