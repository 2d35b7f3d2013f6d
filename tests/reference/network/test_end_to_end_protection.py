"""End-to-end protection found in frames that an independent library protected.

Sources: the library autosar-e2e (profiles 1, 2, 4, 5, 6, 7 of the AUTOSAR E2E protocol
specification), crccheck and fastcrc for CRCs, and rows of AUTOSAR's CRC specification
(``tests/data/checksums``).
"""

import sys
from pathlib import Path

import crccheck.crc as peer
import fastcrc
import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parents[2] / "data" / "checksums"))
import published_rows

from donorfit.network.byte_checks import CheckKind
from donorfit.network.crc_rows import CRC_ROWS
from donorfit.network.end_to_end import Inclusion
from donorfit.network.protection import find_protection

pytestmark = pytest.mark.reference

ROWS = {row.name: row for row in CRC_ROWS}
NAMES = {
    "8 J1850": "CRC-8 SAE J1850",
    "8 H2F": "CRC-8 AUTOSAR (8H2F)",
    "16 CCITT-FALSE": "CRC-16 CCITT-FALSE (AUTOSAR)",
    "16 ARC": "CRC-16 ARC",
    "32": "CRC-32 ISO-HDLC",
    "32 P4": "CRC-32P4 AUTOSAR",
    "64": "CRC-64 XZ (AUTOSAR)",
}
PEERS = {
    "CRC-8 SAE J1850": peer.Crc8SaeJ1850,
    "CRC-8 AUTOSAR (8H2F)": peer.Crc8Autosar,
    "CRC-8 SMBUS": peer.Crc8Smbus,
    "CRC-8 MAXIM": peer.Crc8Maxim,
    "CRC-16 CCITT-FALSE (AUTOSAR)": peer.Crc16CcittFalse,
    "CRC-16 XMODEM": peer.Crc16Xmodem,
    "CRC-16 X-25": peer.Crc16X25,
    "CRC-16 ARC": peer.CrcArc,
    "CRC-16 MODBUS": peer.Crc16Modbus,
    "CRC-32 ISO-HDLC": peer.Crc32,
    "CRC-32P4 AUTOSAR": peer.Crc32Autosar,
    "CRC-32C": peer.Crc32C,
    "CRC-64 XZ (AUTOSAR)": peer.Crc64Xz,
}


@pytest.mark.parametrize(("data", "checks"), published_rows.ROWS)
def test_rows_of_the_specification(data, checks):
    assert {each: ROWS[NAMES[each]].compute(data) for each in NAMES} == checks


@pytest.mark.parametrize("name", sorted(ROWS))
def test_a_second_library_computes_the_same(name):
    dice = np.random.default_rng(7)
    for length in (1, 2, 3, 8, 9, 64, 200):
        data = dice.bytes(length)
        assert ROWS[name].compute(data) == PEERS[name].calc(data)


def test_a_third_library_computes_the_same():
    for name, function in (
        ("CRC-8 AUTOSAR (8H2F)", fastcrc.crc8.autosar),
        ("CRC-16 CCITT-FALSE (AUTOSAR)", fastcrc.crc16.ibm_3740),
        ("CRC-32P4 AUTOSAR", fastcrc.crc32.autosar),
        ("CRC-64 XZ (AUTOSAR)", fastcrc.crc64.xz),
    ):
        for data in (b"123456789", bytes(range(64))):
            assert ROWS[name].compute(data) == function(data)


