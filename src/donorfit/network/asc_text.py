"""Read records in the ASC text form, ``0.010000 1  123  Rx  d 8 00 11 ...`` with ``base hex``.

Lines are grouped by length and by the place of the letter that marks data frames; what stands
between time and letter is read once for every different text.
"""

import re

import numpy as np

from donorfit.network.frames import CLASSIC_BYTES, Column, FrameTable, LogReading
from donorfit.network.log_lines import (
    HEX,
    SPACE,
    Group,
    group_lines,
    read_decimal,
    read_hex_pairs,
    split_lines,
)
from donorfit.network.loops import Loops
from donorfit.network.text_records import PIECE_BYTES, Dialect, read_text

_DATA = ord("d")
_MIDDLE = re.compile(rb"\s+(?P<channel>\d+)\s+(?P<id>[0-9A-Fa-f]+)(?P<extended>x?)\s+(?:Rx|Tx)\s*")
_FAST = re.compile(
    rb"\s*(?P<time>[\d.]+)\s+(?P<channel>\d+)\s+(?P<id>[0-9A-Fa-f]+)(?P<extended>[xX]?)\s+"
    rb"(?:Rx|Tx)\s+(?P<kind>[dr])\s*(?P<length>[0-9A-Fa-f]?)(?P<data>(?:\s+[0-9A-Fa-f]{2})*)"
    rb"(?:\s.*)?$"
)
_FD = re.compile(
    rb"\s*(?P<time>[\d.]+)\s+CANFD\s+(?P<channel>\d+)\s+(?:Rx|Tx)\s+(?P<id>[0-9A-Fa-f]+)"
    rb"(?P<extended>[xX]?)\s+(?:[^\s\d]\S*\s+)?[01]\s+[01]\s+[0-9A-Fa-f]\s+(?P<length>\d+)"
    rb"(?P<data>(?:\s+[0-9A-Fa-f]{2})*)"
)
_BASE = re.compile(
    rb"^base\s+(?P<base>hex|dec)(?:\s+timestamps\s+(?P<times>\w+))?", re.MULTILINE | re.IGNORECASE
)
_TIME = re.compile(rb"\d+\.\d+")
_LARGEST_EXTENDED = 0x1FFFFFFF
_LONGEST_HEADER = 4096


_DECIMAL = re.compile(
    rb"\s*(?P<time>[\d.]+)\s+(?P<channel>\d+)\s+(?P<id>\d{1,9})(?P<extended>[xX]?)\s+"
    rb"(?:Rx|Tx)\s+(?P<kind>[dr])\s*(?P<length>\d{0,2})(?P<data>(?:\s+\d{1,3}(?!\S))*)(?:\s.*)?$"
)
_LARGEST_BYTE = 255


class OtherBaseError(ValueError):
    """The record writes its numbers in the decimal system."""


def read_asc(
    data: bytes, loops: Loops | None = None, piece_bytes: int = PIECE_BYTES
) -> LogReading:
    """Read a whole record with hexadecimal numbers.

    Returns:
        Frames in order, and what held none, counted by kind. Times are as written: seconds from
        the beginning of the record.

    Raises:
        OtherBaseError: the numbers are decimal.
    """
    return read_text(data, ASC, loops, piece_bytes)


def _begin(data: bytes) -> tuple[str, ...]:
    found = _BASE.search(data[:_LONGEST_HEADER])
    if found is not None and found["base"].lower() == b"dec":
        raise OtherBaseError
    return _begin_decimal(data)


def _begin_decimal(data: bytes) -> tuple[str, ...]:
    found = _BASE.search(data[:_LONGEST_HEADER])
    if found is not None and (found["times"] or b"").lower() == b"relative":
        return (
            "the header says that times count from the line before; gaps and rhythms are not real",
        )
    return ()


def _fill_nothing(_signs: Column, _table: FrameTable) -> None:
    """Leave all lines to the reader of single lines."""


def _fill_columns(signs: Column, table: FrameTable) -> None:
    lines = split_lines(signs)
    buffer = lines.buffer
    marks = np.flatnonzero(buffer == _DATA)
    inside = marks[(marks > 0) & (marks < len(buffer) - 1)]
    spaced = (buffer[inside - 1] == SPACE) & (buffer[inside + 1] == SPACE)
    for group in group_lines(lines, inside[spaced]):
        _fill_group(table, group)


def _fill_group(table: FrameTable, group: Group) -> None:
    signs, mark = group.signs, group.mark
    first = signs[0]
    begun = np.flatnonzero(first != SPACE)
    gaps = np.flatnonzero(first[:mark] == SPACE)
    gaps = gaps[gaps > begun[0]] if len(begun) else gaps
    if not len(gaps) or signs.shape[1] < mark + 3:
        return
    end = int(gaps[0])
    times, right = read_decimal(signs[:, :end])
    ids, extended, channels, known = _read_middles(table, signs[:, end:mark])
    right &= known
    counts = HEX[signs[:, mark + 2]]
    right &= counts <= CLASSIC_BYTES
    for length in map(int, np.unique(counts[right])):
        rows = right & (counts == length)
        stop = mark + 3 + 3 * length
        if stop > signs.shape[1]:
            continue
        pairs = signs[rows, mark + 3 : stop].reshape(int(rows.sum()), length, 3)
        tail = signs[rows, stop : stop + 1]
        payload, hex_right = read_hex_pairs(
            np.ascontiguousarray(pairs[:, :, 1:]).reshape(len(pairs), 2 * length)
        )
        hex_right &= (pairs[:, :, 0] == SPACE).all(axis=1) & (tail == SPACE).all(axis=1)
        chosen = np.flatnonzero(rows)[hex_right]
        table.fill(
            group.lines[chosen],
            times_s=times[chosen],
            ids=ids[chosen],
            extended=extended[chosen],
            lengths=length,
            payload=payload[hex_right],
            channels=channels[chosen],
        )


