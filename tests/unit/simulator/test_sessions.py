"""Services 0x10, 0x11 and 0x3E, and what is refused before any service."""

import pytest

GATEWAY, BODY, TOW, CAMERA, ALL = 0x1010, 0x1040, 0x1071, 0x1080, 0xE400


@pytest.mark.parametrize(
    ("target", "request_hex", "answer"),
    [
        (GATEWAY, "1001", "5001003201f4"),  # P2 50 ms, P2* 5000 ms in 10 ms units
        (GATEWAY, "1003", "5003003201f4"),
        (GATEWAY, "1002", "7f1012"),  # nothing to download into it
        (TOW, "1002", "5002003201f4"),
        (GATEWAY, "1004", "7f1012"),
        (GATEWAY, "10", "7f1013"),
        (GATEWAY, "100300", "7f1013"),
        (GATEWAY, "3e00", "7e00"),
        (GATEWAY, "3e01", "7f3e12"),
        (GATEWAY, "3e", "7f3e13"),
        (GATEWAY, "1104", "7f1112"),
        (GATEWAY, "11", "7f1113"),
        (GATEWAY, "2800", "7f2811"),
        (GATEWAY, "ff", "7fff11"),
        (GATEWAY, "3101020200000000", "7f3111"),
        (TOW, "3101020200000000", "7f317f"),
        (BODY, "2701", "7f2711"),  # no level anywhere in this unit
        (GATEWAY, "2701", "7f277f"),
    ],
)
def test_answers_in_the_default_session(asker, target, request_hex, answer):
    assert asker.ask(target, request_hex) == answer


def test_suppressed_positive_answers(asker):
    assert asker.ask(GATEWAY, "3e80") == ""
    assert asker.ask(GATEWAY, "1083") == ""
    assert asker.ask(GATEWAY, "22f186") == "62f18603"
    assert asker.ask(GATEWAY, "3e81") == "7f3e12"  # refusals are never suppressed


def test_session_falls_back_after_s3(asker):
    asker.ask(GATEWAY, "1003")
    asker.wait(4.9)
    assert asker.ask(GATEWAY, "22f186") == "62f18603"
    asker.wait(4.9)  # the request before has started S3 anew
    assert asker.ask(GATEWAY, "3e80") == ""
    asker.wait(4.9)
    assert asker.ask(GATEWAY, "22f186") == "62f18603"
    asker.wait(5.1)
    assert asker.ask(GATEWAY, "22f186") == "62f18601"


def test_unit_is_away_while_it_resets(asker):
    asker.ask(GATEWAY, "1003")
    assert asker.ask(GATEWAY, "1101") == "5101"
    assert asker.ask(GATEWAY, "3e00") == ""
    assert asker.ask(BODY, "3e00") == "7e00"  # others are not concerned
    asker.wait(3.1)
    assert asker.ask(GATEWAY, "22f186") == "62f18601"


def test_absent_and_unknown_units_are_silent(asker):
    assert asker.replies(CAMERA, "3e00") == ()
    assert asker.replies(0x1234, "3e00") == ()
    assert asker.replies(GATEWAY, "") == ()


def test_functional_request_reaches_every_fitted_unit(asker):
    replies = asker.replies(ALL, "3e00")
    assert [(reply.source, reply.pdu) for reply in replies] == [
        (GATEWAY, b"\x7e\x00"),
        (BODY, b"\x7e\x00"),
        (TOW, b"\x7e\x00"),
    ]


@pytest.mark.parametrize("request_hex", ["2701", "22abcd", "3e01", "ff"])
def test_units_keep_what_they_do_not_support_to_themselves(asker, request_hex):
    assert asker.replies(ALL, request_hex) == ()


def test_other_refusals_of_functional_requests_are_said(asker):
    assert [reply.pdu.hex() for reply in asker.replies(ALL, "3e")] == ["7f3e13"] * 3
