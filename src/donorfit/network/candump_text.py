"""Read records in the text form of the Linux CAN tools, ``(1.5) can0 123#0011``.

Lines of that form are read as columns, group by group of equal shape. The older forms without
time, ``can0 123 [2] 00 11`` and ``<0x123> [2] 00 11``, and odd lines are read one by one.
"""

import re

import numpy as np

from donorfit.network.frames import Column, FrameTable, LogReading
from donorfit.network.log_lines import (
    SPACE,
    Group,
    group_lines,
    read_decimal,
    read_hex_number,
    read_hex_pairs,
    split_lines,
)
from donorfit.network.loops import Loops
from donorfit.network.text_records import PIECE_BYTES, Dialect, read_text

_HASH, _OPEN, _CLOSE = ord("#"), ord("("), ord(")")
_STANDARD_DIGITS, _EXTENDED_DIGITS = 3, 8
_LARGEST_EXTENDED = 0x1FFFFFFF
_DIRECTION = (ord("R"), ord("T"))
_LINE = re.compile(
    rb"\s*\((?P<time>[\d.]+)\)\s+(?P<channel>\S+)\s+(?P<id>[0-9A-Fa-f]{3,8})#(?P<data>\S*)"
    rb"(?:\s+[RT])?\s*$"
)
_SPACED = re.compile(
    rb"\s*(?:\((?P<time>[\d.]+)\)\s+)?(?:(?P<channel>\S+)\s+(?P<id>[0-9A-Fa-f]{3,8})"
    rb"|<0x(?P<tagged>[0-9A-Fa-f]{3,8})>)\s+\[(?P<length>\d+)\]\s*(?P<data>[0-9A-Fa-f ]*)\s*$"
)
_REMOTE = re.compile(rb".*\S\s+[0-9A-Fa-f]{3,8}\s+\[\d+\]\s+remote request\s*$")
_BYTES = re.compile(rb"(?:[0-9A-Fa-f]{2})*$")


def read_candump(
    data: bytes, loops: Loops | None = None, piece_bytes: int = PIECE_BYTES
) -> LogReading:
    """Read a whole record.

    Returns:
        Frames in order, and what held none, counted by kind: comments, remote frames, error
        frames, and lines that are not understood.
    """
    return read_text(data, CANDUMP, loops, piece_bytes)


def _begin(_: bytes) -> tuple[str, ...]:
    return ()


def _fill_columns(signs: Column, table: FrameTable) -> None:
    lines = split_lines(signs)
    for group in group_lines(lines, np.flatnonzero(lines.buffer == _HASH)):
        _fill_group(table, group)


def _fill_group(table: FrameTable, group: Group) -> None:
    """Fill the rows of a group that have the usual shape; the others stay for the slow reader."""
    signs, mark = group.signs, group.mark
    first = signs[0]
    closes = np.flatnonzero(first == _CLOSE)
    spaces = np.flatnonzero(first[:mark] == SPACE)
    if first[0] != _OPEN or not len(closes) or len(spaces) != 2:  # noqa: PLR2004 - two gaps
        return
    close, gap = int(closes[0]), int(spaces[1])
    digits = mark - gap - 1
    end = _find_data_end(first, mark)
    if digits not in (_STANDARD_DIGITS, _EXTENDED_DIGITS) or (end - mark) % 2 == 0:
        return
    if spaces[0] != close + 1 or end - mark - 1 > 16:  # noqa: PLR2004 - eight bytes
        return
    name = first[close + 2 : gap].tobytes()
    if name.split() != [name]:  # other blanks than spaces part words, too
        return
    times, right = read_decimal(signs[:, 1:close])
    right &= signs[:, 1] != SPACE  # a number may have spaces before it, a time in brackets not
    right &= (signs[:, 0] == _OPEN) & (signs[:, close] == _CLOSE) & (signs[:, mark] == _HASH)
    right &= (signs[:, close + 1 : gap + 1] == first[close + 1 : gap + 1]).all(axis=1)
    right &= (signs[:, end:] == first[end:]).all(axis=1)
    ids, id_right = read_hex_number(signs[:, gap + 1 : mark])
    payload, data_right = read_hex_pairs(signs[:, mark + 1 : end])
    right &= id_right & data_right & (ids <= _LARGEST_EXTENDED)
    keep = slice(None) if right.all() else right
    table.fill(
        group.lines[keep],
        times_s=times[keep],
        ids=ids[keep],
        extended=digits == _EXTENDED_DIGITS,
        lengths=payload.shape[1],
        payload=payload[keep],
        channels=table.find_channel(name.decode("latin-1")),
    )


def _find_data_end(first: Column, mark: int) -> int:
    """End of the data: before a direction letter, where there is one."""
    if len(first) > mark + 2 and first[-2] == SPACE and int(first[-1]) in _DIRECTION:
        return len(first) - 2
    return len(first)


def _read_line(text: bytes, place: int, table: FrameTable) -> str:
    """Fill one row; say what kind of line it is where it holds no data frame."""
    if not text.strip():
        return "empty line"
    if text.lstrip().startswith((b"#", b"interface")):
        return "comment"
    found = _LINE.match(text)
    if found is None:
        return _read_spaced(text, place, table)
    content = found["data"]
    if content[:1] in b"Rr" and content:
        return "remote frame"
    if content.startswith(b"#"):
        content = content[2:]
    if not _BYTES.match(content):
        return "not understood"
    return _fill_row(found, found["id"], bytes.fromhex(content.decode()), place, table)


def _read_spaced(text: bytes, place: int, table: FrameTable) -> str:
    found = _SPACED.match(text)
    if found is None:
        return "remote frame" if _REMOTE.match(text) else "not understood"
    content = found["data"].replace(b" ", b"")
    if not _BYTES.match(content) or len(content) != 2 * int(found["length"]):
        return "not understood"
    number = found["id"] or found["tagged"]
    return _fill_row(found, number, bytes.fromhex(content.decode()), place, table)


def _fill_row(
    found: re.Match[bytes], number: bytes, content: bytes, place: int, table: FrameTable
) -> str:
    value = int(number, 16)
    if value > _LARGEST_EXTENDED:
        return "error frame"
    if len(content) > 64:  # noqa: PLR2004 - CAN FD's longest
        return "not understood"
    try:
        time_s = float(found["time"]) if found["time"] else float("nan")
    except ValueError:
        return "not understood"
    table.fill(
        np.array([place]),
        times_s=time_s,
        ids=value,
        extended=len(number) > _STANDARD_DIGITS,
        lengths=len(content),
        payload=np.frombuffer(content, np.uint8)[None, :],
        channels=table.find_channel((found["channel"] or b"").decode("latin-1")),
    )
    return ""


CANDUMP = Dialect(
    begin=_begin,
    fill_columns=_fill_columns,
    read_line=_read_line,
    proves_length=False,
    scan="scan_candump",
)
