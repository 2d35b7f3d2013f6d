"""CAN FD frame lengths against published figures and against frames built bit by bit here.

Sources: field lengths and the table of longest frames in the discussion of the Linux kernel's
``linux/can/length.h`` (2023): 64 bytes take 579 and 598 bits without dynamic stuff bits, 712 and
736 with the most that can be; CRC polynomials 3685Bh and 302899h (public training page of a
measuring-tool maker); frame layout ISO 11898-1:2015.
"""

import random

import pytest

from donorfit.network.flexible_frame_bits import (
    LENGTHS,
    compute_plain_flexible_bits,
    compute_worst_flexible_bits,
)

pytestmark = pytest.mark.reference

POLYNOMIALS = {17: 0x3685B, 21: 0x302899}


@pytest.mark.parametrize(("extended", "plain", "worst"), [(False, 579, 712), (True, 598, 736)])
def test_published_longest_frames(extended, plain, worst):
    assert sum(compute_plain_flexible_bits(64, extended=extended)) == plain
    assert sum(compute_worst_flexible_bits(64, extended=extended)) == worst


@pytest.mark.parametrize("length", LENGTHS)
def test_published_field_lengths(length):
    """22 and 41 bits of head, 28 or 33 of CRC field, 9 of foot, 3 of gap: the same header."""
    crc = 28 if length <= 16 else 33
    for extended, head in ((False, 22), (True, 41)):
        plain = compute_plain_flexible_bits(length, extended=extended)
        assert sum(plain) == head + 8 * length + crc + 9 + 3
        worst = compute_worst_flexible_bits(length, extended=extended)
        stuffed = head + 8 * length
        assert sum(worst) - sum(plain) == (stuffed - 1) // 4


def to_bits(value: int, width: int) -> list[int]:
    return [value >> place & 1 for place in reversed(range(width))]


def build_frame(identifier: int, data: bytes, *, extended: bool, switched: bool):
    """Every bit on the wire, each with whether it runs at the data bit rate."""
    slow = [0]
    if extended:
        slow += [*to_bits(identifier >> 18, 11), 1, 1, *to_bits(identifier & 0x3FFFF, 18), 0]
    else:
        slow += [*to_bits(identifier, 11), 0, 0]
    slow += [1, 0, int(switched)]
    fast = [0, *to_bits(LENGTHS.index(len(data)), 4)]
    for byte in data:
        fast += to_bits(byte, 8)
    sent: list[tuple[int, bool]] = []
    run, last, stuffed = 0, -1, 0
    plain = [*((bit, False) for bit in slow), *((bit, True) for bit in fast)]
    for place, (bit, quick) in enumerate(plain):
        sent.append((bit, quick))
        run, last = (run + 1, last) if bit == last else (1, bit)
        if run == 5 and place < len(plain) - 1:
            # The bit behind BRS follows the sample point, so it is quick already.
            quick_stuff = quick or place == len(slow) - 1
            last, run, stuffed = 1 - bit, 1, stuffed + 1
            sent.append((last, quick_stuff))
    width = 17 if len(data) <= 16 else 21
    gray = stuffed % 8 ^ stuffed % 8 >> 1
    count = [*to_bits(gray, 3), gray.bit_count() & 1]
    crc = 1 << (width - 1)
    for bit, _ in [*sent, *((each, True) for each in count)]:
        out = crc >> (width - 1) & 1 ^ bit
        crc = crc << 1 & (1 << width) - 1
        if out:
            crc ^= POLYNOMIALS[width] & (1 << width) - 1
    for place, bit in enumerate([*count, *to_bits(crc, width)]):
        if place % 4 == 0:
            sent.append((1 - sent[-1][0], True))
        sent.append((bit, True))
    sent += [(1, False)] * (1 + 2 + 7 + 3)
    return sent, stuffed


def make_payload(dice: random.Random, length: int) -> bytes:
    """Random bytes, or runs that ask for as many stuff bits as can be."""
    kind = dice.randrange(4)
    if kind == 0:
        return dice.randbytes(length)
    if kind == 1:
        return bytes([dice.choice((0x00, 0xFF))]) * length
    text = "".join(str(1 - int(bit)) * 4 for bit in "01" * 256)
    shift = dice.randrange(8)
    return bytes(int(text[shift + 8 * n : shift + 8 * n + 8], 2) for n in range(length))


def test_no_built_frame_is_longer_than_computed():
    """4 000 frames with every stuff bit, stuff count, CRC and fixed stuff bit in place."""
    dice = random.Random(11898)
    closest: dict[bool, int] = {False: 99, True: 99}
    most = 0
    for _ in range(4000):
        extended = dice.random() < 0.5
        length = dice.choice(LENGTHS)
        identifier = dice.choice((0, dice.getrandbits(29 if extended else 11)))
        data = make_payload(dice, length)
        frame, stuffed = build_frame(identifier, data, extended=extended, switched=True)
        plain = compute_plain_flexible_bits(length, extended=extended)
        worst = compute_worst_flexible_bits(length, extended=extended)
        quick = sum(fast for _, fast in frame)
        assert len(frame) == sum(plain) + stuffed
        assert len(frame) <= sum(worst)
        assert len(frame) - quick <= worst.nominal
        rate, data_rate = 500_000, 2_000_000
        time = 1e9 * ((len(frame) - quick) / rate + quick / data_rate)
        assert time <= worst.to_nanoseconds(rate, data_rate) + 1e-6
        assert time >= plain.to_nanoseconds(rate, data_rate) - 1e-6
        closest[extended] = min(closest[extended], sum(worst) - len(frame))
        most = max(most, stuffed)
    # The bound is not idle: fixed bits of the head keep a real frame only a few bits below it.
    assert max(closest.values()) <= 5
    assert most > 120
