"""The compiled loops, where there are any and they give what is right."""

import functools

import numpy as np

from donorfit.edge.logs.compiling import NoCompilerError, is_kept
from donorfit.network.asc_text import read_asc
from donorfit.network.candump_text import read_candump
from donorfit.network.decode import decode_network
from donorfit.network.frames import Frames
from donorfit.network.loops import Loops
from donorfit.vehicle.network import Message, Network, NetworkKind, Signal

# Below this many bytes of record, starting the compiler costs more than the loops save.
WORTH_BYTES = 24 << 20

_CANDUMP = (
    b"(1.000000) a 123#0011223344556677\n(1.500000) b 1ABCDEF0#00\nrubbish\n"
    b"(2.000000) a 124##1000102030405060708090A0B T\n  a  123   [2]  00 11\n"
)
_ASC = (
    b"   1.000000 1  123             Rx   d 8 00 11 22 33 44 55 66 77  Length = 1\n"
    b"   1.500000 2  1ABCDEF0x       Tx   d 1 00\nrubbish\n"
    b"   2.000000 CANFD   1 Rx        124  Name 0 0 9 12 00 01 02 03 04 05 06 07 08 09 0A 0B 1\n"
)
_MESSAGE = Message(
    name="m",
    frame_id=0x123,
    extended=False,
    length_bytes=8,
    cycle_ms=None,
    senders=(),
    receivers=(),
    signals=tuple(
        Signal(
            name=f"{length}{signed}{big}",
            first_bit=7 if big else 0,
            bit_length=length,
            big_endian=big,
            signed=signed,
            factor=0.5,
            offset=1.0,
        )
        for length in (12, 40)
        for signed in (False, True)
        for big in (False, True)
    ),
)


def find_loops(record_bytes: int = WORTH_BYTES) -> Loops | None:
    """The loops, if a record of this size is worth starting the compiler for.

    They are compiled at the first use ever, in some seconds, and kept. None where numba (the extra
    ``fast``) is not installed, cannot keep what it compiles, fails, or gives anything else than
    the readers without loops give for a few lines of every kind.
    """
    return _compile() if is_worth(record_bytes) else None


def is_worth(record_bytes: int) -> bool:
    """Whether starting the compiler takes less time than it saves for a record of this size."""
    return record_bytes >= WORTH_BYTES


def are_kept() -> bool | None:
    """Whether the loops were compiled before; None where they cannot be."""
    loops = _import_loops()
    return None if loops is None else all(is_kept(each) for each in loops)


@functools.cache
def _import_loops() -> Loops | None:
    try:
        from donorfit.edge.logs.asc_loop import scan_asc  # noqa: PLC0415 - starts the compiler
        from donorfit.edge.logs.candump_loop import scan_candump  # noqa: PLC0415
        from donorfit.edge.logs.decode_loops import (  # noqa: PLC0415
            group_ids,
            place_rows,
            scale_bits,
            take_words,
        )
        from donorfit.edge.logs.object_loop import scan_objects  # noqa: PLC0415
    except NoCompilerError:
        return None
    return Loops(
        scan_candump, scan_asc, scan_objects, group_ids, place_rows, take_words, scale_bits
    )


@functools.cache
def _compile() -> Loops | None:
    loops = _import_loops()
    if loops is None:
        return None
    try:
        return loops if _is_right(loops) else None
    except Exception:  # noqa: BLE001 - a damaged cache, a compiler that does not fit this Python
        return None


def _is_right(loops: Loops) -> bool:
    network = Network(name="n", kind=NetworkKind.CAN, bit_rate=0, messages=(_MESSAGE,))
    for read, text in ((read_candump, _CANDUMP), (read_asc, _ASC)):
        fast, plain = read(text, loops), read(text)
        if fast.left_out != plain.left_out or not _are_equal(fast.frames, plain.frames):
            return False
        ours = list(decode_network(fast.frames, network, loops))
        theirs = list(decode_network(plain.frames, network))
        if len(ours) != len(theirs) or not all(
            np.array_equal(one.values, other.values) and np.array_equal(one.rows, other.rows)
            for one, other in zip(ours, theirs, strict=True)
        ):
            return False
    return True


def _are_equal(one: Frames, other: Frames) -> bool:
    pairs = zip((*one[:6], *one.long), (*other[:6], *other.long), strict=True)
    same = all(np.array_equal(a, b, equal_nan=a.dtype.kind == "f") for a, b in pairs)
    return same and one.channel_names == other.channel_names
