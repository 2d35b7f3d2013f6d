"""Compiled loop over lines of ASC text; see :mod:`donorfit.edge.logs.candump_loop`."""

# ruff: noqa: PLR0917 - compiled loops take their arguments by place

from typing import Any

import numpy as np

from donorfit.edge.logs.compiling import loop, step
from donorfit.edge.logs.sign_loops import (
    EIGHT,
    LARGEST_ID,
    MOST_BYTES,
    NEWLINE,
    NO_NUMBER,
    NONE,
    ONE,
    RETURN,
    SPACE,
    TWO,
    ZERO,
    Column,
    U,
    copy_spaced,
    find_end,
    find_name,
    join_bytes,
    read_digit,
    read_hex,
    read_number,
    read_spaced,
    skip_spaces,
    skip_wide,
)

LETTER_D, LETTER_R, LETTER_T = np.uint8(100), np.uint8(82), np.uint8(84)
LETTER_X, LARGE_X, SMALL_X = np.uint8(120), np.uint8(88), np.uint8(120)
NINE = np.uint8(57)
FD_MARK = np.frombuffer(b"CANFD ", np.uint8)
MOST_LENGTH_DIGITS = U(2)


@step
def read_kind(signs: Column, at: Any) -> Any:
    """Where the channel begins, and whether the word for flexible data rate frames is ahead."""
    if signs[at] != FD_MARK[0]:
        return at, False
    same = True
    for place in range(len(FD_MARK)):
        same = same and signs[at + U(place)] == FD_MARK[place]
    return skip_spaces(signs, at + U(len(FD_MARK))) if same else at, same


@step
def is_end(sign: Any) -> Any:
    """Whether a word ends here."""
    return sign == SPACE or sign == NEWLINE or sign == RETURN  # noqa: PLR1714 - cannot be compiled


@step
def is_digit(sign: Any) -> Any:
    """Whether it is a decimal digit."""
    return ZERO <= sign <= NINE


@step
def is_named(signs: Column, at: Any) -> Any:
    """Whether a whole number stands here, so that it may name a channel."""
    begin = at
    while is_digit(signs[at]):
        at += ONE
    return at > begin and signs[at] == SPACE


@step
def read_identifier(signs: Column, table: Column, at: Any) -> Any:
    """Hex digits, ``x`` behind those of 29 bits: the number, 29 bits or not, the end (0: no)."""
    number, end = read_hex(signs, table, at)
    wide = signs[end] == SMALL_X or signs[end] == LARGE_X
    if end == at or number > LARGEST_ID:
        return number, wide, NONE
    return number, wide, end + ONE if wide else end


@step
def read_direction(signs: Column, pairs: Column, at: Any) -> Any:
    """Steps over spaces, ``Rx`` or ``Tx`` and spaces; 0 where that does not stand there."""
    here = skip_wide(signs, pairs, at)
    known = signs[here] == LETTER_R or signs[here] == LETTER_T
    if here == at or not known or signs[here + ONE] != SMALL_X or signs[here + TWO] != SPACE:
        return NONE
    return skip_spaces(signs, here + TWO)


@step
def read_classic(signs: Column, pairs: Column, table: Column, at: Any) -> Any:
    """From the identifier on: number, 29 bits or not, bytes, how many, the end (0: no)."""
    number, wide, end = read_identifier(signs, table, at)
    if end == NONE:
        return number, wide, NONE, NONE, NONE
    at = read_direction(signs, pairs, end)
    if at == NONE or signs[at] != LETTER_D or signs[at + ONE] != SPACE:
        return number, wide, NONE, NONE, NONE
    at = skip_spaces(signs, at + ONE)
    count = read_digit(signs, table, at)
    if count > EIGHT:
        return number, wide, NONE, NONE, NONE
    word, found, at = read_spaced(signs, pairs, table, at + ONE, count)
    return number, wide, word, count, at if found == count else NONE


@step
def step_over_flag(signs: Column, at: Any) -> Any:
    """Steps over one ``0`` or ``1`` and spaces; 0 where none stands there."""
    if at == NONE or signs[at] - ZERO > ONE or signs[at + ONE] != SPACE:
        return NONE
    return skip_spaces(signs, at + ONE)


