"""Services 0x34, 0x36, 0x37, 0x31: software into the towing control unit.

CRC-32 by zlib, outside the project.
"""

import zlib
from dataclasses import replace

import pytest

from donorfit.simulator.scenario import SupplyTruth

TOW, BODY, GATEWAY = 0x1071, 0x1040, 0x1010
BLOCK = bytes((place * 7 + 3) & 0xFF for place in range(1000))
START = "3400440001000000" + "0003e8"
PIECES = [BLOCK[at : at + 256] for at in range(0, 1000, 256)]


@pytest.fixture
def open_unit(asker):
    asker.unlock(TOW, 1, session=2)
    return asker


def send_pieces(asker, pieces=PIECES):
    for counter, piece in enumerate(pieces, 1):
        assert asker.ask(TOW, f"36{counter:02x}" + piece.hex()) == f"76{counter:02x}"


BLOCK_CRC32 = zlib.crc32(BLOCK)


def check(asker, crc32=BLOCK_CRC32):
    return asker.ask(TOW, "31010202" + f"{crc32:08x}")


def test_a_whole_download(open_unit):
    replies = open_unit.replies(TOW, START)
    assert replies[-1].pdu.hex() == "74200102"
    assert {reply.pdu.hex() for reply in replies[:-1]} == {"7f3478"}
    assert replies[-1].after_s == pytest.approx(10.0)  # a quarter of 40 s erases
    open_unit.wait(10.1)
    began_s = open_unit.now_s
    send_pieces(open_unit)
    assert open_unit.now_s - began_s == pytest.approx(26.0, abs=0.1)  # 65 % write
    assert open_unit.ask(TOW, "37") == "77"
    assert open_unit.car.memory("tow_control").application is False
    assert check(open_unit) == "7101020200"
    memory = open_unit.car.memory("tow_control")
    open_unit.wait(0.1)
    open_unit.ask(TOW, "3e00")
    memory = open_unit.car.memory("tow_control")
    assert (memory.application, memory.software) == (True, "3.1.0")
    assert memory[0x0700] == b"\0\0\7\0"  # the new software brings a longer record
    assert open_unit.ask(TOW, "31030202") == "7103020200"
    assert open_unit.ask(TOW, "1101") == "5101"
    open_unit.wait(3.1)
    assert open_unit.ask(TOW, "22f189") == "62f189" + b"3.1.0".hex()


def test_a_repeated_counter_is_acknowledged_without_a_second_write(open_unit):
    open_unit.ask(TOW, START)
    for counter, piece in enumerate(PIECES, 1):
        for _ in range(2):
            assert open_unit.ask(TOW, f"36{counter:02x}" + piece.hex()) == f"76{counter:02x}"
    assert open_unit.ask(TOW, "37") == "77"
    assert check(open_unit) == "7101020200"


def test_the_block_counter_wraps_to_zero(open_unit):
    open_unit.ask(TOW, START)
    for place in range(1000):
        counter = (place + 1) & 0xFF
        assert open_unit.ask(TOW, f"36{counter:02x}{BLOCK[place]:02x}") == f"76{counter:02x}"
    assert open_unit.ask(TOW, "37") == "77"
    assert check(open_unit) == "7101020200"


@pytest.mark.parametrize("spoilt", ["data", "given"])
def test_a_bad_check_leaves_the_unit_in_its_boot_loader(open_unit, spoilt):
    open_unit.ask(TOW, START)
    pieces = [PIECES[0][:-1] + b"\0", *PIECES[1:]] if spoilt == "data" else PIECES
    send_pieces(open_unit, pieces)
    open_unit.ask(TOW, "37")
    assert (
        check(open_unit, 1 if spoilt == "given" else zlib.crc32(b"".join(pieces))) == "7101020201"
    )
    open_unit.ask(TOW, "1101")
    open_unit.wait(3.1)
    assert open_unit.ask(TOW, "22f189") == "62f189" + b"0.0.0".hex()
    assert open_unit.ask(TOW, "220700") == "7f2231"
    assert open_unit.ask(TOW, "1902ff") == "7f197f"
    assert open_unit.ask(TOW, "14ffffff") == "7f147f"
    assert open_unit.ask(TOW, "2e0700000007") == "7f2e7f"
    assert open_unit.ask(TOW, "1003") == "7f1012"
    open_unit.unlock(TOW, 1, session=2)  # and it can be given its software again
    assert open_unit.ask(TOW, START) == "74200102"
    send_pieces(open_unit)
    open_unit.ask(TOW, "37")
    assert check(open_unit) == "7101020200"


