"""Identifiers that units of one bus cannot share, and those that they can."""

import pytest

from donorfit.vehicle.can_identifiers import CanIdentifiers, list_mistakes

GOOD = CanIdentifiers(request=0x610, response=0x710)


def judge(*units):
    names = [(f"unit{place}", each) for place, each in enumerate(units)]
    return [(place, key) for place, key, _, _ in list_mistakes(names)]


def test_units_of_their_own_identifiers_pass():
    wide = CanIdentifiers(request=0x18DA71F1, response=0x18DAF171, wide=True)
    assert judge(GOOD, CanIdentifiers(request=0x611, response=0x711), wide) == []


def test_extended_addressing_shares_identifiers_by_the_first_byte():
    units = [
        CanIdentifiers(request=0x6A0, response=0x700 + at, request_byte=at, response_byte=0x0E)
        for at in range(3)
    ]
    assert judge(*units) == []


@pytest.mark.parametrize(
    ("other", "found"),
    [
        (CanIdentifiers(request=0x610, response=0x711), [(1, "request")]),
        (CanIdentifiers(request=0x611, response=0x710), [(1, "response")]),
        (CanIdentifiers(request=0x710, response=0x712), [(1, "request")]),
        (CanIdentifiers(request=0x611, response=0x611), [(1, "response")]),
        (CanIdentifiers(request=0x800, response=0x711), [(1, "request")]),
        (CanIdentifiers(request=0x611, response=0x711, request_byte=1), [(1, "request_byte")]),
        (CanIdentifiers(request=0x611, response=0x711, response_byte=1), [(1, "response_byte")]),
        # an identifier with and without a byte in front cannot be told apart
        (
            CanIdentifiers(request=0x610, response=0x711, request_byte=1, response_byte=2),
            [(1, "request")],
        ),
    ],
)
def test_mistake_is_found(other, found):
    assert judge(GOOD, other) == found


def test_clash_is_found_whichever_unit_comes_first():
    extended = CanIdentifiers(request=0x610, response=0x711, request_byte=1, response_byte=2)
    assert judge(extended, GOOD) == [(1, "request")]


def test_the_same_number_with_11_and_29_bits_is_two_identifiers():
    assert judge(GOOD, CanIdentifiers(request=0x610, response=0x710, wide=True)) == []
