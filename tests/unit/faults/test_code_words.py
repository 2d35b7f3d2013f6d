"""Fault codes in words."""

import pytest

from donorfit.faults import word_code, word_status
from donorfit.faults.code_words import FAILURE_GROUPS, FAILURE_TYPES, CodeOwner, word_failure_type
from donorfit.vehicle.fault_code import parse_fault_code


@pytest.mark.parametrize(
    ("text", "owner"),
    [
        ("P0135", CodeOwner.STANDARD),
        ("P1135", CodeOwner.MAKER),
        ("P2135", CodeOwner.STANDARD),
        ("P3000", CodeOwner.MAKER),
        ("P33FF", CodeOwner.MAKER),
        ("P3400", CodeOwner.STANDARD),
        ("P39FF", CodeOwner.STANDARD),
        *((f"{letter}0123", CodeOwner.STANDARD) for letter in "CBU"),
        *((f"{letter}1123", CodeOwner.MAKER) for letter in "CBU"),
        *((f"{letter}2123", CodeOwner.MAKER) for letter in "CBU"),
        *((f"{letter}3123", CodeOwner.DISPUTED) for letter in "CBU"),
    ],
)
def test_who_defined_a_code(text: str, owner: CodeOwner) -> None:
    """SAE J2012 ranges as three open tables print them; two call B3, C3, U3 standard, one
    reserved."""
    assert word_code(parse_fault_code(text)).owner is owner


def test_failure_types_of_two_open_tables() -> None:
    """Meanings in a club's list and a test table of an open project, both after J2012-DA."""
    assert word_failure_type(0x11) == "short to ground"
    assert word_failure_type(0x12) == "short to battery"
    assert word_failure_type(0x13) == "open circuit"
    assert word_failure_type(0x55) == "not configured"
    assert word_failure_type(0x87) == "message missing"
    assert word_failure_type(0x4F) == "0x4F, group inside the unit"
    assert word_failure_type(0xF0) == "0xF0, which no table read here names"
    assert all(kind == 0 or kind >> 4 in FAILURE_GROUPS for kind in FAILURE_TYPES)


def test_status_bits_that_are_not_supported_are_left_out() -> None:
    assert word_status(0x2F) == (
        "fails now",
        "failed in this cycle",
        "pending",
        "confirmed",
        "failed since clearing",
    )
    assert word_status(0x2F, availability=0x08) == ("confirmed",)
    assert word_status(0x50) == ("not tested since clearing", "not tested in this cycle")
