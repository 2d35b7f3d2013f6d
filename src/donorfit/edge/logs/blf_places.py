"""Where the objects stand in the unpacked bytes of a BLF file."""

import struct
from typing import Any

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from donorfit.network.frames import Column
from donorfit.records.counted import count

OBJECT_MARK = b"LOBJ"
BASE = struct.Struct("<4sHHII")  # mark, header size and version, object size, type
LARGEST_GAP = 4  # bytes of filling between objects
_SIZES = np.dtype({
    "names": ["size"], "formats": ["<u4"], "offsets": [8], "itemsize": 16,
})  # fmt: skip


class BlfError(ValueError):
    """The file is no such record, or damaged; says where."""


def find_objects(whole: bytes, buffer: Column) -> tuple[Column, int]:
    """Places of the whole objects, and where what is left begins."""
    for step in (4, 1):
        marks = _find_marks(buffer, step)
        if not len(marks) or marks[0] > LARGEST_GAP:
            continue
        sizes = _read_sizes(buffer, marks)
        gaps = np.diff(marks) - sizes[:-1]
        if ((gaps >= 0) & (gaps <= LARGEST_GAP)).all():
            last_end = int(marks[-1] + sizes[-1])
            rest = len(buffer) - last_end
            if rest < 0:
                return marks[:-1], int(marks[-1])
            held = whole[last_end : last_end + LARGEST_GAP + len(OBJECT_MARK)]
            begun = rest < BASE.size + LARGEST_GAP and OBJECT_MARK in held
            if begun or rest < LARGEST_GAP + len(OBJECT_MARK):
                return marks, last_end
    return _walk(whole)


def _find_marks(buffer: Column, step: int) -> Column:
    """Places of the mark with a whole header behind, all of them or those divisible by four."""
    last = len(buffer) - BASE.size
    wanted = int.from_bytes(OBJECT_MARK, "little")
    if step > 1:
        words = buffer[: len(buffer) // 4 * 4].view("<u4")
        marks = np.flatnonzero(words == wanted) * 4
    else:
        begins = np.flatnonzero(buffer[: max(last + 1, 0)] == OBJECT_MARK[0])
        rest = [buffer[begins + place] == OBJECT_MARK[place] for place in (1, 2, 3)]
        marks = begins[rest[0] & rest[1] & rest[2]]
    return marks[marks <= last]


def _read_sizes(buffer: Column, marks: Column) -> Column:
    fields = take_fields(buffer, marks, _SIZES, find_stride(marks))
    return fields["size"].astype(np.int64)


def _walk(whole: bytes) -> tuple[Column, int]:
    """The same object by object, where the mark also stands inside of some."""
    places: list[int] = []
    at = 0
    while True:
        begin = whole.find(OBJECT_MARK, at, at + LARGEST_GAP + len(OBJECT_MARK))
        if begin < 0:
            if len(whole) - at >= LARGEST_GAP + len(OBJECT_MARK):
                what = f"no object follows the {len(places)} objects before"
                raise BlfError(what)
            return np.array(places, np.int64), at
        if begin + BASE.size > len(whole):
            return np.array(places, np.int64), at
        size = BASE.unpack_from(whole, begin)[3]
        if size < BASE.size:
            what = (
                f"an object of {count(size, 'byte')} follows the "
                f"{count(len(places), 'object')} before"
            )
            raise BlfError(what)
        if begin + size > len(whole):
            return np.array(places, np.int64), begin
        places.append(begin)
        at = begin + size


def find_stride(places: Column) -> int:
    """Bytes from object to object, where that is the same for all; else 0."""
    if len(places) == 1:
        return 1
    stride = int(places[1] - places[0])
    return stride if bool((np.diff(places) == stride).all()) else 0


def take_fields(buffer: Column, places: Column, fields: np.dtype[Any], stride: int) -> Column:
    """Fields at each place; ``stride`` is the step between places where it is the same, else 0."""
    if stride:  # a view, nothing is copied
        return np.ndarray((len(places),), fields, buffer, int(places[0]), (stride,))
    rows = sliding_window_view(buffer, fields.itemsize)[places]
    return np.ascontiguousarray(rows).view(fields).ravel()
