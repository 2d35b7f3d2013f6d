"""Values of signals from recorded frames, a whole column at a time.

Bit positions are those of DBC (see :class:`donorfit.vehicle.network.Signal`); values are
``raw * factor + offset``.
"""

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np

from donorfit.network.frames import Column, Frames
from donorfit.vehicle.network import Message, Network, Signal

WORD_BYTES = 8
WORD_BITS = 64
_FLOATS = {16: np.float16, 32: np.float32, 64: np.float64}
_WHOLE = {16: np.uint16, 32: np.uint32, 64: np.uint64}


class Decoded(NamedTuple):
    """One signal over a record.

    Attributes:
        message: name of its message.
        signal: its name.
        rows: places in the record, rising; only frames that are long enough and, for a
            multiplexed signal, in which it is there.
        raw: raw values: unsigned, signed or floating.
        values: physical values, float64.
    """

    message: str
    signal: str
    rows: Column
    raw: Column
    values: Column


def find_rows(frames: Frames, message: Message) -> Column:
    """Places of a message's frames in the record."""
    same = (frames.ids == message.frame_id) & (frames.extended == message.extended)
    return np.flatnonzero(same)


def decode_network(frames: Frames, network: Network) -> Iterator[Decoded]:
    """Decode every signal of every message of a network, message by message.

    Messages without a frame give nothing. Frames are sorted by identifier once.
    """
    key = frames.ids | (frames.extended.astype(np.uint32) << 31)
    order = np.argsort(key, kind="stable")
    ordered = key[order]
    for message in network.messages:
        wanted = message.frame_id | (int(message.extended) << 31)
        low = np.searchsorted(ordered, np.uint32(wanted), "left")
        high = np.searchsorted(ordered, np.uint32(wanted), "right")
        if low < high:
            yield from decode_message(frames, message, order[low:high])


def decode_message(
    frames: Frames, message: Message, rows: Column | None = None
) -> Iterator[Decoded]:
    """Decode every signal of one message."""
    if rows is None:
        rows = find_rows(frames, message)
    payload, lengths = frames.payload[rows], frames.lengths[rows]
    words = _Payload(payload)
    raws = {each.name: _read_raw(words, each) for each in message.signals}
    there = {each.name: _find_there(each, message, raws) for each in message.signals}
    for signal in message.signals:
        keep = lengths >= count_bytes(signal)
        selected = there[signal.name]
        if selected is not None:
            keep = keep & selected
        if keep.all():
            chosen, raw = rows, raws[signal.name]
        else:
            chosen, raw = rows[keep], raws[signal.name][keep]
        yield Decoded(message.name, signal.name, chosen, raw, scale(raw, signal))


def count_bytes(signal: Signal) -> int:
    """Bytes that a frame must have for the signal to be in it whole."""
    if not signal.big_endian:
        return -(-(signal.first_bit + signal.bit_length) // 8)
    lead = 7 - signal.first_bit % 8
    return signal.first_bit // 8 - (-(lead + signal.bit_length) // 8)


def read_raw(payload: Column, signal: Signal) -> Column:
    """Raw values of a signal of up to 64 bits; bytes beyond the payload count as 0."""
    return _read_raw(_Payload(payload), signal)


def _read_raw(payload: "_Payload", signal: Signal) -> Column:
    word = payload.read_unsigned(signal)
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
    """Payload rows as words; the words of a whole classic frame are made once."""

    def __init__(self, rows: Column) -> None:
        self._rows = rows
        self._whole: dict[str, Column] = {}

    def read_unsigned(self, signal: Signal) -> Column:
        """The signal's bits as whole numbers in an array of its own, whatever they mean."""
        length = min(signal.bit_length, WORD_BITS)
        first, skip = 0, _skip_bits(signal)
        if self._rows.shape[1] != WORD_BYTES or skip + length > WORD_BITS:
            first, skip = skip // 8, skip % 8
        beyond = skip + length - WORD_BITS
        if signal.big_endian:
            word = self._take(first, ">u8") << np.uint64(skip)
            if length < WORD_BITS:
                word >>= np.uint64(WORD_BITS - length)
            if beyond > 0:
                word |= self._take(first + WORD_BYTES, ">u8") >> np.uint64(WORD_BITS - beyond)
            return word
        word = self._take(first, "<u8") >> np.uint64(skip)
        if beyond > 0:
            word |= self._take(first + WORD_BYTES, "<u8") << np.uint64(WORD_BITS - skip)
        if length < WORD_BITS:
            word &= np.uint64((1 << length) - 1)
        return word

    def _take(self, first: int, order: str) -> Column:
        """Eight bytes from a place on, as one number in the machine's order."""
        rows, width = self._rows, self._rows.shape[1]
        if first == 0 and width == WORD_BYTES:
            if order not in self._whole:
                whole = np.ascontiguousarray(rows).view(order).ravel()
                self._whole[order] = whole.astype(np.uint64, copy=False)
            return self._whole[order]
        part = np.zeros((len(rows), WORD_BYTES), np.uint8)
        end = min(width, first + WORD_BYTES)
        if first < end:
            part[:, : end - first] = rows[:, first:end]
        return part.view(order).ravel().astype(np.uint64)


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
