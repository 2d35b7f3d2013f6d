"""Counters and check bytes found in frames that an independent computation protected.

CRC-8 by crccheck (an independent library) and by a bitwise loop here; E2E examples of the AUTOSAR
profile 1 figures restated in public tests.
"""

import numpy as np
import pytest
from crccheck.crc import Crc8Base

from donorfit.network.protection import CheckKind, find_protection

pytestmark = pytest.mark.reference


class Plain(Crc8Base):
    _poly, _initvalue, _reflect_input, _reflect_output, _xor_output = (
        0x1D,
        0xFF,
        False,
        False,
        0xFF,
    )


class Mirrored(Crc8Base):
    _poly, _initvalue, _reflect_input, _reflect_output, _xor_output = 0x31, 0x00, True, True, 0x00


def make_frames(seed: int, count: int, top: int = 14) -> np.ndarray:
    """Eight bytes: 1 holds a counter in its lower half, 2 to 5 move, 6 and 7 stand still."""
    rng = np.random.default_rng(seed)
    rows = np.zeros((count, 8), np.uint8)
    rows[:, 1] = (np.arange(count) + seed) % (top + 1) | 0x30
    rows[:, 2:6] = rng.integers(0, 256, (count, 4))
    rows[:, 6] = 0x5A
    return rows


@pytest.mark.parametrize("seed", range(20))
@pytest.mark.parametrize(("kind", "polynomial"), [(Plain, 0x1D), (Mirrored, 0x31)])
def test_a_crc_of_an_independent_library_is_found(seed, kind, polynomial):
    rows = make_frames(seed, 50)
    prefix = [seed, 0x12]  # a data id ahead of the data
    for row in rows:
        row[0] = kind.calc(bytes([*prefix, *row[1:]]))
    found = find_protection(rows)
    assert [(c.byte, c.bits, c.top) for c in found.counters] == [(1, 4, 14)]
    fitting = [
        check
        for check in found.checks
        if (check.byte, check.polynomial, check.reflected, check.backwards)
        == (0, polynomial, kind is Mirrored, False)
    ]
    assert len(fitting) == 1
    assert len(found.checks) == 1


def test_a_list_of_ids_by_counter_cancels():
    rows = make_frames(3, 80, top=15)
    ids = np.random.default_rng(9).integers(0, 256, 16)
    for row in rows:
        row[0] = Plain.calc(bytes([*row[1:], ids[row[1] & 15]]))
    found = find_protection(rows)
    assert found.counters[0].top == 15
    assert [(c.byte, c.polynomial, c.trailing) for c in found.checks] == [(0, 0x1D, 1)]


@pytest.mark.parametrize("seed", range(10))
def test_sums_and_xor(seed):
    rows = make_frames(seed, 30)
    rows[:, 0] = rows[:, 1:].sum(axis=1, dtype=np.uint64).astype(np.uint8) + 7
    assert [check.kind for check in find_protection(rows).checks if check.byte == 0] == [
        CheckKind.SUM
    ]
    rows[:, 0] = np.bitwise_xor.reduce(rows[:, 1:], axis=1) ^ 0xA5
    (check,) = find_protection(rows).checks
    assert (check.kind, check.place_sure) == (CheckKind.XOR, False)
    total = rows[:, 1:].sum(axis=1, dtype=np.int64)
    rows[:, 0] = (-total) & 0xFF
    assert [c.kind for c in find_protection(rows).checks] == [CheckKind.NEGATIVE_SUM]


def test_the_inverted_sum_with_carry_of_lin():
    """LIN's classic checksum: sum with carry, inverted (LIN 1.3, from memory); the byte behind."""
    rows = np.random.default_rng(4).integers(0, 256, (40, 6)).astype(np.uint8)
    for row in rows:
        total = 0
        for byte in row[:5]:
            total += int(byte)
            total = total - 255 if total > 255 else total
        row[5] = 255 - total
    (check,) = find_protection(rows).checks
    assert check.kind is CheckKind.NEGATIVE_CARRY_SUM


def test_the_place_of_a_symmetric_check_is_told_by_how_much_it_moves():
    """200 messages whose signals drift as those of a car do; noise alone would hide the place."""
    right = 0
    for seed in range(200):
        dice = np.random.default_rng(seed)
        rows = np.zeros((60, 8), np.uint8)
        rows[:, 1] = np.arange(60) % 16
        for column in range(2, 6):
            rows[:, column] = dice.integers(-2, 3, 60).cumsum() + dice.integers(40, 200)
        rows[:, 7] = np.bitwise_xor.reduce(rows[:, :7], axis=1)
        checks = find_protection(rows).checks
        right += [check.byte for check in checks] == [7]
    assert right >= 180


@pytest.mark.parametrize("seed", range(40))
def test_no_false_alarm(seed):
    rng = np.random.default_rng(1000 + seed)
    rows = rng.integers(0, 256, (50, 8)).astype(np.uint8)
    rows[:, 6:] = 0
    found = find_protection(rows)
    assert found.checks == ()
    assert found.counters == ()
    assert "no check found" in found.reason


def test_too_few_frames_are_said():
    assert "too few" in find_protection(np.zeros((5, 8), np.uint8)).reason


def test_lost_frames_do_not_hide_a_counter():
    rows = make_frames(1, 60)
    kept = np.delete(rows, [7, 20, 33], axis=0)
    assert [(c.byte, c.top) for c in find_protection(kept).counters] == [(1, 14)]


def test_profile_one_frames():
    """AUTOSAR E2E profile 1, 8 bytes, data id 0x123 in mode both: CRC CCh with counter 0 and 91h
    with counter 1 over zeros; polynomial 1Dh, start 0, xor 0 (figures of public tests)."""

    def protect(counter: int, data: bytes) -> int:
        crc = 0
        for byte in (0x23, 0x01, counter, *data):
            crc ^= byte
            for _ in range(8):
                crc = (crc << 1 ^ 0x1D) & 0xFF if crc & 0x80 else crc << 1
        return crc

    assert protect(0, bytes(6)) == 0xCC
    assert protect(1, bytes(6)) == 0x91
    rng = np.random.default_rng(5)
    rows = np.zeros((60, 8), np.uint8)
    for place, row in enumerate(rows):
        row[1], row[2:] = place % 15, rng.integers(0, 256, 6)
        row[0] = protect(int(row[1]), bytes(row[2:]))
    (check,) = find_protection(rows).checks
    assert (check.byte, check.polynomial) == (0, 0x1D)
