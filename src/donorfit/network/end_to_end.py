"""What goes into a CRC besides the bytes on the bus, and which AUTOSAR E2E profile it looks like.

The check minus that of the bytes alone (start 0) is left over from start value, final xor and
whatever is taken in unseen. Closed form for start ``S`` and final xor ``F`` over ``n`` bytes:
``S * x**(8 * n) + F modulo P``. Layouts of the profiles: AUTOSAR E2E protocol specification as
restated in public tests.
"""

from dataclasses import dataclass
from enum import Enum
from itertools import product

import numpy as np

from donorfit.network.byte_checks import Check
from donorfit.network.counters import Counter
from donorfit.network.crc_rows import CRC_ROWS, mirror_bytes, reverse_bits, take_remainder
from donorfit.network.frames import Column

MOST_FRAMES = 128
_ID_BYTES = 2


class Inclusion(Enum):
    """What goes into a CRC besides the bytes on the bus."""

    NOTHING = "nothing but the bytes on the bus"
    FIXED = "a fixed value that is not on the bus, such as a data id"
    BY_COUNTER = "a value that changes with the counter, such as a list of data ids"
    UNTOLD = "something that this record does not tell"


@dataclass(frozen=True, slots=True, kw_only=True)
class EndToEnd:
    """What is known of the unseen part of a CRC.

    Attributes:
        inclusion: what goes in.
        name: catalogue name of the CRC where nothing else goes in and it is in the list here.
        profile: AUTOSAR E2E profile that it agrees with; empty where it agrees with none.
        data_id: data id under that profile, None where it cannot be told. Any 16-bit remainder
            fits one id, so this is a proposal and no proof.
    """

    inclusion: Inclusion
    name: str
    profile: str
    data_id: int | None


def judge_end_to_end(rows: Column, counters: tuple[Counter, ...], check: Check) -> EndToEnd:
    """Look at what a CRC takes in.

    Args:
        rows: one row a frame.
        counters: counters of the message.
        check: a CRC that fits them.
    """
    rows = rows[:MOST_FRAMES]
    rests = [_find_rest(row.tobytes(), check) for row in rows]
    taken = rows.shape[1] - check.width // 8 + check.trailing
    inclusion = _judge_inclusion(rows, counters, rests, check)
    name = _name(check, rests[0], taken) if inclusion is Inclusion.NOTHING else ""
    profile = _find_profile(counters, check, inclusion)
    return EndToEnd(
        inclusion=inclusion,
        name=name,
        profile=profile,
        data_id=_find_data_id(rows, check, profile, rests[0]),
    )


def _find_rest(row: bytes, check: Check) -> int:
    """Check of a frame without that of its bytes alone."""
    end = check.byte + check.width // 8
    data, own = row[: check.byte] + row[end:], row[check.byte : end]
    data = data[::-1] if check.backwards else data
    value = int.from_bytes(own, "little" if check.low_byte_first else "big")
    if check.reflected:
        data, value = mirror_bytes(data), reverse_bits(value, check.width)
    message = int.from_bytes(data, "big") << check.width + 8 * check.trailing
    return take_remainder(message, _whole(check)) ^ value


def _whole(check: Check) -> int:
    return check.polynomial | 1 << check.width


def _list_plain_rests(check: Check, taken: int) -> dict[int, tuple[bool, bool]]:
    """Rests of every usual start and final value: remainder to (start all ones, inverted)."""
    every = (1 << check.width) - 1
    return {
        take_remainder(every * ones << 8 * taken, _whole(check)) ^ every * inverted: (
            bool(ones),
            bool(inverted),
        )
        for ones, inverted in product((0, 1), repeat=2)
    }


def _judge_inclusion(
    rows: Column, counters: tuple[Counter, ...], rests: list[int], check: Check
) -> Inclusion:
    if len(set(rests)) == 1:
        taken = rows.shape[1] - check.width // 8 + check.trailing
        plain = not check.trailing and rests[0] in _list_plain_rests(check, taken)
        return Inclusion.NOTHING if plain else Inclusion.FIXED
    if counters:
        values = counters[0].read(rows).tolist()
        if len(set(zip(values, rests, strict=True))) == len(set(values)):
            return Inclusion.BY_COUNTER
    return Inclusion.UNTOLD


def _name(check: Check, rest: int, taken: int) -> str:
    ones, inverted = _list_plain_rests(check, taken)[rest]
    every = (1 << check.width) - 1
    facts = (check.width, check.polynomial, check.reflected, every * ones, every * inverted)
    return next(
        (
            each.name
            for each in CRC_ROWS
            if facts == (each.width, each.polynomial, each.reflected, each.initial, each.final_xor)
        ),
        "",
    )


def _find_profile(counters: tuple[Counter, ...], check: Check, inclusion: Inclusion) -> str:
    """Name of the profile whose polynomial, layout and counter these are."""
    moduli = {(each.byte - check.byte, each.modulus) for each in counters}
    kind = (check.polynomial, check.reflected, check.low_byte_first)
    behind = check.trailing == _ID_BYTES and inclusion is Inclusion.FIXED
    by_counter = inclusion is Inclusion.BY_COUNTER
    ways = (
        ("profile 1 or 11", kind == (0x1D, False, False) and (1, 15) in moduli),
        ("profile 2", kind == (0x2F, False, False) and by_counter and (1, 16) in moduli),
        ("profile 5", kind == (0x1021, False, True) and behind and _counts(moduli, 2)),
        ("profile 6", kind == (0x1021, False, False) and behind and _counts(moduli, 4)),
        ("profile 4", kind == (0xF4ACFB13, True, False) and _counts(moduli, -5)),
        ("profile 7", kind == (0x42F0E1EBA9EA3693, True, False) and _counts(moduli, 15)),
    )
    return next((name for name, fits in ways if fits and not check.backwards), "")


def _find_data_id(rows: Column, check: Check, profile: str, rest: int) -> int | None:
    match profile:
        case "profile 4":
            return _read_id(rows, check.byte - 4)
        case "profile 7":
            return _read_id(rows, check.byte + 16)
        case "profile 5":
            swapped = _solve_last_two(check, rest, rows.shape[1])
            return swapped >> 8 | (swapped & 0xFF) << 8
        case "profile 6":
            return _solve_last_two(check, rest, rows.shape[1])
        case _:
            return None


def _counts(moduli: set[tuple[int, int]], place: int) -> bool:
    """Whether the byte at that distance from the check counts over its whole range."""
    return any(where == place and modulus > 16 for where, modulus in moduli)  # noqa: PLR2004


def _solve_last_two(check: Check, rest: int, length: int) -> int:
    """Two unseen bytes at the end with start FFFFh: what is left, divided by ``x`` 16 times.

    The check is as long as the two unseen bytes, so as many are taken in as the frame has.
    """
    value = rest ^ take_remainder(0xFFFF << 8 * length, _whole(check))
    for _ in range(16):
        value = (value ^ _whole(check) if value & 1 else value) >> 1
    return value


def _read_id(rows: Column, place: int) -> int | None:
    """A data id that is sent in clear: four bytes that never move."""
    columns = rows[:, place : place + 4]
    if columns.shape[1] < 4 or not (columns == columns[0]).all():  # noqa: PLR2004
        return None
    return int.from_bytes(np.ascontiguousarray(columns[0]).tobytes(), "big")
