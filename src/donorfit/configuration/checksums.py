"""Checksums inside configuration records.

CRC parameters (polynomial, start value, reflection, final xor) are those of the public catalogue
of parametrised CRC algorithms and of the AUTOSAR CRC library specification; ``sum8`` is the sum of
the bytes modulo 256, ``xor8`` their exclusive or.
"""

from dataclasses import dataclass
from functools import cache

from donorfit.errors import InputError
from donorfit.records.counted import count
from donorfit.vehicle.layout import Checksum

_BYTE = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class _Crc:
    """Parameters of one CRC; ``reflected`` stands for input and output alike."""

    bits: int
    polynomial: int
    start: int
    reflected: bool
    final_xor: int


_CRCS = {
    "crc8-sae-j1850": _Crc(bits=8, polynomial=0x1D, start=0xFF, reflected=False, final_xor=0xFF),
    "crc8-autosar": _Crc(bits=8, polynomial=0x2F, start=0xFF, reflected=False, final_xor=0xFF),
    "crc8-smbus": _Crc(bits=8, polynomial=0x07, start=0, reflected=False, final_xor=0),
    "crc16-ccitt-false": _Crc(
        bits=16, polynomial=0x1021, start=0xFFFF, reflected=False, final_xor=0
    ),
    "crc16-arc": _Crc(bits=16, polynomial=0x8005, start=0, reflected=True, final_xor=0),
    "crc16-xmodem": _Crc(bits=16, polynomial=0x1021, start=0, reflected=False, final_xor=0),
    "crc32-iso-hdlc": _Crc(
        bits=32, polynomial=0x04C11DB7, start=2**32 - 1, reflected=True, final_xor=2**32 - 1
    ),
    "crc32-autosar": _Crc(
        bits=32, polynomial=0xF4ACFB13, start=2**32 - 1, reflected=True, final_xor=2**32 - 1
    ),
    "crc64-xz": _Crc(
        bits=64,
        polynomial=0x42F0E1EBA9EA3693,
        start=2**64 - 1,
        reflected=True,
        final_xor=2**64 - 1,
    ),
}
ALGORITHMS = ("sum8", "xor8", *_CRCS)
"""Names that a pack may use."""


def _reflect(value: int, bits: int) -> int:
    return int(f"{value:0{bits}b}"[::-1], 2)


@cache
def _make_table(crc: _Crc) -> tuple[int, ...]:
    """One entry a byte: reflected algorithms shift right, the others left."""
    top = 1 << (crc.bits - 1)
    ones = (1 << crc.bits) - 1
    mirrored = _reflect(crc.polynomial, crc.bits)
    table = []
    for byte in range(256):
        value = byte if crc.reflected else byte << (crc.bits - _BYTE)
        for _ in range(_BYTE):
            if crc.reflected:
                value = (value >> 1) ^ (mirrored if value & 1 else 0)
            else:
                value = ((value << 1) ^ (crc.polynomial if value & top else 0)) & ones
        table.append(value)
    return tuple(table)


def _run_crc(crc: _Crc, data: bytes) -> int:
    table = _make_table(crc)
    value = crc.start
    ones = (1 << crc.bits) - 1
    for byte in data:
        if crc.reflected:
            value = (value >> _BYTE) ^ table[(value ^ byte) & 0xFF]
        else:
            value = ((value << _BYTE) & ones) ^ table[(value >> (crc.bits - _BYTE)) ^ byte]
    return value ^ crc.final_xor


def get_checksum_bytes(algorithm: str) -> int:
    """How many bytes a checksum takes.

    Raises:
        InputError: no such algorithm.
    """
    if algorithm in _CRCS:
        return _CRCS[algorithm].bits // _BYTE
    if algorithm in ALGORITHMS:
        return 1
    raise InputError(
        what=f"The checksum algorithm {algorithm!r} is not known.",
        why=f"Known are {', '.join(ALGORITHMS)}.",
        next_step="Correct the name in the pack; a record whose checksum is not known "
        "must not be written.",
    )


def compute_checksum(algorithm: str, data: bytes) -> int:
    """Checksum of some bytes.

    Raises:
        InputError: no such algorithm.
    """
    get_checksum_bytes(algorithm)
    if algorithm == "sum8":
        return sum(data) & 0xFF
    if algorithm == "xor8":
        value = 0
        for byte in data:
            value ^= byte
        return value
    return _run_crc(_CRCS[algorithm], data)


def find_checksum_place(checksum: Checksum) -> range:
    """Bytes that hold the checksum itself."""
    return range(checksum.byte, checksum.byte + get_checksum_bytes(checksum.algorithm))


def _cover(checksum: Checksum, data: bytes) -> bytes:
    place = find_checksum_place(checksum)
    covered = range(checksum.first_byte, checksum.last_byte + 1)
    if place.stop > len(data) or covered.stop > len(data):
        raise InputError(
            what=f"The checksum reaches beyond a record of {count(len(data), 'byte')}.",
            where=f"checksum at byte {checksum.byte}, "
            f"over bytes {checksum.first_byte} to {checksum.last_byte}",
            next_step="Check the layout in the pack against the length of the record.",
        )
    return bytes(data[each] for each in covered if each not in place)


def read_checksum(checksum: Checksum, data: bytes) -> int | None:
    """The checksum that the bytes hold; None where they end before it."""
    place = find_checksum_place(checksum)
    return None if place.stop > len(data) else int.from_bytes(data[place.start : place.stop])


def is_checksum_right(checksum: Checksum, data: bytes) -> bool:
    """Whether the checksum in the bytes fits the other bytes.

    Raises:
        InputError: no such algorithm, or the bytes are too short.
    """
    return read_checksum(checksum, data) == compute_checksum(
        checksum.algorithm, _cover(checksum, data)
    )


def write_checksum(checksum: Checksum, data: bytes) -> bytes:
    """The bytes with their checksum computed anew.

    Raises:
        InputError: no such algorithm, or the bytes are too short.
    """
    value = compute_checksum(checksum.algorithm, _cover(checksum, data))
    place = find_checksum_place(checksum)
    return data[: place.start] + value.to_bytes(len(place)) + data[place.stop :]
