"""Values of signals from recorded frames, a whole column at a time.

Bit positions are those of DBC (see :class:`donorfit.vehicle.network.Signal`); values are
``raw * factor + offset``.
"""

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np

from donorfit.network.frames import LONGEST_BYTES, Column, Frames
from donorfit.network.id_groups import group_rows
from donorfit.network.loops import Loops
from donorfit.vehicle.network import Message, Network, Signal

WORD_BYTES = 8
WORD_BITS = 64
_LONGEST = LONGEST_BYTES
_FLOATS = {16: np.float16, 32: np.float32, 64: np.float64}
_WHOLE = {16: np.uint16, 32: np.uint32, 64: np.uint64}


class Decoded(NamedTuple):
    """One signal over a record.

    Attributes:
        message: name of its message.
        signal: its name.
        rows: places in the record, rising; only frames that are long enough and, for a
            multiplexed signal, in which it is there.
        values: physical values, float64.
    """

    message: str
    signal: str
    rows: Column
    values: Column


def find_rows(frames: Frames, message: Message) -> Column:
    """Places of a message's frames in the record."""
    same = (frames.ids == message.frame_id) & (frames.extended == message.extended)
    return np.flatnonzero(same)


def decode_network(
    frames: Frames, network: Network, loops: Loops | None = None
) -> Iterator[Decoded]:
    """Decode every signal of every message of a network, message by message.

    Messages without a frame give nothing. Frames are grouped by identifier once. With loops the
    values are the same to the last bit.
    """
    rows_of = group_rows(frames, loops)
    for message in network.messages:
        rows = rows_of.get((message.frame_id, message.extended))
        if rows is not None:
            yield from decode_message(frames, message, rows, loops)


def decode_message(
    frames: Frames, message: Message, rows: Column | None = None, loops: Loops | None = None
) -> Iterator[Decoded]:
    """Decode every signal of one message."""
    if rows is None:
        rows = find_rows(frames, message)
    payload = _Payload(frames, rows, loops)
    shortest = int(payload.lengths.min(initial=_LONGEST))
    raws = {
        each: payload.read_raw(signal)
        for signal in message.signals
        for each in (signal.name,)
        if any(other.multiplexer == each for other in message.signals)
    }
    for signal in message.signals:
        keep = None
        if shortest < count_bytes(signal):
            keep = payload.lengths >= count_bytes(signal)
        there = _find_there(signal, message, raws)
        if there is not None:
            keep = there if keep is None else keep & there
        values = payload.read_values(signal)
        if keep is None or keep.all():
            yield Decoded(message.name, signal.name, rows, values)
        else:
            yield Decoded(message.name, signal.name, rows[keep], values[keep])


