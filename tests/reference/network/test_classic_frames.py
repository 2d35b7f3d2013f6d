"""Classic CAN frames built bit by bit, and a published bound that they pass: a trap.

Sources: Davis, Burns, Bril, Lukkien 2007 for the bound; a public bus-load code for the older one,
``(269 + 48 n) / 5``; the frame of payload 00CA22FF5566AADF at 0x123 is a question on a public
question-and-answer site, its stuffing counted here.
"""

import random

import pytest
from crccheck.crc import CrcBase

from donorfit.network import compute_plain_bits, compute_worst_bits

pytestmark = pytest.mark.reference


class Crc15(CrcBase):
    """CRC-15/CAN, check 059E over "123456789" (public catalogue)."""

    _width, _poly, _initvalue, _reflect_input, _reflect_output, _xor_output = (
        15, 0x4599, 0, False, False, 0
    )  # fmt: skip


def to_bits(value: int, width: int) -> list[int]:
    return [value >> place & 1 for place in reversed(range(width))]


def build_stuffable(identifier: int, data: bytes, *, extended: bool) -> list[int]:
    """Start of frame to the end of the CRC: the bits that are stuffed."""
    bits = [0]
    if extended:
        bits += [*to_bits(identifier >> 18, 11), 1, 1, *to_bits(identifier & 0x3FFFF, 18), 0, 0, 0]
    else:
        bits += [*to_bits(identifier, 11), 0, 0, 0]
    bits += to_bits(len(data), 4)
    for byte in data:
        bits += to_bits(byte, 8)
    crc = 0
    for bit in bits:
        out = crc >> 14 & 1 ^ bit
        crc = crc << 1 & 0x7FFF
        if out:
            crc ^= 0x4599
    return bits + to_bits(crc, 15)


def count_stuffed(bits: list[int]) -> int:
    run, last, stuffed = 0, -1, 0
    for bit in bits:
        run, last = (run + 1, last) if bit == last else (1, bit)
        if run == 5:
            stuffed, run, last = stuffed + 1, 1, 1 - bit
    return stuffed


def test_the_check_value_of_the_crc():
    assert Crc15.calc(b"123456789") == 0x059E
    bits = [bit for byte in b"123456789" for bit in to_bits(byte, 8)]
    crc = 0
    for bit in bits:
        out = crc >> 14 & 1 ^ bit
        crc = (crc << 1 & 0x7FFF) ^ (0x4599 if out else 0)
    assert crc == 0x059E


def test_a_published_question():
    bits = build_stuffable(0x123, bytes.fromhex("00CA22FF5566AADF"), extended=False)
    assert (len(bits), count_stuffed(bits)) == (98, 4)
    assert compute_plain_bits(8, extended=False) + 4 == 115


def test_no_built_frame_is_longer_than_computed_and_some_pass_the_older_bound():
    dice = random.Random(2007)
    beyond = 0
    pattern = "".join(str(1 - int(bit)) * 4 for bit in "01" * 40)
    for _ in range(6000):
        extended = dice.random() < 0.3
        length = dice.choice((1, 2, 4, 8, 8, 8))
        shift = dice.randrange(8)
        if dice.random() < 0.3:
            data = dice.randbytes(length)
        else:
            data = bytes(int(pattern[shift + 8 * n : shift + 8 * n + 8], 2) for n in range(length))
        identifier = dice.getrandbits(29 if extended else 11)
        if dice.random() < 0.5 and not extended:
            identifier = dice.choice((0x078, 0x03C, 0x01E, 0x00F, 0x787, 0x7C3, 0x043, 0x0F0))
        frame = build_stuffable(identifier, data, extended=extended)
        total = len(frame) + count_stuffed(frame) + 13
        assert total - count_stuffed(frame) == compute_plain_bits(length, extended=extended)
        assert total <= compute_worst_bits(length, extended=extended)
        if not extended and length == 8:
            beyond = max(beyond, total)
    # The older bound says 130.6 bits for 8 bytes; a real frame is longer.
    assert (269 + 48 * 8) / 5 < beyond <= 135