def _read_middles(table: FrameTable, middles: Column) -> tuple[Column, Column, Column, Column]:
    """Identifier, format, channel of every row; each different text is read once."""
    rows, width = middles.shape
    padded = np.zeros((rows, -(-width // 8) * 8), np.uint8)
    padded[:, :width] = middles
    words = padded.view(np.uint64)
    number = np.zeros(rows, np.uint64)
    for column in range(words.shape[1]):
        number *= np.uint64(0x9E3779B97F4A7C15)  # any odd factor: equal texts stay equal
        number += words[:, column]
    _, firsts, back = np.unique(number, return_index=True, return_inverse=True)
    same = (words == words[firsts][back]).all(axis=1)
    ids = np.zeros(len(firsts), np.uint32)
    extended, known = np.zeros(len(firsts), np.bool_), np.zeros(len(firsts), np.bool_)
    channels = np.zeros(len(firsts), np.uint8)
    for place, row in enumerate(firsts):
        found = _MIDDLE.fullmatch(middles[row].tobytes())
        if found is None or int(found["id"], 16) > _LARGEST_EXTENDED:
            continue
        ids[place], extended[place] = int(found["id"], 16), bool(found["extended"])
        channels[place] = table.find_channel(found["channel"].decode("latin-1"))
        known[place] = True
    return ids[back], extended[back], channels[back], known[back] & same


def _read_line(text: bytes, place: int, table: FrameTable) -> str:
    found = _FAST.match(text) or _FD.match(text)
    if found is None:
        return _name_line(text)
    if found.groupdict().get("kind") == b"r":
        return "remote frame"
    content = bytes.fromhex(found["data"].decode())
    if "kind" in found.groupdict() and not found["length"]:
        return "not understood"
    if "kind" in found.groupdict():  # ISO 11898-1: a length code above 8 still means 8 bytes
        length = min(int(found["length"], 16), CLASSIC_BYTES)
    else:
        length = int(found["length"])
    number = int(found["id"], 16)
    if len(content) < length or length > 64 or number > _LARGEST_EXTENDED:  # noqa: PLR2004
        return "not understood"
    time_s = _read_time(found["time"])
    if time_s is None:
        return "not understood"
    table.fill(
        np.array([place]),
        times_s=time_s,
        ids=number,
        extended=bool(found["extended"]),
        lengths=length,
        payload=np.frombuffer(content[:length], np.uint8)[None, :],
        channels=table.find_channel(found["channel"].decode("latin-1")),
    )
    return ""


def _read_decimal_line(text: bytes, place: int, table: FrameTable) -> str:
    """Classic frames only; other events have no numbers in a base."""
    found = _DECIMAL.match(text)
    if found is None:
        return _name_line(text)
    if found["kind"] == b"r":
        return "remote frame"
    numbers = [int(each) for each in found["data"].split()]
    length = min(int(found["length"] or b"99"), CLASSIC_BYTES)
    identifier, time_s = int(found["id"]), _read_time(found["time"])
    bad = not found["length"] or len(numbers) < length or identifier > _LARGEST_EXTENDED
    if bad or time_s is None or max(numbers[:length], default=0) > _LARGEST_BYTE:
        return "not understood"
    table.fill(
        np.array([place]),
        times_s=time_s,
        ids=identifier,
        extended=bool(found["extended"]),
        lengths=length,
        payload=np.array([numbers[:length]], np.uint8),
        channels=table.find_channel(found["channel"].decode("latin-1")),
    )
    return ""


def _read_time(text: bytes) -> float | None:
    try:
        return float(text)
    except ValueError:
        return None


def _name_line(text: bytes) -> str:
    words = text.split()
    if not words:
        return "empty line"
    if b"ErrorFrame" in words:
        return "error frame"
    first = words[0].lower()
    if first in {b"date", b"base", b"internal", b"no", b"begin", b"end"} or first[:2] == b"//":
        return "header or comment"
    if b"Start" in words:
        return "header or comment"
    timed = _TIME.fullmatch(words[0]) is not None
    return "not understood" if not timed or {b"Rx", b"Tx"} & set(words) else "other event"


ASC = Dialect(
    begin=_begin,
    fill_columns=_fill_columns,
    read_line=_read_line,
    proves_length=True,
    scan="scan_asc",
)

# Records with decimal numbers are rare: every line is read by itself.
ASC_DECIMAL = Dialect(
    begin=_begin_decimal,
    fill_columns=_fill_nothing,
    read_line=_read_decimal_line,
    proves_length=True,
    scan="",
)