def count_bytes(signal: Signal) -> int:
    """Bytes that a frame must have for the signal to be in it whole."""
    if not signal.big_endian:
        return -(-(signal.first_bit + signal.bit_length) // 8)
    lead = 7 - signal.first_bit % 8
    return signal.first_bit // 8 - (-(lead + signal.bit_length) // 8)


def scale(raw: Column, signal: Signal) -> Column:
    """Physical values: ``raw * factor + offset``."""
    with np.errstate(invalid="ignore", over="ignore"):  # floating signals may hold NaN
        numbers = raw.astype(np.float64)
        if signal.factor != 1:
            numbers *= signal.factor
        if signal.offset != 0:
            numbers += signal.offset
        return numbers


class _Payload:
    """Payloads of one message as words of eight bytes, each made once."""

    def __init__(self, frames: Frames, rows: Column, loops: Loops | None) -> None:
        self._frames, self._rows, self._loops = frames, rows, loops
        self.lengths = frames.lengths[rows]
        self._bytes: Column | None = None
        self._words: dict[tuple[int, bool], Column] = {}

    def read_values(self, signal: Signal) -> Column:
        """Physical values of a signal."""
        first, skip = _find_word(signal)
        length = signal.bit_length
        if self._loops is None or signal.floating or not 0 < length <= WORD_BITS - skip:
            return scale(self.read_raw(signal), signal)
        words = self._take(first, swapped=signal.big_endian)
        values = np.empty(len(words))
        low = WORD_BITS - skip - length if signal.big_endian else skip
        self._loops.scale_bits(
            words, low, length, signal.signed, float(signal.factor), float(signal.offset), values
        )
        return values

    def read_raw(self, signal: Signal) -> Column:
        """Raw values of a signal of up to 64 bits; bytes beyond the payload count as 0."""
        word = self._read_unsigned(signal)
        length = signal.bit_length
        if signal.floating and length in _FLOATS:
            return word.astype(_WHOLE[length]).view(_FLOATS[length])
        if signal.signed:
            if length >= WORD_BITS:
                return word.view(np.int64)
            word <<= np.uint64(WORD_BITS - length)
            signed = word.view(np.int64)
            signed >>= np.int64(WORD_BITS - length)
            return signed
        return word

    def _read_unsigned(self, signal: Signal) -> Column:
        """The signal's bits as whole numbers in an array of its own, whatever they mean."""
        length = min(signal.bit_length, WORD_BITS)
        first, skip = _find_word(signal)
        beyond = skip + length - WORD_BITS
        if signal.big_endian:
            word = self._take(first, swapped=True) << np.uint64(skip)
            if length < WORD_BITS:
                word >>= np.uint64(WORD_BITS - length)
            if beyond > 0:
                rest = self._take(first + WORD_BYTES, swapped=True)
                word |= rest >> np.uint64(WORD_BITS - beyond)
            return word
        word = self._take(first, swapped=False) >> np.uint64(skip)
        if beyond > 0:
            word |= self._take(first + WORD_BYTES, swapped=False) << np.uint64(WORD_BITS - skip)
        if length < WORD_BITS:
            word &= np.uint64((1 << length) - 1)
        return word

    def _take(self, first: int, *, swapped: bool) -> Column:
        """Eight bytes from a place on as one number; ``swapped``: the first is the highest."""
        if (first, swapped) not in self._words:
            make = self._make_first if first == 0 else self._make_later
            self._words[first, swapped] = make(first, swapped=swapped)
        return self._words[first, swapped]

    def _make_first(self, _: int, *, swapped: bool) -> Column:
        if self._loops is None:
            words = self._frames.payload[self._rows].view(">u8" if swapped else "<u8").ravel()
            return words.astype(np.uint64, copy=False)
        whole = self._frames.payload.view(np.uint64).reshape(-1)
        words = np.empty(len(self._rows), np.uint64)
        self._loops.take_words(whole, self._rows, swapped, words)
        return words

    def _make_later(self, first: int, *, swapped: bool) -> Column:
        if self._bytes is None:
            self._bytes = self._frames.take_payload(self._rows)
        width = self._bytes.shape[1]
        part = np.zeros((len(self._bytes), WORD_BYTES), np.uint8)
        end = min(width, first + WORD_BYTES)
        if first < end:
            part[:, : end - first] = self._bytes[:, first:end]
        return part.view(">u8" if swapped else "<u8").ravel().astype(np.uint64)


def _find_word(signal: Signal) -> tuple[int, int]:
    """First byte of the eight that hold the signal's begin, and the bits to skip in them.

    The first eight bytes where they hold it whole: those are at hand.
    """
    skip = _skip_bits(signal)
    if skip + signal.bit_length <= WORD_BITS:
        return 0, skip
    return skip // 8, skip % 8


def _skip_bits(signal: Signal) -> int:
    """Bits ahead of the signal: below it in little endian, above it in big endian order."""
    if signal.big_endian:
        return signal.first_bit // 8 * 8 + 7 - signal.first_bit % 8
    return signal.first_bit


def _find_there(signal: Signal, message: Message, raws: dict[str, Column]) -> Column | None:
    """Frames in which a multiplexed signal is there; None where it always is."""
    seen: set[str] = set()
    there: Column | None = None
    here = signal
    while here.multiplexer and here.multiplexer in raws and here.name not in seen:
        seen.add(here.name)
        selected = np.isin(
            raws[here.multiplexer].astype(np.int64), np.array(here.multiplexer_values, np.int64)
        )
        there = selected if there is None else there & selected
        here = next(each for each in message.signals if each.name == here.multiplexer)
    return there
