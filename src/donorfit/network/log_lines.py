"""Lines of a text record, grouped by shape so that each group is read as columns."""

import binascii
from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from donorfit.network.frames import Column

NEWLINE, RETURN, SPACE, DOT, ZERO = 10, 13, 32, 46, 48
LONGEST_FAST_LINE = 255
_MOST_DIGITS = 19
_LARGEST_EXACT = 2**53
NOT_DECIMAL = 255
_HUNDREDS = np.array([100**place for place in range(9, -1, -1)], np.int64)


def _make_hex_table() -> Column:
    table = np.full(256, 255, np.uint8)
    for digit, sign in enumerate("0123456789abcdef"):
        table[ord(sign)] = digit
        table[ord(sign.upper())] = digit
    return table


def _make_pair_table() -> Column:
    table = np.full(256, 255, np.uint8)
    for number in range(100):
        table[number // 10 * 16 + number % 10] = number
    return table


HEX = _make_hex_table()
_DECIMAL_PAIRS = _make_pair_table()
NOT_HEX = 255


class Lines(NamedTuple):
    """Where each line begins and ends (line break and carriage return outside)."""

    buffer: Column
    starts: Column
    ends: Column


class Group(NamedTuple):
    """Lines of one length with a mark at one place: rows are the lines, columns their signs."""

    lines: Column
    mark: int
    signs: Column


def split_lines(buffer: Column) -> Lines:
    """Find all lines of a text, given as its signs."""
    ends = np.flatnonzero(buffer == NEWLINE)
    if len(buffer) and (not len(ends) or ends[-1] != len(buffer) - 1):
        ends = np.append(ends, len(buffer))
    starts = np.empty_like(ends)
    if len(ends):
        starts[0] = 0
        starts[1:] = ends[:-1] + 1
        returns = (ends > starts) & (buffer[np.maximum(ends - 1, 0)] == RETURN)
        ends = ends - returns
    return Lines(buffer, starts, ends)


def group_lines(lines: Lines, marks: Column) -> Iterator[Group]:
    """Group lines by length and by the place of the first of some marks.

    Args:
        lines: all lines.
        marks: places of a sign in the buffer, rising. Lines without it, or longer than 255 signs,
            are in no group.
    """
    if not len(marks) or not len(lines.starts):
        return
    if len(marks) == len(lines.starts) and bool((marks >= lines.starts).all()):
        place, known = marks, np.ones(len(marks), np.bool_)  # one a line, as in most records
    else:
        first = np.searchsorted(marks, lines.starts)
        known = first < len(marks)
        place = marks[np.minimum(first, len(marks) - 1)]
    length = lines.ends - lines.starts
    usable = np.flatnonzero(known & (place < lines.ends) & (length <= LONGEST_FAST_LINE))
    key = (length[usable] << 8 | (place - lines.starts)[usable]).astype(np.uint16)
    order = np.argsort(key, kind="stable")
    ordered = key[order]
    cuts = np.flatnonzero(np.diff(ordered)) + 1
    for part in np.split(order, cuts):
        if not len(part):
            continue
        shape = int(key[part[0]])
        chosen = usable[part]
        window = sliding_window_view(lines.buffer, shape >> 8)
        yield Group(chosen, shape & 0xFF, window[lines.starts[chosen]])


def read_decimal(signs: Column) -> tuple[Column, Column]:
    """Read columns ``123.456`` (spaces before allowed, the dot at one place) in every row.

    Returns:
        Values, rounded as a reader of decimal text rounds them, and which rows are such numbers.
    """
    rows, width = signs.shape
    dots = np.flatnonzero(signs[0] == DOT) if rows else np.zeros(0, np.int64)
    if len(dots) != 1 or not 1 < width <= _MOST_DIGITS:
        return np.zeros(rows), np.zeros(rows, np.bool_)
    dot = int(dots[0])
    right = signs[:, dot] == DOT
    digits = np.full((rows, _MOST_DIGITS + 1), ZERO, np.uint8)
    split = digits.shape[1] - (width - 1 - dot)
    digits[:, split - dot : split] = signs[:, :dot]
    digits[:, split:] = signs[:, dot + 1 :]
    if (signs[:, 0] == SPACE).any():
        right &= _clear_leading_spaces(digits)
    pairs, decimal = _read_decimal_pairs(digits)
    total = pairs.astype(np.int64) @ _HUNDREDS
    right &= decimal & (total < _LARGEST_EXACT)
    # Below 2**53 one division rounds exactly as reading the text would.
    return total / 10 ** (width - 1 - dot), right


def _clear_leading_spaces(digits: Column) -> Column:
    """Turn spaces ahead of the first digit into zeros; which rows have no others."""
    blank = digits == SPACE
    leading = np.logical_and.accumulate(blank | (digits == ZERO), axis=1) & blank
    digits[leading] = ZERO
    return np.asarray((leading == blank).all(axis=1))


def _read_decimal_pairs(digits: Column) -> tuple[Column, Column]:
    pairs, right = read_hex_pairs(digits)
    values = _DECIMAL_PAIRS[pairs]
    return values, right & (values != NOT_DECIMAL).all(axis=1)


def read_hex_pairs(digits: Column) -> tuple[Column, Column]:
    """Bytes from hex digits, an even number of columns, and which rows hold nothing else."""
    rows, width = digits.shape
    if not width:
        return np.zeros((rows, 0), np.uint8), np.ones(rows, np.bool_)
    try:
        whole = np.frombuffer(binascii.unhexlify(digits.tobytes()), np.uint8)
    except ValueError:
        values = HEX[digits]
        right = (values != NOT_HEX).all(axis=1)
        return (values[:, 0::2] << 4) | (values[:, 1::2] & 0x0F), right
    return whole.reshape(rows, width // 2), np.ones(rows, np.bool_)


def read_hex_number(digits: Column) -> tuple[Column, Column]:
    """Numbers from up to eight hex digits, and which rows hold nothing else."""
    padded = np.full((len(digits), 8), ZERO, np.uint8)
    padded[:, 8 - digits.shape[1] :] = digits
    pairs, right = read_hex_pairs(padded)
    return np.ascontiguousarray(pairs).view(">u4").ravel().astype(np.uint32), right
