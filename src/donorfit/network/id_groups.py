"""Rows of a record by identifier, found once for all messages."""

import numpy as np

from donorfit.network.frames import Column, Frames
from donorfit.network.loops import Loops

MOST_NUMBERED = 32_768
_PLACES = 65_536
_EXTENDED_BIT = 31
_NUMBER = 0x7FFFFFFF
_SPREAD = np.uint32(0x9E3779B1)  # any odd factor that fills the upper bits


def group_rows(frames: Frames, loops: Loops | None = None) -> dict[tuple[int, bool], Column]:
    """Rows of every identifier, rising; by number and format (29 bits or not)."""
    parts = _number_rows(frames, loops) if loops else None
    if parts is None:
        parts = _sort_rows(frames)
    return {(key & _NUMBER, bool(key >> _EXTENDED_BIT)): rows for key, rows in parts}


def _number_rows(frames: Frames, loops: Loops) -> list[tuple[int, Column]] | None:
    keys, numbers = np.zeros(_PLACES, np.uint32), np.zeros(_PLACES, np.uint16)
    counts, found_of = np.zeros(MOST_NUMBERED, np.int64), np.empty(len(frames.ids), np.uint16)
    found = int(loops.group_ids(frames.ids, frames.extended, keys, numbers, counts, found_of))
    if found < 0:
        return None
    ends = np.cumsum(counts[:found])
    begins = ends - counts[:found]
    order = np.empty(len(frames.ids), np.int64)
    loops.place_rows(found_of, begins.copy(), order)
    used = np.flatnonzero(numbers)
    named = {int(numbers[place]) - 1: int(keys[place]) for place in used}
    return [
        (named[number], order[begin:end])
        for number, (begin, end) in enumerate(zip(begins.tolist(), ends.tolist(), strict=True))
    ]


def _sort_rows(frames: Frames) -> list[tuple[int, Column]]:
    """Sort by a 16-bit image of the identifier, which is fast, and then where images are equal."""
    key = frames.ids | (frames.extended.astype(np.uint32) << np.uint32(_EXTENDED_BIT))
    image = ((key * _SPREAD) >> np.uint32(16)).astype(np.uint16)
    order = np.argsort(image, kind="stable")
    counts = np.bincount(image, minlength=_PLACES)
    ends = np.cumsum(counts)
    parts: list[tuple[int, Column]] = []
    for place in np.flatnonzero(counts).tolist():
        rows = order[ends[place] - counts[place] : ends[place]]
        own = key[rows]
        if (own == own[0]).all():
            parts.append((int(own[0]), rows))
        else:
            parts.extend((int(each), rows[own == each]) for each in np.unique(own))
    return parts
