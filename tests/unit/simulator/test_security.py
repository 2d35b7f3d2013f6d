"""Service 0x27: seed, key, attempts and lock-out."""

import zlib

import pytest

from donorfit.simulator.session_services import compute_demo_key

GATEWAY, TOW = 0x1010, 0x1071


def test_demo_key_is_the_documented_one():
    seed = bytes.fromhex("01020304")
    assert compute_demo_key(seed, 1, b"DEMO") == zlib.crc32(b"\x01\x02\x03\x04\x01DEMO").to_bytes(
        4, "big"
    )


def test_right_key_opens_and_an_open_level_has_a_seed_of_zeros(asker):
    asker.unlock(GATEWAY, 1)
    assert asker.ask(GATEWAY, "2701") == "670100000000"


def test_every_seed_is_another_one_and_none_is_zero(asker):
    asker.ask(GATEWAY, "1003")
    seeds = [asker.ask(GATEWAY, "2701")[4:] for _ in range(20)]
    assert len(set(seeds)) == 20
    assert "00000000" not in seeds


def test_wrong_keys_lock_out_for_the_delay_and_across_a_reset(asker):
    asker.ask(GATEWAY, "1003")
    answers = []
    for _ in range(3):
        asker.ask(GATEWAY, "2701")
        answers.append(asker.ask(GATEWAY, "270200000000"))
    assert answers == ["7f2735", "7f2735", "7f2736"]
    assert asker.ask(GATEWAY, "2701") == "7f2737"
    assert asker.ask(GATEWAY, "1101") == "5101"
    asker.wait(3.1)
    asker.ask(GATEWAY, "1003")
    assert asker.ask(GATEWAY, "2701") == "7f2737"
    asker.wait(4.0)
    asker.ask(GATEWAY, "3e00")
    asker.wait(3.0)
    asker.unlock(GATEWAY, 1)


@pytest.mark.parametrize(
    ("session", "request_hex", "answer"),
    [
        ("1003", "27", "7f2713"),
        ("1003", "2703", "7f2712"),  # the gateway has level 1 only
        ("1003", "2700", "7f2712"),
        ("1003", "270211223344", "7f2724"),  # no seed was asked for
        ("1003", "270100", "7f2713"),
    ],
)
def test_refusals(asker, session, request_hex, answer):
    asker.ask(GATEWAY, session)
    assert asker.ask(GATEWAY, request_hex) == answer


def test_key_of_another_length(asker):
    asker.ask(GATEWAY, "1003")
    asker.ask(GATEWAY, "2701")
    assert asker.ask(GATEWAY, "27021122") == "7f2713"


def test_level_of_another_session(asker):
    asker.ask(TOW, "1003")
    assert asker.ask(TOW, "2701") == "7f277e"  # level 1 is for downloads in session 2
    assert asker.ask(TOW, "2703").startswith("6703")


def test_any_change_of_session_locks_again(asker):
    asker.unlock(TOW, 3)
    assert asker.ask(TOW, "1003").startswith("50")
    assert asker.ask(TOW, "2e0700000007") == "7f2e33"


def test_a_seed_serves_once(asker):
    asker.ask(GATEWAY, "1003")
    seed = asker.ask(GATEWAY, "2701")
    assert asker.ask(GATEWAY, "270200000000") == "7f2735"
    key = compute_demo_key(bytes.fromhex(seed[4:]), 1, b"DEMO")
    assert asker.ask(GATEWAY, "2702" + key.hex()) == "7f2724"
