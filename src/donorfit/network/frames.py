"""Recorded frames as columns: 23 bytes a frame, made for millions of them.

The first eight bytes of every frame stand in one column. What a CAN FD frame carries stands once
more, whole, in a pool of its own, so that a record without such frames pays nothing for them.
"""

from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np

Column = np.ndarray[Any, Any]
CLASSIC_BYTES, LONGEST_BYTES = 8, 64
MOST_CHANNELS = 256
_GROWTH = 1.5


class LongPayloads(NamedTuple):
    """Payloads of the frames with more than eight bytes.

    Attributes:
        rows: places of these frames in the record, rising, int64.
        starts: where each begins in ``pool``, int64; its length is that of the frame.
        pool: their bytes, one behind the other, uint8.
    """

    rows: Column
    starts: Column
    pool: Column


class Frames(NamedTuple):
    """Frames in the order of the record; every column is read only.

    Attributes:
        times_s: seconds, float64; NaN where the record has no time.
        ids: identifiers, uint32.
        extended: 29 bits instead of 11, bool.
        lengths: bytes in the frame, uint8.
        payload: the first eight bytes, one row a frame, filled up with 0.
        channels: place in ``channel_names``, uint8.
        channel_names: names of the channels.
        long: whole payloads of the frames with more than eight bytes.
    """

    times_s: Column
    ids: Column
    extended: Column
    lengths: Column
    payload: Column
    channels: Column
    channel_names: tuple[str, ...]
    long: LongPayloads

    def take_payload(self, rows: Column) -> Column:
        """Whole payloads of some frames, filled up with 0.

        Returns:
            One row a frame; 8 columns, or 64 where one of these frames has more than 8 bytes.
        """
        short = self.payload[rows]
        lengths = self.lengths[rows]
        if not len(self.long.rows) or not (lengths > CLASSIC_BYTES).any():
            return short
        wide = np.zeros((len(rows), LONGEST_BYTES), np.uint8)
        wide[:, :CLASSIC_BYTES] = short
        for length in map(int, np.unique(lengths[lengths > CLASSIC_BYTES])):
            chosen = np.flatnonzero(lengths == length)
            places = np.searchsorted(self.long.rows, np.asarray(rows)[chosen])
            spans = self.long.starts[places][:, None] + np.arange(length)
            wide[chosen, :length] = self.long.pool[spans]
        return wide

    def count_bytes(self) -> int:
        """Bytes that all columns take."""
        columns = (*self[:6], *self.long)
        return int(sum(each.nbytes for each in columns))


@dataclass(frozen=True, slots=True, order=True)
class LeftOut:
    """Lines or events of one kind that hold no data frame: how many, and the first one's line."""

    kind: str
    number: int
    first_line: int


class LogReading(NamedTuple):
    """A record as read.

    Attributes:
        frames: its data frames.
        lines: lines of text, or events.
        left_out: everything else, counted by kind; nothing is dropped unsaid.
        notes: what else a reader of the record has to know, as sentences.
    """

    frames: Frames
    lines: int
    left_out: tuple[LeftOut, ...]
    notes: tuple[str, ...] = ()


class Block(NamedTuple):
    """Columns of the rows that are being filled; ``filled`` says which are."""

    times_s: Column
    ids: Column
    extended: Column
    lengths: Column
    payload: Column
    channels: Column
    filled: Column


class _Long(NamedTuple):
    rows: Column
    lengths: Column
    pool: Column


