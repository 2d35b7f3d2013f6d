"""UDS bytes in words: every service, and bytes that make no sense."""

from types import MappingProxyType

import pytest
from hypothesis import given
from hypothesis import strategies as st

from donorfit.diagnostics.uds_words import Names, describe_pdu, find_service, is_answer

NAMES = Names(
    identifiers=MappingProxyType({0x0601: "Lamps"}), routines=MappingProxyType({0x0202: "check"})
)


@pytest.mark.parametrize(
    ("pdu", "words"),
    [
        ("10 03", "session control: extended"),
        ("10 83", "session control: extended, no answer wanted"),
        ("50 03 00 32 01 F4", "done, session control: extended, P2 50 ms, P2* 5000 ms"),
        ("50 03", "done, session control: extended"),
        ("11 01", "reset: hard"),
        ("14 FF FF FF", "clear fault codes: all"),
        ("54", "done, clear fault codes"),
        ("19 02 FF", "read fault codes: by status, mask FF"),
        ("59 02 FF C1 00 87 2F", "done, read fault codes: by status: U0100-87 (2F)"),
        ("59 02 FF", "done, read fault codes: by status: none"),
        ("22 F1 90 06 01", "read data: F190 VIN, 0601 Lamps"),
        ("62 F1 8C 41 42 43 44", "done, read data: F18C serial number = 'ABCD'"),
        ("62 06 01 00 FF", "done, read data: 0601 Lamps = 00 FF"),
        ("2E 06 01 00 FF", "write data: 0601 Lamps = 00 FF"),
        ("6E 06 01", "done, write data: 0601 Lamps"),
        ("27 01", "security access: ask for the seed of level 1"),
        ("67 01 11 22 33 44", "done, security access: seed of level 1"),
        ("27 02 DE AD BE EF", "security access: key of level 1"),
        ("67 02", "done, security access: level 1 is open"),
        ("29 08", "authentication: 08"),
        ("31 01 02 02 12 34", "routine: start 0202 check, 12 34"),
        ("71 01 02 02 00", "done, routine: start 0202 check, 00"),
        (
            "34 00 44 00 04 00 00 00 00 80 00",
            "request download: 32768 bytes at 0x40000, format 00",
        ),
        ("74 20 0F FF", "done, request download: blocks of 4095 bytes"),
        ("36 01" + "00" * 100, "transfer data: block 01, 100 bytes"),
        ("76 01", "done, transfer data: block 01"),
        ("37", "end of transfer"),
        ("3E 00", "tester present"),
        ("3E 80", "tester present: no answer wanted"),
        ("7E 00", "done, tester present"),
        ("85 02", "fault code setting: off"),
        ("7F 22 31", "refused, read data: NRC 0x31 requestOutOfRange"),
        (
            "7F 31 78",
            "still at work, routine: NRC 0x78 requestCorrectlyReceivedResponsePending",
        ),
        ("7F 22", "refused, read data: no code"),
        ("BA 01", "service BA, not in ISO 14229-1: 01"),
        ("", "no UDS bytes"),
    ],
)
def test_words(pdu, words):
    assert describe_pdu(bytes.fromhex(pdu), NAMES) == words


def test_long_values_are_cut_and_their_length_told():
    words = describe_pdu(b"\x62\x06\x01" + bytes(300))
    assert "(300 bytes)" in words
    assert len(words) < 140


def test_a_key_is_never_in_the_words():
    assert "AD" not in describe_pdu(bytes.fromhex("2702DEADBEEF"))


@given(st.binary(max_size=40))
def test_any_bytes_have_words_of_one_line(pdu):
    words = describe_pdu(pdu, NAMES)
    assert words
    assert words.isprintable()
    if pdu:
        assert is_answer(pdu) or pdu[0] & 0x40 == 0
        assert find_service(pdu) is None or 0 <= find_service(pdu) <= 0xFF
