"""Checksums inside records: placed, checked, refused where not known."""

import pytest

from donorfit.configuration import ALGORITHMS, compute_checksum, is_checksum_right, write_checksum
from donorfit.errors import InputError
from donorfit.vehicle.layout import Checksum


def test_sum_and_xor() -> None:
    assert compute_checksum("sum8", bytes.fromhex("FF 02 03")) == 0x04
    assert compute_checksum("xor8", bytes.fromhex("0F F0 01")) == 0xFE


def test_an_unknown_algorithm_names_the_known_ones() -> None:
    with pytest.raises(InputError, match="crc8-autosar") as error:
        compute_checksum("crc9", b"")
    assert "must not be written" in error.value.next_step


@pytest.mark.parametrize("algorithm", ALGORITHMS)
def test_written_checksum_is_right_and_touches_only_its_own_bytes(algorithm: str) -> None:
    checksum = Checksum(algorithm=algorithm, byte=2, first_byte=0, last_byte=15)
    data = bytes(range(16))
    done = write_checksum(checksum, data)
    assert is_checksum_right(checksum, done)
    assert done[:2] == data[:2]
    assert done[10:] == data[10:]
    broken = done[:15] + bytes([done[15] ^ 1])
    assert not is_checksum_right(checksum, broken)


def test_bytes_outside_the_covered_range_do_not_count() -> None:
    checksum = Checksum(algorithm="crc8-autosar", byte=3, first_byte=0, last_byte=2)
    data = write_checksum(checksum, bytes.fromhex("010203000405"))
    assert is_checksum_right(checksum, data[:4] + b"\xff\xff")


def test_wider_checksums_are_big_endian() -> None:
    checksum = Checksum(algorithm="crc16-ccitt-false", byte=9, first_byte=0, last_byte=8)
    assert write_checksum(checksum, b"123456789\0\0")[-2:] == bytes.fromhex("29B1")


def test_a_checksum_beyond_the_record_is_refused() -> None:
    checksum = Checksum(algorithm="sum8", byte=3, first_byte=0, last_byte=9)
    with pytest.raises(InputError, match="beyond a record of 4 bytes"):
        write_checksum(checksum, bytes(4))