class FrameTable:
    """Columns that grow block by block; in a block rows are filled in any order.

    Rows of a block that are not filled when it is closed are left out.
    """

    def __init__(self, rows: int = 0) -> None:
        self._size = 0
        self._columns = _make_columns(max(rows, 1))
        self._names: dict[str, int] = {}
        self._used: Column = np.zeros(MOST_CHANNELS, np.int64)
        self._new_long: list[_Long] = []
        self._long: list[_Long] = []
        self.block = self.open_block(rows)

    @property
    def channel_names(self) -> tuple[str, ...]:
        """Their names, by place."""
        return tuple(self._names)[:MOST_CHANNELS]

    def find_channel(self, name: str) -> int:
        """Place of a channel's name; a 256th name and later ones share the last place."""
        if name not in self._names and len(self._names) >= MOST_CHANNELS:
            return MOST_CHANNELS - 1
        return self._names.setdefault(name, len(self._names))

    def reserve(self, rows: int) -> None:
        """Make room for a number of rows in all, so that growing need not copy."""
        if rows > len(self._columns[0]):
            grown = _make_columns(rows)
            for old, new in zip(self._columns, grown, strict=True):
                new[: self._size] = old[: self._size]
            self._columns = grown

    def open_block(self, rows: int) -> Block:
        """Begin a block of so many rows behind all that are there."""
        needed = self._size + rows
        if needed > len(self._columns[0]):
            self.reserve(max(needed, int(len(self._columns[0]) * _GROWTH)))
        span = slice(self._size, needed)
        columns = (*(each[span] for each in self._columns), np.zeros(rows, np.bool_))
        self.block = Block._make(columns)
        return self.block

    def fill(
        self,
        rows: Any,
        *,
        times_s: Any,
        ids: Any,
        extended: Any,
        lengths: Any,
        payload: Column,
        channels: Any,
    ) -> None:
        """Fill some rows of the block; single values stand for all of them."""
        block, width = self.block, payload.shape[1]
        numbers = rows
        if len(rows) > 1 and bool((np.diff(rows) == 1).all()):  # a slice is much faster
            rows = slice(int(rows[0]), int(rows[-1]) + 1)
        block.filled[rows] = True
        block.times_s[rows] = times_s
        block.ids[rows] = ids
        block.extended[rows] = extended
        block.lengths[rows] = lengths
        if width < CLASSIC_BYTES:
            block.payload[rows] = 0
        block.payload[rows, :width] = payload[:, :CLASSIC_BYTES]
        block.channels[rows] = channels
        if width > CLASSIC_BYTES:
            sizes = np.broadcast_to(np.asarray(lengths, np.int64), (len(numbers),))
            long = np.flatnonzero(sizes > CLASSIC_BYTES)
            inside = np.arange(width) < sizes[long][:, None]
            self.add_long(np.asarray(numbers)[long], sizes[long], payload[long][inside])

    def add_long(self, rows: Column, lengths: Column, pool: Column) -> None:
        """Keep whole payloads of rows of the block, one behind the other in ``pool``."""
        if len(rows):
            self._new_long.append(_Long(rows, lengths, pool))

    def shorten(self, rows: int) -> None:
        """Make the block shorter, where fewer rows came than it was opened for."""
        self.block = Block._make(each[:rows] for each in self.block)

    def take_back(self, row: int) -> None:
        """Empty one row of the block again."""
        self.block.filled[row] = False
        self._new_long = [each for each in self._new_long if row not in each.rows]

    def close_block(self) -> None:
        """Take the filled rows of the block over."""
        filled = self.block.filled
        self._used += np.bincount(self.block.channels[filled], minlength=MOST_CHANNELS)
        whole = bool(filled.all())
        for each in self._new_long:
            places = each.rows if whole else (np.cumsum(filled) - 1)[each.rows]
            self._long.append(_Long(places + self._size, each.lengths, each.pool))
        self._new_long = []
        if whole:
            self._size += len(filled)
        else:
            kept = int(filled.sum())
            for column in self.block[:-1]:
                column[:kept] = column[filled]
            self._size += kept
        self.open_block(0)

    def close(self) -> Frames:
        """All filled rows as read-only columns; channels that have any, by name."""
        self.close_block()
        parts = [each[: self._size] for each in self._columns]
        names = self._sort_channels(parts[-1])
        times_s, ids, extended, lengths, payload, channels = parts
        frames = Frames(
            times_s=times_s,
            ids=ids,
            extended=extended,
            lengths=lengths,
            payload=payload,
            channels=channels,
            channel_names=names,
            long=_join_long(self._long),
        )
        for column in (*parts, *frames.long):
            column.flags.writeable = False
        return frames

    def _sort_channels(self, channels: Column) -> tuple[str, ...]:
        """Number the channels by name, so that it does not matter which was met first."""
        old = self.channel_names
        used = sorted((name, place) for place, name in enumerate(old) if self._used[place])
        if [place for _, place in used] != list(range(len(used))):
            numbers = np.zeros(MOST_CHANNELS, np.uint8)
            numbers[[place for _, place in used]] = np.arange(len(used))
            channels[:] = numbers[channels]
        return tuple(name for name, _ in used)


def _make_columns(rows: int) -> tuple[Column, ...]:
    kinds = (np.float64, np.uint32, np.bool_, np.uint8)
    plain = tuple(np.empty(rows, kind) for kind in kinds)
    return (*plain, np.empty((rows, CLASSIC_BYTES), np.uint8), np.empty(rows, np.uint8))


def _join_long(parts: list[_Long]) -> LongPayloads:
    if not parts:
        none = np.zeros(0, np.int64)
        return LongPayloads(none, none.copy(), np.zeros(0, np.uint8))
    rows = np.concatenate([each.rows for each in parts]).astype(np.int64)
    lengths = np.concatenate([each.lengths for each in parts]).astype(np.int64)
    pool = np.concatenate([each.pool for each in parts])
    starts = np.cumsum(lengths) - lengths
    if (np.diff(rows) < 0).any():
        order = np.argsort(rows, kind="stable")
        rows, starts = rows[order], starts[order]
    return LongPayloads(rows, starts, pool)
