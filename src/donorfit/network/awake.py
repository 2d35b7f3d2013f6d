"""When a bus was awake in a record, and the rhythm of identifiers while it was.

A bus is taken to sleep when nothing at all is sent on it for longer than a limit. What a message
does across such a gap says nothing about its rhythm, and its absence only counts while the bus is
awake. A time that steps back by more than the limit begins a new period as well: records that were
joined.
"""

import itertools
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from donorfit.network.frames import Column, Frames
from donorfit.network.id_groups import group_rows
from donorfit.network.loops import Loops

# Common practice, no source: awake buses send something at least once a second.
ASLEEP_AFTER_S = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class AwakePeriod:
    """One period in which a bus was awake.

    Attributes:
        channel: name of the channel in the record.
        first_row: place of its first frame in the record.
        begin_s: time of its first frame, as in the record; None without times.
        seconds: time from its first to its last frame; None without times.
    """

    channel: str
    first_row: int
    begin_s: float | None
    seconds: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Rhythm:
    """Rhythm of one identifier while its bus is awake.

    Times in milliseconds, None with fewer than two frames of one period, or without times.

    Attributes:
        channel: name of the channel in the record.
        frame_id: identifier.
        extended: 29 bits instead of 11.
        count: frames.
        periods: places, from 0, of the channel's awake periods in which it occurs.
        median_ms: middle gap.
        p99_ms: gap that 99 of 100 stay below.
        longest_ms: longest gap.
    """

    channel: str
    frame_id: int
    extended: bool
    count: int
    periods: tuple[int, ...]
    median_ms: float | None
    p99_ms: float | None
    longest_ms: float | None


def find_awake(frames: Frames, asleep_after_s: float = ASLEEP_AFTER_S) -> tuple[AwakePeriod, ...]:
    """Awake periods of every channel, channel by channel, in the order of the record."""
    found: list[AwakePeriod] = []
    for place, channel in enumerate(frames.channel_names):
        rows = None
        times_s = frames.times_s
        if len(frames.channel_names) > 1:
            rows = np.flatnonzero(frames.channels == place)
            times_s = times_s[rows]
        steps = np.diff(times_s)
        begins = np.flatnonzero((steps > asleep_after_s) | (steps < -asleep_after_s)) + 1
        bounds = [0, *begins.tolist(), len(times_s)]
        for first, end in itertools.pairwise(bounds):
            begin_s, end_s = float(times_s[first]), float(times_s[end - 1])
            timed = not (np.isnan(begin_s) or np.isnan(end_s))
            found.append(
                AwakePeriod(
                    channel=channel,
                    first_row=int(rows[first]) if rows is not None else first,
                    begin_s=begin_s if timed else None,
                    seconds=max(0.0, end_s - begin_s) if timed else None,
                )
            )
    return tuple(found)


def count_steps_back(frames: Frames) -> tuple[int, int]:
    """How often the time is before that of the frame ahead, and the first such frame (from 1)."""
    back = np.flatnonzero(np.diff(frames.times_s) < 0)
    return len(back), int(back[0]) + 2 if len(back) else 0


def list_rhythms(
    frames: Frames, periods: tuple[AwakePeriod, ...] | None = None, loops: Loops | None = None
) -> tuple[Rhythm, ...]:
    """Rhythm of every identifier on every channel, by channel and identifier."""
    periods = find_awake(frames) if periods is None else periods
    firsts = {
        channel: np.array([each.first_row for each in periods if each.channel == channel])
        for channel in frames.channel_names
    }
    found = [
        _measure(frames.times_s[rows], rows, firsts[channel], (channel, frame_id, extended))
        for (frame_id, extended), every in group_rows(frames, loops).items()
        for channel, rows in split_channels(frames, every)
    ]
    return tuple(sorted(found, key=lambda each: (each.channel, each.extended, each.frame_id)))


def split_channels(frames: Frames, rows: Column) -> Iterator[tuple[str, Column]]:
    """Some rows, channel by channel."""
    if len(frames.channel_names) == 1:
        yield frames.channel_names[0], rows
        return
    channels = frames.channels[rows]
    for place in np.unique(channels).tolist():
        yield frames.channel_names[place], rows[channels == place]


def _measure(times_s: Column, rows: Column, firsts: Column, key: tuple[str, int, bool]) -> Rhythm:
    channel, frame_id, extended = key
    gaps = np.diff(times_s)
    begins = np.searchsorted(rows, firsts)  # the first own frame in or behind every period
    occurs = np.flatnonzero(np.diff(begins, append=len(rows)) > 0)
    cuts = begins[occurs]
    inner = cuts[cuts > 0] - 1
    if len(inner):
        gaps = np.delete(gaps, inner)
    usable = len(gaps) > 0 and not np.isnan(gaps).any()
    median, p99, longest = (
        (float(each) * 1000 for each in (*np.percentile(gaps, (50, 99)), gaps.max()))
        if usable
        else (None, None, None)
    )
    return Rhythm(
        channel=channel,
        frame_id=frame_id,
        extended=extended,
        count=len(times_s),
        periods=tuple(occurs.tolist()),
        median_ms=median,
        p99_ms=p99,
        longest_ms=longest,
    )