def test_a_lost_session_ends_the_transfer(open_unit):
    open_unit.ask(TOW, START)
    open_unit.wait(5.1)
    assert open_unit.ask(TOW, "3601" + PIECES[0].hex()) == "7f367f"
    open_unit.unlock(TOW, 1, session=2)
    assert open_unit.ask(TOW, "3601" + PIECES[0].hex()) == "7f3624"
    assert open_unit.ask(TOW, "37") == "7f3724"
    assert check(open_unit) == "7f3124"


@pytest.mark.parametrize(
    ("request_hex", "answer"),
    [
        ("34", "7f3413"),
        ("340044000100", "7f3413"),
        ("34004400010000000003e9", "7f3431"),  # another size
        ("34004400020000000003e8", "7f3431"),
        ("34114400010000000003e8", "7f3431"),  # no compression or encryption here
        ("36", "7f3613"),
        ("3601aa", "7f3624"),
        ("3700", "7f3713"),
        ("37", "7f3724"),
        ("31", "7f3113"),
        ("3101020200", "7f3113"),
        ("3101020300000000", "7f3131"),
        ("3102020200000000", "7f3112"),
        ("31030202", "7f3124"),
        ("3103020200", "7f3113"),
        ("3101020200000000", "7f3124"),
    ],
)
def test_refusals(open_unit, request_hex, answer):
    assert open_unit.ask(TOW, request_hex) == answer
    assert open_unit.car.memory("tow_control").application


@pytest.mark.parametrize(
    ("request_hex", "answer"),
    [
        ("3602aa", "7f3673"),
        ("3600aa", "7f3673"),
        ("3601", "7f3613"),
        ("3601" + "aa" * 257, "7f3613"),  # longer than the answer to 0x34 said
        ("37", "7f3724"),
    ],
)
def test_refusals_within_a_transfer(open_unit, request_hex, answer):
    open_unit.ask(TOW, START)
    assert open_unit.ask(TOW, request_hex) == answer


def test_more_than_was_announced(open_unit):
    open_unit.ask(TOW, START)
    send_pieces(open_unit)
    assert open_unit.ask(TOW, "3605aa") == "7f3671"


def test_access(asker):
    assert asker.ask(TOW, START) == "7f347f"
    asker.ask(TOW, "1003")
    assert asker.ask(TOW, START) == "7f347f"
    assert asker.ask(TOW, "3101020200000000") == "7f317e"
    asker.ask(TOW, "1002")
    assert asker.ask(TOW, START) == "7f3433"
    assert asker.ask(TOW, "3101020200000000") == "7f3133"
    assert asker.ask(BODY, START) == "7f3411"


def test_a_unit_without_application_sends_no_messages(open_unit):
    open_unit.unlock(GATEWAY, 1)
    open_unit.unlock(TOW, 3)
    open_unit.ask(TOW, "2e0700000107")
    open_unit.ask(BODY, "14ffffff")
    open_unit.wait(2.1)
    assert "d12400" not in open_unit.ask(BODY, "1902ff")
    open_unit.unlock(TOW, 1, session=2)
    open_unit.ask(TOW, START)
    assert "d124002f" in open_unit.ask(BODY, "1902ff")


def test_erasing_loads_the_supply(scenario, build_asker):
    supply = SupplyTruth(support_limit_a=5.0, internal_resistance_ohm=0.02)
    asker = build_asker(replace(scenario, supply=supply))
    asker.unlock(TOW, 1, session=2)
    before = asker.car.measure_volts(asker.now_s)
    asker.replies(TOW, START)
    # the unit's 0.3 A a second time through 0.02 Ohm
    assert before - asker.car.measure_volts(asker.now_s) == pytest.approx(0.006, abs=0.001)
