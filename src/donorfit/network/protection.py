"""Find counters and check bytes in the frames of one message.

A counter is a field that steps by one from frame to frame, modulo its range or up to 14 (AUTOSAR
E2E profiles 1 and 11). A CRC-8 is found by differences of frame pairs with the *same* counter
value: initial value, final xor, data id and lists of ids by counter cancel out, so what remains is
linear: ``crc(a xor b) = check(a) xor check(b)`` with initial value 0. All 128 polynomials with a
constant term are tried at every byte. Sums and xor are tried directly. Source of the algebra: the
definition of a CRC; profiles: AUTOSAR E2E protocol specification as restated in public tests.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from enum import Enum
from functools import cache
from itertools import groupby, pairwise

import numpy as np

from donorfit.network.frames import Column

LEAST_FRAMES = 12
MOST_FRAMES = 512
MOST_PAIRS = 64
LEAST_PAIRS = 4
FIRST_PAIRS = 6
LEAST_VARIED = 3
MOST_TRAILING = 2
_FALSE_ALARM_BITS = 24
"""Bits of agreement before a check is believed: 2**-24 by chance for one candidate."""
_AUTOSAR_TOP = 14


class CheckKind(Enum):
    """Kinds of check byte."""

    CRC8 = "CRC-8"
    SUM = "sum of bytes"
    XOR = "xor of bytes"


@dataclass(frozen=True, slots=True, kw_only=True)
class Counter:
    """A counter in a message.

    Attributes:
        byte: its byte.
        high_half: in the upper four bits; for four-bit counters.
        bits: 4 or 8.
        top: highest value: 14, 15 or 255.
        agreement: share of steps that fit (lost frames do not).
    """

    byte: int
    high_half: bool
    bits: int
    top: int
    agreement: float


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckByte:
    """One way in which a byte checks the others.

    Attributes:
        kind: how it is computed.
        byte: its place.
        polynomial: of a CRC-8, without the highest bit; 0 otherwise.
        reflected: least significant bit first.
        backwards: bytes are taken from the last to the first.
        trailing: bytes behind the data that never reach the bus, such as a data id.
        pairs: pairs of frames that agree, all of those tried.
    """

    kind: CheckKind
    byte: int
    polynomial: int
    reflected: bool
    backwards: bool
    trailing: int
    pairs: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Protection:
    """What protects a message.

    Attributes:
        frames: frames looked at.
        counters: counters found.
        checks: every check that fits; several mean that a longer record is needed.
        reason: the finding in one sentence.
    """

    frames: int
    counters: tuple[Counter, ...]
    checks: tuple[CheckByte, ...]
    reason: str


def find_protection(payload: Column) -> Protection:
    """Look for counters and check bytes in consecutive frames of one message.

    Args:
        payload: one row a frame in order, all of the same length, at most eight columns used.
    """
    rows = payload[:MOST_FRAMES, :8]
    if len(rows) < LEAST_FRAMES:
        reason = f"{len(rows)} frames are too few; {LEAST_FRAMES} are needed"
        return Protection(frames=len(rows), counters=(), checks=(), reason=reason)
    counters = tuple(_find_counters(rows))
    checks = tuple(_find_checks(rows, counters))
    return Protection(
        frames=len(rows), counters=counters, checks=checks, reason=_describe(counters, checks)
    )


def _find_counters(rows: Column) -> Iterator[Counter]:
    for byte in range(rows.shape[1]):
        column = rows[:, byte]
        whole = _judge_counter(column, byte, bits=8, high=False)
        low = _judge_counter(column & 0x0F, byte, bits=4, high=False)
        high = _judge_counter(column >> 4, byte, bits=4, high=True)
        # A whole byte counts in its lower half too; a half that counts nearly looks like a byte.
        if whole is not None and (low is None or whole.agreement >= low.agreement):
            yield whole
        else:
            yield from (each for each in (low, high) if each is not None)


def _judge_counter(values: Column, byte: int, *, bits: int, high: bool) -> Counter | None:
    steps = values.astype(np.int64)
    best: Counter | None = None
    for top in (255,) if bits == 8 else (_AUTOSAR_TOP, 15):  # noqa: PLR2004
        if steps.max() > top:
            continue
        agreement = float((np.diff(steps) % (top + 1) == 1).mean())
        if agreement >= 0.8 and (best is None or agreement > best.agreement):  # noqa: PLR2004
            best = Counter(byte=byte, high_half=high, bits=bits, top=top, agreement=agreement)
    return best


def _find_checks(rows: Column, counters: tuple[Counter, ...]) -> Iterator[CheckByte]:
    pairs = _pair_frames(rows, counters)
    differences = rows[pairs[:, 0]] ^ rows[pairs[:, 1]] if len(pairs) else rows[:0]
    for byte in range(rows.shape[1]):
        if len(np.unique(rows[:, byte])) < LEAST_VARIED:
            continue
        if any(each.byte == byte and each.bits == 8 for each in counters):  # noqa: PLR2004
            continue
        others = np.delete(rows, byte, axis=1)
        plain = list(_try_plain(rows[:, byte], others, byte))
        yield from plain
        if not plain:
            yield from _try_crc(differences, byte)


def _pair_frames(rows: Column, counters: tuple[Counter, ...]) -> Column:
    """Pairs of frames with equal counter value and different content."""
    if counters:
        first = counters[0]
        values = rows[:, first.byte]
        if first.bits == 4:  # noqa: PLR2004
            values = values >> 4 if first.high_half else values & 0x0F
    else:
        values = np.zeros(len(rows), np.uint8)
    order = np.argsort(values, kind="stable")
    pairs = [
        (before, after)
        for _, same in groupby(order, key=lambda row: values[row])
        for before, after in pairwise(same)
        if (rows[before] != rows[after]).any()
    ]
    step = max(1, len(pairs) // MOST_PAIRS)
    return np.array(pairs[::step][:MOST_PAIRS], np.int64).reshape(-1, 2)


def _try_plain(check: Column, others: Column, byte: int) -> Iterator[CheckByte]:
    """Sum and xor with any constant added: the difference to the check byte never moves."""
    total = others.sum(axis=1, dtype=np.uint64).astype(np.uint8)
    mixed = np.bitwise_xor.reduce(others, axis=1)
    for kind, value in ((CheckKind.SUM, check - total), (CheckKind.XOR, check ^ mixed)):
        # A byte that equals one moving neighbour would pass too; ask for two that move.
        moving = sum(len(np.unique(column)) >= LEAST_VARIED for column in others.T)
        if len(np.unique(value)) == 1 and moving >= 2:  # noqa: PLR2004
            yield CheckByte(
                kind=kind,
                byte=byte,
                polynomial=0,
                reflected=False,
                backwards=False,
                trailing=0,
                pairs=len(check),
            )


def _try_crc(differences: Column, byte: int) -> Iterator[CheckByte]:
    others = np.delete(differences, byte, axis=1)
    check = differences[:, byte]
    useful = others.any(axis=1)
    others, check = others[useful], check[useful]
    distinct = len(np.unique(np.column_stack([others, check]), axis=0)) if len(check) else 0
    if distinct < LEAST_PAIRS or 8 * distinct < _FALSE_ALARM_BITS or not check.any():
        return
    for reflected in (False, True):
        tables = _list_tables(reflected=reflected)
        for backwards in (False, True):
            if not _may_fit(tables, others, check, backwards=backwards):
                continue
            state = _run_all(tables, others[:, ::-1] if backwards else others)
            for trailing in range(MOST_TRAILING + 1):
                for place in np.flatnonzero((state == check[None, :]).all(axis=1)):
                    yield CheckByte(
                        kind=CheckKind.CRC8,
                        byte=byte,
                        polynomial=2 * int(place) + 1,
                        reflected=reflected,
                        backwards=backwards,
                        trailing=trailing,
                        pairs=len(check),
                    )
                state = np.take_along_axis(tables, state, axis=1)  # one more byte, difference 0


def _may_fit(tables: Column, others: Column, check: Column, *, backwards: bool) -> bool:
    """Whether any polynomial survives the first few pairs; most do not."""
    some = others[:FIRST_PAIRS, ::-1] if backwards else others[:FIRST_PAIRS]
    state = _run_all(tables, some)
    for _ in range(MOST_TRAILING + 1):
        if (state == check[None, :FIRST_PAIRS]).all(axis=1).any():
            return True
        state = np.take_along_axis(tables, state, axis=1)
    return False


def _run_all(tables: Column, data: Column) -> Column:
    """CRC with initial value 0 of every row under every polynomial: (128, rows)."""
    state = np.zeros((len(tables), len(data)), np.uint8)
    which = np.arange(len(tables))[:, None]
    for column in range(data.shape[1]):
        state = tables[which, state ^ data[None, :, column]]
    return state


@cache
def _list_tables(*, reflected: bool) -> Column:
    """One 256-entry table for each of the 128 polynomials with a constant term."""
    polynomials: Column = np.arange(1, 256, 2, dtype=np.uint8)
    if reflected:
        polynomials = np.array([int(f"{each:08b}"[::-1], 2) for each in polynomials], np.uint8)
    values: Column = np.broadcast_to(np.arange(256, dtype=np.uint8), (128, 256)).copy()
    for _ in range(8):
        if reflected:
            out = values & 1
            values = (values >> 1) ^ np.where(out, polynomials[:, None], 0).astype(np.uint8)
        else:
            out = values >> 7
            values = (values << 1) ^ np.where(out, polynomials[:, None], 0).astype(np.uint8)
    values.flags.writeable = False
    return values


def _describe(counters: tuple[Counter, ...], checks: tuple[CheckByte, ...]) -> str:
    if not checks:
        return "a counter, no check found" if counters else "no counter, no check found"
    names = ", ".join(
        f"{each.kind.value} {each.polynomial:#04x} in byte {each.byte}"
        if each.kind is CheckKind.CRC8
        else f"{each.kind.value} in byte {each.byte}"
        for each in checks[:4]
    )
    several = "; several fit, a record of a drive would tell them apart" if len(checks) > 1 else ""
    return f"{'a counter and ' if counters else ''}{names}{several}"
