"""Services 0x22 and 0x2E."""

from dataclasses import replace

import pytest

from donorfit.simulator.scenario import NEUTRAL_VIN, SupplyTruth

GATEWAY, BODY, TOW = 0x1010, 0x1040, 0x1071
# from memory: year and month in BCD, codes in ascending order
MASTER = "2003" + b"A001L110".hex() + "00" * 32


@pytest.mark.parametrize(
    ("target", "identifier", "content"),
    [
        (GATEWAY, "f190", b"ZZ9AA11A8LA000001"),
        (TOW, "f190", NEUTRAL_VIN),
        (GATEWAY, "f18c", b"GW-0001"),
        (GATEWAY, "f191", b"MGW-01"),
        (GATEWAY, "f189", b"2.4.0"),
        (GATEWAY, "f187", b"MP-4711"),
        (GATEWAY, "f186", b"\x01"),
        (GATEWAY, "d020", b"\x03"),
        (GATEWAY, "1001", bytes.fromhex(MASTER)),
        (BODY, "1002", bytes.fromhex("200303000000")),
        (BODY, "0601", bytes.fromhex("0010a000fd")),
    ],
)
def test_reading(asker, target, identifier, content):
    assert asker.ask(target, "22" + identifier) == "62" + identifier + content.hex()


def test_reading_several_leaves_out_the_unknown(asker):
    assert asker.ask(BODY, "22f1861234f189") == "62f18601f189" + b"1.8.2".hex()


@pytest.mark.parametrize(
    ("request_hex", "answer"),
    [
        ("22", "7f2213"),
        ("22f1", "7f2213"),
        ("22f190f1", "7f2213"),
        ("22abcd", "7f2231"),
        ("22" + "f190" * 9, "7f2213"),
    ],
)
def test_reading_refused(asker, request_hex, answer):
    assert asker.ask(GATEWAY, request_hex) == answer


def test_supply_is_readable(asker):
    volts = int(asker.ask(GATEWAY, "22d010")[6:], 16) / 1000
    assert volts == pytest.approx(13.6, abs=0.01)


def test_writing_takes_its_time_and_keeps_protected_bytes(asker):
    asker.ask(BODY, "1003")
    # CRC-8/SAE-J1850 over FF 20 A0 00 by an independent bitwise computation below
    content = "ff20a000" + f"{crc8('ff20a000'):02x}"
    replies = asker.replies(BODY, "2e0601" + content)
    assert [reply.pdu.hex() for reply in replies] == ["7f2e78", "6e0601"]
    assert replies[0].after_s < 0.05
    assert replies[-1].after_s == pytest.approx(2.0)
    assert asker.car.memory("body")[0x0601] == bytes.fromhex("0010a000fd")
    asker.wait(1.0)
    assert asker.replies(BODY, "220601")[0].pdu.hex() == "7f2221"
    assert asker.replies(BODY, "3e80") == ()
    asker.wait(1.1)
    assert asker.ask(BODY, "220601") == "62060100" + content[2:]


def crc8(covered: str) -> int:
    value = 0xFF
    for byte in bytes.fromhex(covered):
        value ^= byte
        for _ in range(8):
            value = (value << 1 ^ (0x1D if value & 0x80 else 0)) & 0xFF
    return value ^ 0xFF


@pytest.mark.parametrize(
    ("request_hex", "answer"),
    [
        ("2e", "7f2e13"),
        ("2e0601", "7f2e13"),
        ("2e06010010a000", "7f2e13"),  # one byte short
        ("2e06010010a000fdfd", "7f2e13"),
        ("2e06010010a00000", "7f2e31"),  # wrong checksum
        ("2e060100f0a000" + "00", "7f2e31"),
        ("2e06020102", "7f2e31"),  # not writable
        ("2eabcd00", "7f2e31"),
        ("2ef18901", "7f2e31"),
        ("2ef190" + "41" * 17, "7f2e31"),
        ("2e1002" + "201303000000", "7f2e31"),  # there is no month 13
    ],
)
def test_writing_refused(asker, request_hex, answer):
    asker.ask(BODY, "1003")
    before = asker.car.memory("body").records
    assert asker.ask(BODY, request_hex) == answer
    assert asker.car.memory("body").records == before


def test_a_value_that_is_not_allowed_is_refused_with_a_right_checksum(asker):
    asker.ask(BODY, "1003")
    content = "0030a000"
    assert asker.ask(BODY, f"2e0601{content}{crc8(content):02x}") == "7f2e31"
    content = "0020a000"
    assert asker.ask(BODY, f"2e0601{content}{crc8(content):02x}") == "6e0601"


def test_writing_in_the_wrong_session_or_locked(asker):
    assert asker.ask(BODY, "2e06010010a000fd") == "7f2e7f"
    asker.ask(TOW, "1002")
    assert asker.ask(TOW, "2e0700000007") == "7f2e7f"
    asker.ask(TOW, "1003")
    assert asker.ask(TOW, "2e0700000007") == "7f2e33"
    asker.unlock(TOW, 3)
    assert asker.ask(TOW, "2e0700000107") == "6e0700"


def test_the_option_list_is_stored(asker):
    asker.unlock(GATEWAY, 1)
    content = "2107" + b"A001L110T042".hex() + "00" * 28
    assert asker.ask(GATEWAY, "2e1001" + content) == "6e1001"
    assert asker.ask(GATEWAY, "221001") == "621001" + content
    unsorted = "2107" + b"L110A001".hex() + "00" * 32
    asker.unlock(GATEWAY, 1)
    assert asker.ask(GATEWAY, "2e1001" + unsorted) == "7f2e31"


def test_a_neutral_unit_takes_a_vin_once(asker):
    asker.ask(TOW, "1003")
    vin = b"ZZ9AA11A8LA000001".hex()
    assert asker.ask(TOW, "2ef190" + "00" * 17) == "7f2e31"
    assert asker.ask(TOW, "2ef190" + vin) == "6ef190"
    assert asker.ask(TOW, "22f190") == "62f190" + vin
    asker.ask(TOW, "1003")
    assert asker.ask(TOW, "2ef190" + vin) == "7f2e31"


@pytest.mark.parametrize(
    ("supply", "answer"),
    [
        (SupplyTruth(charge_percent=0, support_limit_a=0, internal_resistance_ohm=0.3), "7f2e93"),
        (SupplyTruth(support_volts=18.0, support_limit_a=200.0), "7f2e92"),
    ],
)
def test_supply_outside_the_limits_refuses_writes(build_asker, scenario, supply, answer):
    asker = build_asker(replace(scenario, supply=supply))
    asker.ask(BODY, "1003")
    assert asker.ask(BODY, "2e06010010a000fd") == answer
    assert asker.ask(BODY, "220601") == "6206010010a000fd"
