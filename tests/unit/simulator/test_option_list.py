"""How keepers store the list, and the checksums of records."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from donorfit.simulator.checksums import ALGORITHMS, is_right
from donorfit.simulator.option_list import is_well_formed, read_list, write_list
from donorfit.simulator.scenario import KeeperEncoding
from donorfit.vehicle.identity import BuildMonth

CODES, BITS = KeeperEncoding.CODES, KeeperEncoding.BITS
PLACES = (("A001", 0), ("B002", 9), ("C003", 17))
JULY = BuildMonth.parse("2021-07")


def test_codes_are_stored_ascending_and_filled_up():
    content = write_list(
        JULY, frozenset(("B002", "A001")), encoding=CODES, length_bytes=14, bits=()
    )
    assert content == b"\x21\x07A001B002\0\0\0\0"


def test_bits_count_from_the_least_significant_of_byte_two():
    content = write_list(
        JULY, frozenset(("A001", "B002", "C003")), encoding=BITS, length_bytes=5, bits=PLACES
    )
    assert content == bytes.fromhex("2107010202")


@given(
    st.sets(st.sampled_from([code for code, _ in PLACES])),
    st.sampled_from(KeeperEncoding),
    st.integers(24000, 25199),
)
def test_what_is_written_is_read_again(codes, encoding, ordinal):
    month = BuildMonth(ordinal)
    content = write_list(month, frozenset(codes), encoding=encoding, length_bytes=14, bits=PLACES)
    assert read_list(content, encoding, PLACES) == (month, codes)
    assert is_well_formed(content, encoding)


@pytest.mark.parametrize(
    ("codes", "encoding", "length", "month"),
    [
        ({"A001", "B002"}, CODES, 9, JULY),
        ({"A1"}, CODES, 20, JULY),
        ({"X999"}, BITS, 20, JULY),
        ({"C003"}, BITS, 4, JULY),
        ({"A001"}, CODES, 20, BuildMonth.parse("1999-12")),
    ],
)
def test_what_cannot_be_stored(codes, encoding, length, month):
    with pytest.raises(ValueError):
        write_list(month, frozenset(codes), encoding=encoding, length_bytes=length, bits=PLACES)


def test_unknown_bits_are_not_dropped():
    assert read_list(bytes.fromhex("210703"), BITS, PLACES)[1] == {"A001", "bit 1"}


@pytest.mark.parametrize(
    ("content", "good"),
    [
        (b"\x21\x07A001B002\0\0\0\0", True),
        (b"\x21\x07\0\0\0\0", True),
        (b"\x21\x13A001", False),
        (b"\x2a\x07A001", False),
        (b"\x21\x07B002A001", False),
        (b"\x21\x07A001A001", False),
        (b"\x21\x07A00\0\0", False),
        (b"\x21\x07\0\0\0\0A001", False),
        (b"\x21\x07A0\xff1", False),
    ],
)
def test_what_a_keeper_accepts(content, good):
    assert is_well_formed(content, CODES) is good


# Check values over "123456789": the catalogue of parametrised CRC algorithms
@pytest.mark.parametrize(
    ("algorithm", "check"),
    [
        ("crc8-sae-j1850", "4b"),
        ("crc8-autosar", "df"),
        ("crc16-ccitt-false", "29b1"),
        ("sum8", "dd"),
        ("xor8", "31"),
    ],
)
def test_checksums(algorithm, check):
    assert ALGORITHMS[algorithm](b"123456789").hex() == check


@pytest.mark.parametrize(
    ("algorithm", "name"),
    [
        ("crc8-sae-j1850", "Crc8SaeJ1850"),
        ("crc8-autosar", "Crc8Autosar"),
        ("crc16-ccitt-false", "Crc16CcittFalse"),
    ],
)
@given(content=st.binary(max_size=64))
@pytest.mark.reference
def test_checksums_agree_with_crccheck(algorithm, name, content):
    crccheck = pytest.importorskip("crccheck.crc")
    assert ALGORITHMS[algorithm](content) == getattr(crccheck, name).calcbytes(content)


@given(content=st.binary(min_size=4, max_size=20), place=st.integers(0, 2))
def test_a_checksum_leaves_its_own_bytes_out(content, place):
    covered = content[:place] + content[place + 2 :]
    checksum = ALGORITHMS["crc16-ccitt-false"](covered)
    whole = content[:place] + checksum + content[place + 2 :]
    last = len(content) - 1
    assert is_right(whole, "crc16-ccitt-false", place, 0, last)
    assert not is_right(
        whole[:place] + bytes((checksum[0] ^ 1,)) + whole[place + 1 :],
        "crc16-ccitt-false",
        place,
        0,
        last,
    )
