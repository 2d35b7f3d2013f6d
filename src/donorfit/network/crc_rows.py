"""Cyclic redundancy checks by name, and their algebra on whole numbers as polynomials.

A number stands for a polynomial over one bit: bit ``n`` is the coefficient of ``x**n``. Sources of
the parameters: AUTOSAR's specification of CRC routines and the public catalogue of CRC algorithms,
both as restated in public test files.
"""

from dataclasses import dataclass

_REVERSED = bytes(int(f"{byte:08b}"[::-1], 2) for byte in range(256))


@dataclass(frozen=True, slots=True, kw_only=True)
class CrcRow:
    """One algorithm.

    Attributes:
        name: what the trade calls it.
        width: bits of the check.
        polynomial: without the highest bit.
        initial: start value of the register.
        reflected: least significant bit of each byte first, register reversed at the end.
        final_xor: what the register is mixed with at the end.
    """

    name: str
    width: int
    polynomial: int
    initial: int
    reflected: bool
    final_xor: int

    def compute(self, data: bytes) -> int:
        """Check of some bytes."""
        ordered = data.translate(_REVERSED) if self.reflected else data
        start = self.initial << 8 * len(data)
        message = int.from_bytes(ordered, "big") << self.width
        register = take_remainder(message ^ start, self.polynomial | 1 << self.width)
        if self.reflected:
            register = reverse_bits(register, self.width)
        return register ^ self.final_xor


def _row(
    name: str, width: int, polynomial: int, *, ones: bool, reflected: bool, inverted: bool
) -> CrcRow:
    every = (1 << width) - 1
    return CrcRow(
        name=name,
        width=width,
        polynomial=polynomial,
        initial=every * ones,
        reflected=reflected,
        final_xor=every * inverted,
    )


CRC_ROWS = (
    _row("CRC-8 SAE J1850", 8, 0x1D, ones=True, reflected=False, inverted=True),
    _row("CRC-8 AUTOSAR (8H2F)", 8, 0x2F, ones=True, reflected=False, inverted=True),
    _row("CRC-8 SMBUS", 8, 0x07, ones=False, reflected=False, inverted=False),
    _row("CRC-8 MAXIM", 8, 0x31, ones=False, reflected=True, inverted=False),
    _row("CRC-16 CCITT-FALSE (AUTOSAR)", 16, 0x1021, ones=True, reflected=False, inverted=False),
    _row("CRC-16 XMODEM", 16, 0x1021, ones=False, reflected=False, inverted=False),
    _row("CRC-16 X-25", 16, 0x1021, ones=True, reflected=True, inverted=True),
    _row("CRC-16 ARC", 16, 0x8005, ones=False, reflected=True, inverted=False),
    _row("CRC-16 MODBUS", 16, 0x8005, ones=True, reflected=True, inverted=False),
    _row("CRC-32 ISO-HDLC", 32, 0x04C11DB7, ones=True, reflected=True, inverted=True),
    _row("CRC-32P4 AUTOSAR", 32, 0xF4ACFB13, ones=True, reflected=True, inverted=True),
    _row("CRC-32C", 32, 0x1EDC6F41, ones=True, reflected=True, inverted=True),
    _row("CRC-64 XZ (AUTOSAR)", 64, 0x42F0E1EBA9EA3693, ones=True, reflected=True, inverted=True),
)


def take_remainder(dividend: int, divisor: int) -> int:
    """Remainder of a division of polynomials; the divisor is not 0."""
    length = divisor.bit_length()
    while (excess := dividend.bit_length() - length) >= 0:
        dividend ^= divisor << excess
    return dividend


def find_common_divisor(first: int, second: int) -> int:
    """Greatest common divisor of two polynomials (Euclid)."""
    while second:
        first, second = second, take_remainder(first, second)
    return first


def compute_rank(numbers: list[int]) -> int:
    """How many of some bit rows are linearly independent."""
    basis: dict[int, int] = {}
    for each in numbers:
        rest = each
        while rest:
            top = rest.bit_length()
            if top not in basis:
                basis[top] = rest
                break
            rest ^= basis[top]
    return len(basis)


def reverse_bits(value: int, width: int) -> int:
    """The lowest ``width`` bits in opposite order."""
    size = -(-width // 8)
    mirrored = value.to_bytes(size, "little").translate(_REVERSED)
    return int.from_bytes(mirrored, "big") >> 8 * size - width


def mirror_bytes(data: bytes) -> bytes:
    """Every byte with its bits in opposite order."""
    return data.translate(_REVERSED)
