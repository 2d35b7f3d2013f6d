"""Compiled steps through the signs of one line of a text record.

Places are unsigned, because a signed one costs a test for
counting from the end at every sign. A line ends with a newline, which stops every search.
"""

# ruff: noqa: PLR0917 - compiled loops take their arguments by place

from typing import Any

import numpy as np

from donorfit.edge.logs.compiling import step

Column = np.ndarray[Any, Any]
U = np.uint64
NONE, ONE, TWO, THREE, FOUR, EIGHT = U(0), U(1), U(2), U(3), U(4), U(8)
LARGEST_BYTE, LARGEST_ID, MOST_BYTES = U(255), U(0x1FFFFFFF), U(64)
HALF_BITS = U(4)
NO_NUMBER = U(99)
_MOST_DIGITS, _LARGEST_EXACT = U(18), U(2**53)
_BYTE_BITS = U(8)
NEWLINE, RETURN, SPACE, ZERO = np.uint8(10), np.uint8(13), np.uint8(32), np.uint8(48)
_DOT, _TEN = np.uint8(46), np.uint8(10)
_TWO_SPACES = np.uint16(0x2020)


@step
def read_number(signs: Column, at: Any) -> Any:
    """Digits, a dot, digits: all digits as one number, how many stand behind the dot, the end."""
    start, total = at, NONE
    digit = np.uint8(signs[at] - ZERO)
    while digit < _TEN:
        total = total * U(10) + U(digit)
        at += ONE
        digit = np.uint8(signs[at] - ZERO)
    dot = at
    if signs[at] != _DOT or at == start:
        return total, NO_NUMBER, at
    at += ONE
    digit = np.uint8(signs[at] - ZERO)
    while digit < _TEN:
        total = total * U(10) + U(digit)
        at += ONE
        digit = np.uint8(signs[at] - ZERO)
    behind = at - dot - ONE
    if at - start > _MOST_DIGITS or total >= _LARGEST_EXACT or behind == NONE:
        return total, NO_NUMBER, at
    return total, behind, at


@step
def skip_spaces(signs: Column, at: Any) -> Any:
    """The next place that holds no space."""
    while signs[at] == SPACE:
        at += ONE
    return at


@step
def skip_wide(signs: Column, pairs: Column, at: Any) -> Any:
    """The same, made for many of them."""
    while pairs[at] == _TWO_SPACES:
        at += TWO
    if signs[at] == SPACE:
        at += ONE
    return at


@step
def find_end(signs: Column, at: Any) -> Any:
    """The place of the newline."""
    while signs[at] != NEWLINE:
        at += ONE
    return at


@step
def find_name(signs: Column, at: Any, names: Column, name_lengths: Column) -> Any:
    """Place of the channel named here, and its end; as many as there are if it is unknown."""
    for place in range(len(names)):
        length = name_lengths[place]
        if length < 0:
            continue
        same = signs[at + U(length)] == SPACE
        for sign in range(length):
            same = same and signs[at + U(sign)] == names[place, sign]
        if same:
            return U(place), at + U(length)
    return U(len(names)), at


@step
def read_digit(signs: Column, table: Column, at: Any) -> Any:
    """One hex digit; more than 255 where there is none."""
    return U(table[(U(signs[at]) << _BYTE_BITS) | U(ZERO)])


@step
def read_hex(signs: Column, table: Column, at: Any) -> Any:
    """Up to eight hex digits as a number, and their end."""
    number, start = NONE, at
    digit = read_digit(signs, table, at)
    while digit <= LARGEST_BYTE and at - start < EIGHT:
        number = number << HALF_BITS | digit
        at += ONE
        digit = read_digit(signs, table, at)
    return number, at


@step
def read_bytes(pairs: Column, table: Column, at: Any) -> Any:
    """Up to eight bytes written without gaps: as one number, how many, and their end."""
    word, count, bad = NONE, NONE, NONE
    for place in range(8):  # all eight without a test between: they mostly are there
        byte = U(table[pairs[at + TWO * U(place)]])
        bad |= byte
        word |= byte << (_BYTE_BITS * U(place))
    if bad <= LARGEST_BYTE:
        return word, EIGHT, at + U(16)
    word = NONE
    while count < EIGHT:
        byte = U(table[pairs[at]])
        if byte > LARGEST_BYTE:
            break
        word |= byte << (_BYTE_BITS * count)
        count += ONE
        at += TWO
    return word, count, at


@step
def read_spaced(signs: Column, pairs: Column, table: Column, at: Any, most: Any) -> Any:
    """The same with a space ahead of every byte; stops after so many bytes, eight at most."""
    word, count, bad = NONE, NONE, NONE
    if most == EIGHT:
        for place in range(8):
            here = at + THREE * U(place)
            byte = U(table[pairs[here + ONE]])
            bad |= byte | U(signs[here] ^ SPACE) << _BYTE_BITS
            word |= byte << (_BYTE_BITS * U(place))
        if bad <= LARGEST_BYTE:
            return word, EIGHT, at + U(24)
        word = NONE
    while count < most and count < EIGHT and signs[at] == SPACE:
        byte = U(table[pairs[at + ONE]])
        if byte > LARGEST_BYTE:
            break
        word |= byte << (_BYTE_BITS * count)
        count += ONE
        at += THREE
    return word, count, at


@step
def copy_bytes(pairs: Column, table: Column, at: Any, most: Any, pool: Column, to: Any) -> Any:
    """Up to so many bytes written without gaps into the pool; their number, and their end."""
    count = NONE
    while count < most:
        byte = U(table[pairs[at]])
        if byte > LARGEST_BYTE:
            break
        pool[to + count] = np.uint8(byte)
        count += ONE
        at += TWO
    return count, at


@step
def copy_spaced(
    signs: Column, pairs: Column, table: Column, at: Any, most: Any, pool: Column, to: Any
) -> Any:
    """The same with a space ahead of every byte."""
    count = NONE
    while count < most and signs[at] == SPACE:
        byte = U(table[pairs[at + ONE]])
        if byte > LARGEST_BYTE:
            break
        pool[to + count] = np.uint8(byte)
        count += ONE
        at += THREE
    return count, at


@step
def join_bytes(pool: Column, to: Any, count: Any) -> Any:
    """The first eight bytes of so many in the pool, as one number."""
    word = NONE
    for place in range(min(count, EIGHT)):
        word |= U(pool[to + U(place)]) << (_BYTE_BITS * U(place))
    return word