def protect(seed: int, count: int, length: int, call) -> np.ndarray:
    """Frames with half of their bytes moving at random, protected one after the other."""
    dice = np.random.default_rng(seed)
    header, rows = bytearray(length), []
    for _ in range(count):
        frame = bytearray(header)
        frame[length // 2 :] = dice.bytes(length - length // 2)
        call(frame)
        header = frame
        rows.append(np.frombuffer(bytes(frame), np.uint8))
    return np.array(rows)


@pytest.fixture
def e2e():
    return pytest.importorskip("e2e", reason="autosar-e2e has a wheel for Linux on x86-64 only")


@pytest.mark.parametrize("seed", range(8))
def test_profile_one(e2e, seed):
    data_id = 0x100 + 37 * seed
    rows = protect(seed, 80, 8, lambda frame: e2e.p01.e2e_p01_protect(frame, data_id))
    found = find_protection(rows)
    assert [(c.byte, c.bits, c.modulus) for c in found.counters] == [(1, 4, 15)]
    (check,) = found.checks
    assert (check.kind, check.byte, check.polynomial) == (CheckKind.CRC8, 0, 0x1D)
    assert found.end_to_end.inclusion is Inclusion.FIXED
    assert found.end_to_end.profile == "profile 1 or 11"
    assert not found.can_be_made


@pytest.mark.parametrize("seed", range(8))
def test_profile_two_with_a_list_of_ids(e2e, seed):
    ids = bytes((17 * n + seed) & 0xFF for n in range(16))
    rows = protect(seed, 120, 8, lambda frame: e2e.p02.e2e_p02_protect(frame, ids))
    found = find_protection(rows)
    assert [(c.byte, c.modulus) for c in found.counters] == [(1, 16)]
    (check,) = found.checks
    assert (check.byte, check.polynomial, check.trailing) == (0, 0x2F, 1)
    assert found.end_to_end.inclusion is Inclusion.BY_COUNTER
    assert found.end_to_end.profile == "profile 2"


@pytest.mark.parametrize("count", [60, 300])
@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize(
    ("name", "length", "number", "byte", "width"),
    [
        ("profile 5", 8, 0x1234, 0, 16),
        ("profile 5", 32, 0xBEEF, 0, 16),
        ("profile 6", 16, 0x1234, 0, 16),
        ("profile 4", 24, 0x0A0B0C0D, 8, 32),
        ("profile 7", 32, 0x0A0B0C0D, 0, 64),
    ],
)
def test_wide_profiles_and_their_data_id(e2e, seed, count, name, *, length, number, byte, width):
    module = getattr(e2e, f"p0{name[-1]}")
    call = getattr(module, f"e2e_p0{name[-1]}_protect")
    rows = protect(seed, count, length, lambda frame: call(frame, number + seed))
    found = find_protection(rows)
    (check,) = found.checks
    assert (check.byte, check.width) == (byte, width)
    assert found.end_to_end.profile == name
    assert found.end_to_end.data_id == number + seed
    assert f"{number + seed:#x}" in found.reason


@pytest.mark.parametrize("name", [name for name in sorted(ROWS) if ROWS[name].width > 8])
@pytest.mark.parametrize("low_byte_first", [False, True])
def test_a_plain_wide_crc_is_named(name, low_byte_first):
    row, length = ROWS[name], 16
    size = row.width // 8
    rows = np.random.default_rng(3).integers(0, 256, (40, length)).astype(np.uint8)
    rows[:, :4] = 0x42
    for each in rows:
        check = row.compute(bytes(each[:-size]))
        each[-size:] = np.frombuffer(
            check.to_bytes(size, "little" if low_byte_first else "big"), np.uint8
        )
    found = find_protection(rows)
    (check,) = found.checks
    assert (check.byte, check.width, check.low_byte_first) == (
        16 - size,
        row.width,
        low_byte_first,
    )
    assert (check.polynomial, check.reflected) == (row.polynomial, row.reflected)
    assert found.end_to_end.name == row.name
    assert found.end_to_end.inclusion is Inclusion.NOTHING
    assert found.can_be_made


# A counter above 15 does not fit above the lower half of a byte.
@pytest.mark.parametrize(
    ("shift", "top"),
    [*((0, top) for top in (9, 13, 14, 15, 31, 63, 255)), *((4, top) for top in (9, 13, 14, 15))],
)
def test_the_modulus_of_a_counter(top, shift):
    rows = np.random.default_rng(top).integers(0, 256, (600, 8)).astype(np.uint8)
    values = np.arange(600) % (top + 1)
    rows[:, 3] = values << shift | (rows[:, 3] & 0x0F if shift else 0)
    (counter,) = find_protection(rows).counters
    assert (counter.byte, counter.shift, counter.top) == (3, shift, top)
    assert counter.restarted


@pytest.mark.parametrize("seed", range(20))
def test_a_message_with_an_authenticator_is_never_guessed(seed):
    """Truncated HMAC-SHA256 as the key's work; freshness counter in clear, as in AUTOSAR SecOC."""
    import hashlib
    import hmac

    dice = np.random.default_rng(seed)
    key, rows = dice.bytes(16), []
    payload = bytearray(dice.bytes(4))
    for number in range(100):
        if number % 9 == 0:
            payload[2] = (payload[2] + 1) & 0xFF
        body = bytes([*payload, number & 0xFF])
        mac = hmac.new(key, body + number.to_bytes(8, "big"), hashlib.sha256).digest()
        rows.append(np.frombuffer(body + mac[:3], np.uint8))
    found = find_protection(np.array(rows))
    assert found.checks == ()
    assert (found.secured.first_byte, found.secured.last_byte) == (5, 7)
    assert "needs keys" in found.reason
    assert not found.can_be_made
