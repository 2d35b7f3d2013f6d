"""Read records in BLF files: packed containers of binary objects, whole batches at a time.

Facts of the format (sizes, places, types) are those of python-can's reader, against which this one
is checked.
"""

import datetime as dt
import importlib
import struct
import zlib
from collections.abc import Iterator
from typing import IO, Any, NamedTuple

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from donorfit.edge.logs.blf_places import (
    BASE,
    LARGEST_GAP,
    OBJECT_MARK,
    BlfError,
    find_objects,
    find_stride,
    take_fields,
)
from donorfit.network.frames import (
    CLASSIC_BYTES,
    LONGEST_BYTES,
    Column,
    FrameTable,
    LeftOut,
    LogReading,
)
from donorfit.network.loops import Loops

_FILE_MARK = b"LOGG"
_FILE_HEADER = struct.Struct("<4sI32x8H8H")  # mark, size, start and end of measuring
_CONTAINER = struct.Struct("<H6xI4x")  # how it is packed, size unpacked
_CONTAINER_TYPE, _PLAIN, _ZLIB = 10, 0, 2
_BATCH_BYTES = 1 << 20
_MOST_UNPACKED = 1 << 28  # of one container; common are 128 KiB
_HEADER_BYTES = {1: 32, 2: 40}
_TEN_MICROSECONDS = 1
_ID_BITS, _EXTENDED_SHIFT = 0x1FFFFFFF, 31
CUT_OFF = "cut off at the end of the record"

_HEADER = np.dtype({
    "names": ["header", "version", "size", "type", "flags", "ticks"],
    "formats": ["<u2", "<u2", "<u4", "<u4", "<u4", "<u8"],
    "offsets": [4, 6, 8, 12, 16, 24],
    "itemsize": 32,
})  # fmt: skip
_CLASSIC = np.dtype([
    ("channel", "<u2"), ("flags", "u1"), ("length", "u1"), ("id", "<u4"), ("data", "u1", (8,)),
])  # fmt: skip
_FLEXIBLE = np.dtype({
    "names": ["channel", "flags", "id", "length", "data"],
    "formats": ["<u2", "u1", "<u4", "u1", ("u1", (64,))],
    "offsets": [0, 2, 4, 14, 20],
    "itemsize": 84,
})  # fmt: skip
_FLEXIBLE_64 = np.dtype({
    "names": ["channel", "length", "id", "flags", "behind"],
    "formats": ["u1", "u1", "<u4", "<u4", "u1"],
    "offsets": [0, 2, 4, 12, 35],
    "itemsize": 40,
})  # fmt: skip


def _find_inflate() -> Any:
    """The library isal (extra ``fast``) does the same in two thirds of the time."""
    try:
        return importlib.import_module("isal.isal_zlib")
    except ImportError:
        return zlib


_inflate = _find_inflate()


class _Layout(NamedTuple):
    """Fields, fewest bytes of an object behind its header, most bytes of payload, remote flag."""

    fields: np.dtype[Any]
    smallest: int
    most: int
    remote_flag: int


_LAYOUTS = {
    1: _Layout(_CLASSIC, 16, CLASSIC_BYTES, 0x80),
    86: _Layout(_CLASSIC, 16, CLASSIC_BYTES, 0x80),
    100: _Layout(_FLEXIBLE, 20, LONGEST_BYTES, 0x80),
    101: _Layout(_FLEXIBLE_64, 40, LONGEST_BYTES, 0x10),
}
_ERROR_TYPE = 73
_ROOM = 1.02
_SPARE_ROWS = 2 * _BATCH_BYTES // BASE.size  # a block is opened for the smallest objects
_PADDING = bytes(256)  # more than the fields and the payload of the last object may need
_BROKEN, _NEW_CHANNEL = 1, 2  # why the loop ended
_VERSION_PLACE = 6


def read_blf(file: IO[bytes], size_bytes: int = 0, loops: Loops | None = None) -> LogReading:
    """Read a whole record.

    Args:
        file: what is read, from its beginning.
        size_bytes: how much there is to read, 0 where that is not known; saves copying.
        loops: compiled loops; without them arrays do the same in more time.

    Returns:
        Frames in order; every object without a data frame is counted by kind. Times are seconds
        since 1970, channels are numbered from 0.

    Raises:
        BlfError: what is read is no such file, a container cannot be unpacked, or an object does
            not follow where it should.
    """
    start_s = _read_file_header(file)
    objects = _Objects(start_s, loops)
    batch: list[bytes] = []
    size = 0
    for data in _list_containers(file, objects):
        batch.append(data)
        size += len(data)
        if size >= _BATCH_BYTES:
            objects.take(batch)
            if size_bytes:
                objects.expect(file.tell() / size_bytes)
            batch, size = [], 0
    objects.take(batch)
    return objects.finish()