@step
def step_over_name(signs: Column, at: Any) -> Any:
    """Steps over a name, where one stands there instead of a flag, and spaces."""
    if is_digit(signs[at]):
        return at
    while signs[at] != SPACE and signs[at] != NEWLINE:
        at += ONE
    return skip_spaces(signs, at)


@step
def read_length(signs: Column, at: Any) -> Any:
    """One or two decimal digits: the number, and the end (0: no)."""
    number, begin = NONE, at
    while is_digit(signs[at]):
        number = number * U(10) + U(signs[at] - ZERO)
        at += ONE
        if at - begin > MOST_LENGTH_DIGITS:
            return number, NONE
    return number, at if at > begin and number <= MOST_BYTES else NONE


@step
def read_flexible(
    signs: Column, pairs: Column, table: Column, at: Any, pool: Column, pool_size: Any
) -> Any:
    """From the direction on: number, 29 bits or not, bytes, how many, the end (0: no)."""
    at = read_direction(signs, pairs, at)
    if at == NONE:
        return NONE, False, NONE, NONE, NONE
    number, wide, at = read_identifier(signs, table, at)
    if at == NONE or signs[at] != SPACE:
        return number, wide, NONE, NONE, NONE
    at = step_over_name(signs, skip_spaces(signs, at))
    at = step_over_flag(signs, step_over_flag(signs, at))
    if at == NONE or read_digit(signs, table, at) > U(15) or signs[at + ONE] != SPACE:
        return number, wide, NONE, NONE, NONE
    count, at = read_length(signs, skip_spaces(signs, at + ONE))
    if at == NONE:
        return number, wide, NONE, NONE, NONE
    if count > NONE:
        at = max(at, skip_spaces(signs, at) - ONE)
    found, at = copy_spaced(signs, pairs, table, at, count, pool, pool_size)
    word = join_bytes(pool, pool_size, found)
    return number, wide, word, count, at if found == count else NONE


@loop
def scan_asc(
    signs: Column, pairs: Column, end: Any, table: Column, powers: Column,
    names: Column, name_lengths: Column,
    times_s: Column, ids: Column, extended: Column, lengths: Column, words: Column,
    channels: Column, filled: Column, odd: Column, long: Column, pool: Column, state: Column,
) -> None:  # fmt: skip
    """Read lines up to ``end``, or to the first one with an unknown channel.

    ``state`` is that of :func:`donorfit.edge.logs.candump_loop.scan_candump`.
    """
    at, row = U(state[0]), U(state[1])
    odd_count, long_count, pool_size = U(state[2]), U(state[3]), U(state[4])
    stop, unknown = U(end), U(len(names))
    while at < stop:
        begin, channel, flexible = at, unknown, False
        total, behind, at = read_number(signs, skip_spaces(signs, at))
        if behind == NO_NUMBER or signs[at] != SPACE:
            at = NONE
        else:
            at, flexible = read_kind(signs, skip_spaces(signs, at))
            channel, at = find_name(signs, at, names, name_lengths)
            if channel == unknown:
                if is_named(signs, at):
                    at = begin
                    break
                at = NONE
        number, wide, word, count = NONE, False, NONE, NONE
        if at != NONE and flexible:
            number, wide, word, count, at = read_flexible(signs, pairs, table, at, pool, pool_size)
        elif at != NONE:
            at = skip_spaces(signs, at)
            number, wide, word, count, at = read_classic(signs, pairs, table, at)
        if at != NONE and is_end(signs[at]):
            times_s[row] = np.float64(np.int64(total)) / powers[behind]
            ids[row], extended[row], lengths[row] = number, wide, count
            words[row], channels[row], filled[row] = word, channel, True
            if count > EIGHT:
                long[0, long_count], long[1, long_count] = row, count
                long_count += ONE
                pool_size += count
            at = find_end(signs, at)
        else:
            at = find_end(signs, begin)
            odd[0, odd_count], odd[1, odd_count], odd[2, odd_count] = row, begin, at
            odd_count += ONE
        at += ONE
        row += ONE
    state[0], state[1] = at, row
    state[2], state[3], state[4] = odd_count, long_count, pool_size
