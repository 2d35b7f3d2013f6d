"""Checksums that units test before they store a record.

Written here once more, so that the car does not borrow what it checks. Parameters: the catalogue
of parametrised CRC algorithms (check value over ``123456789`` in brackets): CRC-8/SAE-J1850 (4B),
CRC-8/AUTOSAR (DF), CRC-16/IBM-3740, known as CCITT-FALSE (29B1).
"""

from collections.abc import Callable, Mapping
from types import MappingProxyType

_BYTE_BITS = 8


def _crc(content: bytes, *, bits: int, polynomial: int, start: int, final: int) -> bytes:
    """CRC without reflection, most significant bit first."""
    top = 1 << (bits - 1)
    mask = (1 << bits) - 1
    register = start
    for byte in content:
        register ^= byte << (bits - _BYTE_BITS)
        for _ in range(_BYTE_BITS):
            register = ((register << 1) ^ (polynomial if register & top else 0)) & mask
    return (register ^ final).to_bytes(bits // _BYTE_BITS, "big")


def _sum8(content: bytes) -> bytes:
    return bytes((sum(content) & 0xFF,))


def _xor8(content: bytes) -> bytes:
    value = 0
    for byte in content:
        value ^= byte
    return bytes((value,))


ALGORITHMS: Mapping[str, Callable[[bytes], bytes]] = MappingProxyType(
    {
        "crc8-sae-j1850": lambda content: _crc(
            content, bits=8, polynomial=0x1D, start=0xFF, final=0xFF
        ),
        "crc8-autosar": lambda content: _crc(
            content, bits=8, polynomial=0x2F, start=0xFF, final=0xFF
        ),
        "crc16-ccitt-false": lambda content: _crc(
            content, bits=16, polynomial=0x1021, start=0xFFFF, final=0
        ),
        "sum8": _sum8,
        "xor8": _xor8,
    }
)


def is_right(content: bytes, algorithm: str, byte: int, first_byte: int, last_byte: int) -> bool:
    """Whether a record carries the right checksum; its own bytes are left out of the sum."""
    width = len(ALGORITHMS[algorithm](b""))
    own = range(byte, byte + width)
    covered = bytes(
        value
        for place, value in enumerate(content)
        if first_byte <= place <= last_byte and place not in own
    )
    return content[byte : byte + width] == ALGORITHMS[algorithm](covered)
