"""Checksums against published figures.

Sources: the check values (CRC of the ASCII digits 1 to 9) of the public catalogue of parametrised
CRC algorithms; the rows of data and results printed in the AUTOSAR CRC library specification, as
they stand in public test files of its implementations.
"""

import zlib
from binascii import crc_hqx

import pytest

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

ALGORITHMS = (
    "crc8-sae-j1850",
    "crc8-autosar",
    "crc16-ccitt-false",
    "crc16-arc",
    "crc32-iso-hdlc",
    "crc32-autosar",
    "crc64-xz",
)
AUTOSAR_ROWS = """
00000000           59 12 84C0 0000 2144DF1C 6FB32240 F4A586351E1B9F4B
F20183             37 C2 D374 C2E1 24AB9D77 4F721A25 319C27668164F1C6
0FAA0055           79 C6 2023 0BE3 B6C9B287 20662DF8 54C5D0F7667C1575
00FF5511           B8 77 B8F9 6CCF 32A06212 9BD7996E A63822BE7E0704E6
332255AABBCCDDEEFF CB 11 F53F AE98 B0AE863D A65A343D 701ECEB219A8E5D5
926B55             8C 33 0745 E24E 9CDEA29B EE688A78 5FAA96A9B59F3E4E
FFFFFFFF           74 6C 1D0F 9401 FFFFFFFF FFFFFFFF FFFFFFFF00000000
"""


@pytest.mark.parametrize("algorithm", CHECK_VALUES)
def test_check_values_of_the_catalogue(algorithm: str) -> None:
    assert compute_checksum(algorithm, b"123456789") == CHECK_VALUES[algorithm]


@pytest.mark.parametrize("row", AUTOSAR_ROWS.split("\n")[1:-1])
def test_rows_of_the_autosar_specification(row: str) -> None:
    data, *results = row.split()
    computed = [compute_checksum(each, bytes.fromhex(data)) for each in ALGORITHMS]
    assert computed == [int(each, 16) for each in results]


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
