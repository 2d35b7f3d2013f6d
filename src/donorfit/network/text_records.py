"""Text records read piece by piece: memory stays the same however long the record is.

A piece holds whole lines. Compiled loops, or else columns of equal lines, read what has the usual
shape; every other line goes to the dialect's reader of single lines, which also names what holds
no data frame.
"""

from collections.abc import Callable
from typing import Any, NamedTuple

import numpy as np

from donorfit.network.frames import CLASSIC_BYTES, Column, FrameTable, LeftOut, LogReading
from donorfit.network.loops import Loops

PIECE_BYTES = 1 << 20
LONGEST_ODD_LINE = 4096
CUT_OFF = "cut off at the end of the record"
_SPARE = 128  # what a loop may look at beyond the last line
_NAME_BYTES = 32
_NEWLINE = b"\n"
_PAIR_NOT_HEX = 256
_ROOM = 1.02


class Dialect(NamedTuple):
    """One text form.

    Attributes:
        begin: looks at the first bytes; says what a reader of the record has to know.
        fill_columns: fills those rows of the block that have the usual shape.
        read_line: fills one row, or says what kind of line it is.
        proves_length: a frame says how many bytes it has, so that a line cut off is noticed.
        scan: name of the loop that does what ``fill_columns`` does; empty where there is none.
    """

    begin: Callable[[bytes], tuple[str, ...]]
    fill_columns: Callable[[Column, FrameTable], None]
    read_line: Callable[[bytes, int, FrameTable], str]
    proves_length: bool
    scan: str