def _read_file_header(file: IO[bytes]) -> float:
    data = file.read(_FILE_HEADER.size)
    if len(data) < _FILE_HEADER.size or data[:4] != _FILE_MARK:
        what = "it does not begin as a file of this format does"
        raise BlfError(what)
    _, size, year, month, _, day, hour, minute, second, milli, *_ = _FILE_HEADER.unpack(data)
    file.read(max(0, size - _FILE_HEADER.size))
    try:
        begin = dt.datetime(year, month, day, hour, minute, second, milli * 1000, tzinfo=dt.UTC)
    except ValueError:
        return 0.0
    return begin.timestamp()


def _list_containers(file: IO[bytes], objects: "_Objects") -> Iterator[bytes]:
    number = 0
    while len(head := file.read(BASE.size)) == BASE.size:
        number += 1
        mark, _, _, size, kind = BASE.unpack(head)
        if mark != OBJECT_MARK or size < BASE.size:
            what = f"container {number} does not begin where the one before ends"
            raise BlfError(what)
        body = file.read(size - BASE.size)
        file.read(size % 4)
        if kind != _CONTAINER_TYPE or len(body) < _CONTAINER.size:
            objects.leave_out("outside a container" if kind != _CONTAINER_TYPE else CUT_OFF)
            continue
        packing, unpacked = _CONTAINER.unpack_from(body)
        if packing == _PLAIN:
            yield body[_CONTAINER.size :]
        elif packing == _ZLIB:
            yield _unpack(memoryview(body)[_CONTAINER.size :], unpacked, objects)
        else:
            objects.leave_out("container packed in an unknown way")
    if head:
        objects.leave_out(CUT_OFF)


def _unpack(data: memoryview, size: int, objects: "_Objects") -> bytes:
    stream = _inflate.decompressobj()
    try:
        unpacked: bytes = stream.decompress(data, min(size, _MOST_UNPACKED) or 1)
        if stream.unconsumed_tail:
            unpacked += stream.decompress(stream.unconsumed_tail, _MOST_UNPACKED)
    except (zlib.error, _inflate.error) as error:
        what = f"a container cannot be unpacked: {error}"
        raise BlfError(what) from None
    if not stream.eof:
        objects.leave_out(CUT_OFF)
    return unpacked


