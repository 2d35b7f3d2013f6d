"""Checksums against published figures.

Sources: the check values (CRC of the ASCII digits 1 to 9) of the public catalogue of parametrised
CRC algorithms; the rows of data and results printed in the AUTOSAR CRC library specification
(``tests/data/checksums``).
"""

import sys
import zlib
from binascii import crc_hqx
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[2] / "data" / "checksums"))
from published_rows import COLUMNS, ROWS

from donorfit.configuration import compute_checksum

pytestmark = pytest.mark.reference

CHECK_VALUES = {
    "crc8-sae-j1850": 0x4B,
    "crc8-autosar": 0xDF,
    "crc8-smbus": 0xF4,
    "crc16-ccitt-false": 0x29B1,
    "crc16-arc": 0xBB3D,
    "crc16-xmodem": 0x31C3,
    "crc32-iso-hdlc": 0xCBF43926,
    "crc32-autosar": 0x1697D06A,
    "crc64-xz": 0x995DC9BBDF1939FA,
}

ALGORITHMS = {
    "8 J1850": "crc8-sae-j1850",
    "8 H2F": "crc8-autosar",
    "16 CCITT-FALSE": "crc16-ccitt-false",
    "16 ARC": "crc16-arc",
    "32": "crc32-iso-hdlc",
    "32 P4": "crc32-autosar",
    "64": "crc64-xz",
}


@pytest.mark.parametrize("algorithm", CHECK_VALUES)
def test_check_values_of_the_catalogue(algorithm: str) -> None:
    assert compute_checksum(algorithm, b"123456789") == CHECK_VALUES[algorithm]


@pytest.mark.parametrize(("data", "checks"), ROWS)
def test_rows_of_the_autosar_specification(data: bytes, checks: dict[str, int]) -> None:
    assert {each: compute_checksum(ALGORITHMS[each], data) for each in COLUMNS} == checks


@pytest.mark.parametrize("length", [0, 1, 7, 64, 1000])
def test_python_s_own_crcs_agree(length: int) -> None:
    data = bytes(place * 37 & 0xFF for place in range(length))
    assert compute_checksum("crc32-iso-hdlc", data) == zlib.crc32(data)
    assert compute_checksum("crc16-xmodem", data) == crc_hqx(data, 0)
    assert compute_checksum("crc16-ccitt-false", data) == crc_hqx(data, 0xFFFF)


def test_residue_of_crc8_j1850() -> None:
    """Running the CRC over data and its own CRC leaves a constant: 0xC4 before the final xor.

    Source: the catalogue's residue of CRC-8/SAE-J1850.
    """
    for data in (b"", b"123456789", bytes(40)):
        crc = compute_checksum("crc8-sae-j1850", data)
        assert compute_checksum("crc8-sae-j1850", data + bytes([crc])) ^ 0xFF == 0xC4
