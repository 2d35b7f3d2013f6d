"""Recorded frames as columns: about 24 bytes a frame, made for millions of them."""

from typing import Any, NamedTuple

import numpy as np

Column = np.ndarray[Any, Any]
CLASSIC_BYTES, LONGEST_BYTES = 8, 64


class Frames(NamedTuple):
    """Frames in the order of the record; every column is read only.

    Attributes:
        times_s: seconds, float64; NaN where the record has no time.
        ids: identifiers, uint32.
        extended: 29 bits instead of 11, bool.
        lengths: bytes in the frame, uint8.
        payload: bytes, one row a frame, filled up with 0; 8 or 64 columns.
        channels: place in ``channel_names``, uint8.
        channel_names: names of the channels.
    """

    times_s: Column
    ids: Column
    extended: Column
    lengths: Column
    payload: Column
    channels: Column
    channel_names: tuple[str, ...]


class LeftOut(NamedTuple):
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
    """

    frames: Frames
    lines: int
    left_out: tuple[LeftOut, ...]


class FrameTable:
    """Columns that are filled group by group, in any order; rows not filled are left out."""

    def __init__(self, rows: int) -> None:
        self.filled: Column = np.zeros(rows, np.bool_)
        self._times: Column = np.full(rows, np.nan)
        self._ids: Column = np.zeros(rows, np.uint32)
        self._extended = np.zeros(rows, np.bool_)
        self._lengths = np.zeros(rows, np.uint8)
        self._payload: Column = np.zeros((rows, CLASSIC_BYTES), np.uint8)
        self._channels = np.zeros(rows, np.uint8)
        self._names: dict[str, int] = {}

    def find_channel(self, name: str) -> int:
        """Place of a channel's name; a 256th name shares the last place."""
        return min(self._names.setdefault(name, len(self._names)), 255)

    def fill(
        self,
        rows: Column,
        *,
        times_s: Any,
        ids: Any,
        extended: Any,
        lengths: Any,
        payload: Column,
        channels: Any,
    ) -> None:
        """Fill some rows; single values stand for all of them."""
        if payload.shape[1] > self._payload.shape[1]:
            wide = np.zeros((len(self._payload), LONGEST_BYTES), np.uint8)
            wide[:, :CLASSIC_BYTES] = self._payload
            self._payload = wide
        self.filled[rows] = True
        self._times[rows] = times_s
        self._ids[rows] = ids
        self._extended[rows] = extended
        self._lengths[rows] = lengths
        self._payload[rows, : payload.shape[1]] = payload
        self._channels[rows] = channels

    def close(self) -> Frames:
        """The filled rows as read-only columns."""
        keep = slice(None) if self.filled.all() else self.filled
        frames = Frames(
            times_s=self._times[keep],
            ids=self._ids[keep],
            extended=self._extended[keep],
            lengths=self._lengths[keep],
            payload=self._payload[keep],
            channels=self._channels[keep],
            channel_names=tuple(self._names)[:256],
        )
        for column in frames[:-1]:
            column.flags.writeable = False
        return frames