class _Objects:
    """Takes unpacked bytes batch by batch; an object may go over the border of two."""

    def __init__(self, start_s: float, loops: Loops | None) -> None:
        self._start_s = start_s
        self._loops = loops
        self._places: Column = np.full(1 << 16, -1, np.int16)  # of every channel number
        self._rest = b""
        self._seen = 0
        self._left_out: dict[str, tuple[int, int]] = {}
        self._table = FrameTable()

    def leave_out(self, kind: str, places: Column | None = None) -> None:
        """Count objects without a data frame; their places are those in the batch."""
        first = self._seen + 1 + (int(places[0]) if places is not None else 0)
        number = len(places) if places is not None else 1
        known, begin = self._left_out.get(kind, (0, first))
        self._left_out[kind] = (known + number, min(begin, first))

    def expect(self, share: float) -> None:
        """Make room for the frames of the whole record, of which this share is read."""
        if 0 < share < 1:
            self._table.reserve(int(self._seen / share * _ROOM) + _SPARE_ROWS)

    def take(self, parts: list[bytes]) -> None:
        """Read the whole objects among what is held and new."""
        whole = b"".join((self._rest, *parts, _PADDING))
        end = len(whole) - len(_PADDING)
        buffer = np.frombuffer(whole, np.uint8)
        if self._loops:
            seen, rest = self._run_loop(whole, buffer, end)
        else:
            places, rest = find_objects(whole[:end], buffer[:end])
            seen = len(places)
            self._table.open_block(seen)
            if seen:
                self._read(buffer, places, np.arange(seen))
        self._rest = whole[rest:end]
        self._table.close_block()
        self._seen += seen

    def _run_loop(self, whole: bytes, buffer: Column, end: int) -> tuple[int, int]:
        """Let the loop read; it comes back early at a channel that it does not know yet."""
        most = end // BASE.size + 1
        block = self._table.open_block(most)
        odd, state = np.empty((2, most), np.int64), np.zeros(3, np.int64)
        shorts, words, longs = (
            np.ndarray((len(whole) - size + 1,), f"<u{size}", whole, 0, (1,)) for size in (2, 4, 8)
        )
        while self._loops:
            reason = self._loops.scan_objects(
                buffer, shorts, words, longs, end, self._start_s, self._places, block.times_s,
                block.ids, block.extended, block.lengths, block.payload.view(np.uint64).ravel(),
                block.channels, block.filled, odd, state,
            )  # fmt: skip
            if reason == _BROKEN:
                what = f"no whole object follows the {self._seen + int(state[1])} objects before"
                raise BlfError(what)
            if reason != _NEW_CHANNEL:
                break
            begin = int(state[0])
            number = int(shorts[begin + _HEADER_BYTES[int(shorts[begin + _VERSION_PLACE])]])
            self._places[number] = self._table.find_channel(str(number - 1))
        seen, odd_count = int(state[1]), int(state[2])
        self._table.shorten(seen)
        if odd_count:
            self._read(buffer, odd[1, :odd_count], odd[0, :odd_count])
        return seen, int(state[0])

    def finish(self) -> LogReading:
        """Close the record."""
        if len(self._rest) > LARGEST_GAP:
            self.leave_out(CUT_OFF)
        left_out = tuple(LeftOut(kind, *found) for kind, found in self._left_out.items())
        events = self._seen + sum(
            each.number
            for each in left_out
            if each.kind in {CUT_OFF, "outside a container", "container packed in an unknown way"}
        )
        return LogReading(self._table.close(), events, left_out)

    def _read(self, buffer: Column, places: Column, rows: Column) -> None:
        stride = find_stride(places)
        heads = take_fields(buffer, places, _HEADER, stride)
        key = heads["type"].astype(np.int64) << 16 | heads["version"]
        alike = bool((key == key[0]).all())
        for each in [int(key[0])] if alike else np.unique(key).tolist():
            same: Any = slice(None) if alike else np.flatnonzero(key == each)
            kind, version = each >> 16, each & 0xFFFF
            layout, header = _LAYOUTS.get(kind), _HEADER_BYTES.get(version)
            if kind == _ERROR_TYPE:
                self.leave_out("error frame", rows[same])
            elif layout is None or header is None:
                self.leave_out(f"object of type {kind}", rows[same])
            else:
                body = places[same] + header
                fields = take_fields(buffer, body, layout.fields, stride if alike else 0)
                self._fill(_Part(buffer, rows[same], heads[same], fields, body, layout))

    def _fill(self, part: "_Part") -> None:
        layout, fields, heads, rows = part.layout, part.fields, part.heads, part.rows
        small = heads["size"] < heads["header"] + layout.smallest
        remote = ~small & (fields["flags"] & layout.remote_flag != 0)
        if small.any():
            self.leave_out("object too short for its type", rows[small])
        if remote.any():
            self.leave_out("remote frame", rows[remote])
        if small.any() or remote.any():
            keep = np.flatnonzero(~remote & ~small)
            fields, heads, rows = fields[keep], heads[keep], rows[keep]
            part = part._replace(rows=rows, heads=heads, fields=fields, body=part.body[keep])
        if not len(rows):
            return
        lengths = np.minimum(fields["length"], layout.most)
        self._table.fill(
            rows,
            times_s=_find_times(heads) + self._start_s,
            ids=fields["id"] & _ID_BITS,
            extended=fields["id"] >> _EXTENDED_SHIFT != 0,
            lengths=lengths,
            payload=_find_payload(part, lengths),
            channels=self._find_channels(fields["channel"]),
        )

    def _find_channels(self, numbers: Column) -> Any:
        if (numbers == numbers[0]).all():
            return self._table.find_channel(str(int(numbers[0]) - 1))
        different, back = np.unique(numbers, return_inverse=True)
        names = [self._table.find_channel(str(int(each) - 1)) for each in different]
        return np.array(names, np.uint8)[back]


class _Part(NamedTuple):
    """Objects of one type in a batch: their rows, headers, fields and where the fields begin."""

    buffer: Column
    rows: Column
    heads: Column
    fields: Column
    body: Column
    layout: _Layout


def _find_times(heads: Column) -> Column:
    slow = heads["flags"] == _TEN_MICROSECONDS
    parts = np.where(slow, 1e5, 1e9) if slow.any() else 1e9
    return np.asarray(heads["ticks"] / parts)


def _find_payload(part: _Part, lengths: Column) -> Column:
    if part.layout.fields is not _FLEXIBLE_64:
        return _clear_beyond(part.fields["data"], lengths)
    # Behind the fields, as far as the object goes; the rest of the length is 0.
    heads, behind = part.heads, part.fields["behind"]
    ends = np.where(behind > 0, behind, heads["size"]).astype(np.int64)
    there = np.clip(ends - heads["header"] - _FLEXIBLE_64.itemsize, 0, lengths)
    windows = sliding_window_view(part.buffer, LONGEST_BYTES)
    return _clear_beyond(windows[part.body + _FLEXIBLE_64.itemsize], there)


def _clear_beyond(data: Column, lengths: Column) -> Column:
    if bool((lengths == data.shape[1]).all()):
        return data
    return np.asarray(data * (np.arange(data.shape[1]) < lengths[:, None]), np.uint8)
