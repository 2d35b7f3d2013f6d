"""Read bus records in MF4 files (ASAM MDF 4, bus logging) through asammdf, columns at once.

The names of groups and fields are those of ASAM's associated standard for bus logging, as asammdf
and python-can read them.
"""

from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from donorfit.network.frames import (
    CLASSIC_BYTES,
    LONGEST_BYTES,
    Column,
    FrameTable,
    LeftOut,
    LogReading,
)

_FRAMES, _ERRORS, _REMOTE = "CAN_DataFrame", "CAN_ErrorFrame", "CAN_RemoteFrame"
_PIECE = 200_000
_BUS_EVENT, _BUS_SOURCE, _CAN = 1 << 1, 2, 2  # flags and types of the format
_ID_BITS = 0x1FFFFFFF


class _Group(NamedTuple):
    place: int
    name: str
    entries: int


def read_mf4(path: Path) -> LogReading:
    """Read all CAN frames of a file, in the order of their times.

    Returns:
        Frames, and what holds no data frame, counted by kind. Times are seconds since 1970.

    Raises:
        ImportError: asammdf (the extra ``mf4``) is not installed.
        Exception: whatever asammdf finds wrong with the file.
    """
    from asammdf import MDF  # noqa: PLC0415 - slow to import

    open_file: Any = MDF  # its named arguments are not typed
    with open_file(path, process_bus_logging=False) as file:
        groups, others = _list_groups(file)
        total = sum(each.entries for each in groups)
        table = FrameTable()
        table.open_block(total)
        left_out: dict[str, LeftOut] = {}
        for group, rows in zip(groups, _order_rows(file, groups), strict=True):
            if group.name == _FRAMES:
                _fill_group(file, group, rows, table)
            else:
                kind = "error frame" if group.name == _ERRORS else "remote frame"
                known = left_out.get(kind, LeftOut(kind, 0, total))
                first = min(known.first_line, int(rows[0]) + 1)
                left_out[kind] = LeftOut(kind, known.number + len(rows), first)
        if others:
            kind = "entry of a group without CAN frames"
            left_out[kind] = LeftOut(kind, others, total + 1)
        return LogReading(table.close(), total + others, tuple(left_out.values()))


def _list_groups(file: Any) -> tuple[list[_Group], int]:
    """Groups of CAN events, and how many entries the other groups have."""
    found, others = [], 0
    for place, group in enumerate(file.groups):
        count = int(group.channel_group.cycles_nr)
        source = group.channel_group.acq_source
        is_bus = bool(group.channel_group.flags & _BUS_EVENT) and source is not None
        is_can = is_bus and source.source_type & _BUS_SOURCE and source.bus_type == _CAN
        names = {channel.name for channel in group.channels}
        name = next((each for each in (_FRAMES, _ERRORS, _REMOTE) if each in names), "")
        if is_can and name and count:
            found.append(_Group(place, name, count))
        else:
            others += count
    return found, others


def _order_rows(file: Any, groups: list[_Group]) -> list[Column]:
    """Place of every entry of each group in the order of all times; equal ones keep theirs."""
    if len(groups) < 2:  # noqa: PLR2004 - one group keeps its order
        return [np.arange(each.entries) for each in groups]
    times_s = np.concatenate([np.asarray(file.get_master(each.place)) for each in groups])
    places = np.empty(len(times_s), np.int64)
    places[np.argsort(times_s, kind="stable")] = np.arange(len(times_s))
    return np.split(places, np.cumsum([each.entries for each in groups])[:-1])


def _fill_group(file: Any, group: _Group, rows: Column, table: FrameTable) -> None:
    start_s = file.header.start_time.timestamp()
    for begin in range(0, len(rows), _PIECE):
        count = min(_PIECE, len(rows) - begin)
        signal = file.get(
            _FRAMES, group=group.place, raw=False, record_offset=begin, record_count=count
        )
        fields = signal.samples
        names = fields.dtype.names or ()
        piece = slice(begin, begin + len(fields))
        data = np.asarray(fields[f"{_FRAMES}.DataBytes"], np.uint8)
        data = data.reshape(len(fields), -1)[:, :LONGEST_BYTES]
        lengths = np.minimum(fields[f"{_FRAMES}.DataLength"], data.shape[1]).astype(np.uint8)
        width = int(lengths.max(initial=0))
        data = data[:, : LONGEST_BYTES if width > CLASSIC_BYTES else CLASSIC_BYTES]
        inside = np.arange(data.shape[1]) < lengths[:, None]
        table.fill(
            rows[piece],
            times_s=signal.timestamps + start_s,
            ids=fields[f"{_FRAMES}.ID"].astype(np.int64) & _ID_BITS,
            extended=_take(fields, names, "IDE") != 0,
            lengths=lengths,
            payload=np.asarray(data * inside, np.uint8),
            channels=_find_channels(_take(fields, names, "BusChannel"), table),
        )


def _take(fields: Column, names: tuple[str, ...], field: str) -> Column:
    name = f"{_FRAMES}.{field}"
    return fields[name] if name in names else np.zeros(len(fields), np.uint8)


def _find_channels(numbers: Column, table: FrameTable) -> Column:
    different, back = np.unique(numbers, return_inverse=True)
    places = [table.find_channel(str(int(each))) for each in different]
    return np.array(places, np.uint8)[back]