class TextReader:
    """Takes a record piece by piece.

    Bytes are put into ``room()``, ``take()`` reads the whole lines among them, ``finish()`` the
    rest.
    """

    def __init__(
        self, dialect: Dialect, loops: Loops | None = None, piece_bytes: int = PIECE_BYTES
    ) -> None:
        self._dialect = dialect
        self._scan = getattr(loops, dialect.scan) if loops and dialect.scan else None
        self._buffer = bytearray(piece_bytes + _SPARE)
        self._signs = np.frombuffer(self._buffer, np.uint8)
        # Every two neighbouring signs as one number: views of the buffer that overlap.
        self._pairs = np.ndarray((len(self._buffer) - 1,), "<u2", self._buffer, 0, (1,))
        self._held = 0
        self._begun = False
        self._in_long_line = False
        self._lines = 0
        self._left_out: dict[str, tuple[int, int]] = {}
        self._notes: tuple[str, ...] = ()
        self._table = FrameTable()
        self._names = np.zeros((0, _NAME_BYTES), np.uint8)
        self._name_lengths = np.zeros(0, np.int64)

    def room(self) -> memoryview:
        """Where the next bytes belong."""
        return memoryview(self._buffer)[self._held : len(self._buffer) - _SPARE]

    def expect(self, share: float) -> None:
        """Make room for the frames of the whole record, of which this share is read."""
        if 0 < share < 1:
            self._table.reserve(int(self._lines / share * _ROOM) + 1)

    def take(self, count: int) -> None:
        """Read the whole lines among what is held with so many new bytes.

        Raises:
            OtherBaseError: see the dialect.
        """
        self._held += count
        self._begin()
        end = self._buffer.rfind(_NEWLINE, 0, self._held) + 1
        if end:
            begin = self._end_long_line() if self._in_long_line else 0
            self._read(begin, end)
            self._keep_from(end)
        elif self._held == len(self._buffer) - _SPARE:
            self._in_long_line = True
            self._held = 0

    def finish(self) -> LogReading:
        """Read a last line without an end, and close the record."""
        self._begin()
        if self._held or self._in_long_line:
            self._buffer[self._held : self._held + 1] = _NEWLINE
            self._held += 1
            begin = self._end_long_line() if self._in_long_line else 0
            self._read(begin, self._held, cut_off=True)
        left_out = tuple(LeftOut(kind, *found) for kind, found in self._left_out.items())
        return LogReading(self._table.close(), self._lines, left_out, self._notes)

    def _begin(self) -> None:
        if not self._begun and self._held:
            self._begun = True
            self._notes = self._dialect.begin(bytes(self._buffer[: self._held]))

    def _end_long_line(self) -> int:
        self._in_long_line = False
        self._leave_out("too long", self._lines)
        self._lines += 1
        return self._buffer.find(_NEWLINE) + 1

    def _keep_from(self, end: int) -> None:
        rest = self._held - end
        self._buffer[:rest] = self._buffer[end : self._held]
        self._held = rest

    def _read(self, begin: int, end: int, *, cut_off: bool = False) -> None:
        count = int(np.count_nonzero(self._signs[begin:end] == _NEWLINE[0]))
        if not count:
            return
        block = self._table.open_block(count)
        if cut_off:
            self._read_odd(0, begin, end - 1, cut_off=True)
        elif self._scan is None:
            self._dialect.fill_columns(self._signs[begin:end], self._table)
            self._read_rest(begin, end)
        else:
            self._run_loop(block, begin, end)
        self._table.close_block()
        self._lines += count

    def _run_loop(self, block: Any, begin: int, end: int) -> None:
        """Let the loop read; it comes back early at a channel that it does not know yet."""
        count = len(block.ids)
        odd = np.empty((3, count), np.int64)
        words = block.payload.view(np.uint64).reshape(count)
        longest = (end - begin) // 2 + 1
        pool, long = np.empty(longest, np.uint8), np.empty((2, longest // CLASSIC_BYTES), np.int64)
        state = np.array([begin, 0, 0, 0, 0], np.int64)  # place, row, odd, long, pool
        if self._scan is None:
            return
        while state[0] < end:
            self._scan(
                self._signs, self._pairs, end, PAIRS, POWERS, self._names, self._name_lengths,
                block.times_s, block.ids, block.extended, block.lengths, words, block.channels,
                block.filled, odd, long, pool, state,
            )  # fmt: skip
            if state[0] < end:
                self._read_odd(int(state[1]), int(state[0]), self._find_end(int(state[0])))
                self._learn_names()
                state[0] = self._find_end(int(state[0])) + 1
                state[1] += 1
        for row, start, stop in odd[:, : state[2]].T.tolist():
            self._read_odd(row, start, stop)
        found = int(state[3])
        self._table.add_long(
            long[0, :found].copy(), long[1, :found].copy(), pool[: state[4]].copy()
        )

    def _find_end(self, start: int) -> int:
        return self._buffer.index(_NEWLINE, start)

    def _learn_names(self) -> None:
        """Channels that the loop may know: those with a short name and a place of their own."""
        names = self._table.channel_names
        if len(names) == len(self._names):
            return
        self._names = np.zeros((len(names), _NAME_BYTES), np.uint8)
        self._name_lengths = np.full(len(names), -1, np.int64)
        for place, name in enumerate(names):
            text = name.encode("latin-1")
            if 0 < len(text) <= _NAME_BYTES:
                self._names[place, : len(text)] = np.frombuffer(text, np.uint8)
                self._name_lengths[place] = len(text)

    def _read_rest(self, begin: int, end: int) -> None:
        rest = np.flatnonzero(~self._table.block.filled)
        if not len(rest):
            return
        ends = np.flatnonzero(self._signs[begin:end] == _NEWLINE[0]) + begin
        starts = np.concatenate(([begin], ends[:-1] + 1))
        for row in rest.tolist():
            self._read_odd(row, int(starts[row]), int(ends[row]))

    def _read_odd(self, row: int, start: int, stop: int, *, cut_off: bool = False) -> None:
        text = bytes(self._buffer[start:stop])
        text = text.removesuffix(b"\r")
        if len(text) > LONGEST_ODD_LINE:
            kind = "too long"
        else:
            kind = self._dialect.read_line(text, row, self._table)
        block = self._table.block
        if cut_off and (
            kind == "not understood"
            or (
                not kind
                and not self._dialect.proves_length
                and block.lengths[row] != CLASSIC_BYTES
            )
        ):
            kind = CUT_OFF
            self._table.take_back(row)
        if kind:
            self._leave_out(kind, self._lines + row)

    def _leave_out(self, kind: str, place: int) -> None:
        number, first = self._left_out.get(kind, (0, place + 1))
        self._left_out[kind] = (number + 1, min(first, place + 1))


def read_text(
    data: bytes, dialect: Dialect, loops: Loops | None, piece_bytes: int = PIECE_BYTES
) -> LogReading:
    """Read a whole record that is held in memory."""
    reader = TextReader(dialect, loops, piece_bytes)
    at = 0
    while at < len(data):
        room = reader.room()
        part = data[at : at + len(room)]
        room[: len(part)] = part
        room.release()
        reader.take(len(part))
        at += len(part)
    return reader.finish()


def _make_pairs() -> Column:
    """Number that two hex digits stand for, by their signs; 256 where one is none."""
    digits = b"0123456789abcdefABCDEF"
    table = np.full(1 << 16, _PAIR_NOT_HEX, np.uint16)
    for high in digits:
        for low in digits:
            table[low << 8 | high] = int(bytes((high, low)), 16)
    table.flags.writeable = False
    return table


PAIRS = _make_pairs()
POWERS = np.array([float(10**place) for place in range(20)])
POWERS.flags.writeable = False
