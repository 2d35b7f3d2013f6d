"""Software in pieces, with erase and dependency routines, digests, and as a file.

CRC-32 by zlib, outside the project.
"""

import zlib
from dataclasses import replace

import pytest

from donorfit.simulator.car import SimulatedCar
from donorfit.simulator.scenario import BlockTruth, SegmentTruth

TOW = 0x1071
PARTS = (bytes(range(200)), bytes(range(100, 180)))
WHOLE = b"".join(PARTS)


def crc(data: bytes) -> str:
    return f"{zlib.crc32(data):08x}"


def segments(*addresses: int, unpacked: int = 0) -> tuple[SegmentTruth, ...]:
    return tuple(
        SegmentTruth(
            memory_address=address,
            size_bytes=len(part),
            crc32=zlib.crc32(part),
            unpacked_bytes=unpacked,
        )
        for address, part in zip(addresses, PARTS, strict=True)
    )


BLOCK = BlockTruth(
    version="4.0.0",
    memory_address=0x100,
    size_bytes=len(WHOLE),
    crc32=zlib.crc32(WHOLE),
    routine_check=0x0202,
    seconds=10.0,
    security_level=1,
    segments=segments(0x100, 0x1000),
)


@pytest.fixture
def build(scenario, build_asker):
    def with_block(**changes):
        place = scenario.find_unit("tow_control")
        truth = replace(scenario.units[place], blocks=(replace(BLOCK, **changes),))
        units = (*scenario.units[:place], truth, *scenario.units[place + 1 :])
        asker = build_asker(replace(scenario, units=units))
        asker.unlock(TOW, 1, session=2)
        return asker

    return with_block


def bring(asker, part: bytes, begin: str, end: str = "37") -> str:
    assert asker.ask(TOW, begin)[:2] in {"74", "78"}
    for counter, at in enumerate(range(0, len(part), 100), 1):
        piece = part[at : at + 100]
        assert asker.ask(TOW, f"36{counter:02x}{piece.hex()}") == f"76{counter:02x}"
    return asker.ask(TOW, end)


def version(asker) -> str:
    asker.ask(TOW, "3e00")
    return asker.car.memory("tow_control").software


def test_two_pieces_are_checked_together(build):
    asker = build()
    assert bring(asker, PARTS[0], "3400440000010000" + "0000c8") == "77"
    assert asker.ask(TOW, "31010202" + crc(WHOLE)) == "7101020201"  # one is missing
    assert bring(asker, PARTS[1], "340044000010000000" + "0050") == "77"
    assert version(asker) == "3.0.0"
    assert not asker.car.memory("tow_control").application
    assert asker.ask(TOW, "31010202" + crc(WHOLE)) == "7101020200"
    assert version(asker) == "4.0.0"


def test_a_piece_lasts_without_session_and_supply(build):
    asker = build()
    bring(asker, PARTS[0], "34004400000100000000c8")
    asker.wait(6)
    saved = asker.car.save(asker.now_s)
    again = SimulatedCar(asker.car.scenario, saved=saved)
    assert again.memory("tow_control").flash == asker.car.memory("tow_control").flash
    assert again.memory("tow_control").flash.written == ((0, 0, zlib.crc32(PARTS[0])),)
    old = dict(saved, units={name: {k: v for k, v in unit.items() if k != "flash"} for name, unit in saved["units"].items()})  # fmt: skip
    assert SimulatedCar(asker.car.scenario, saved=old).memory("tow_control").flash.written == ()


def test_an_erase_routine_comes_first(build):
    asker = build(routine_erase=0xFF00)
    assert asker.ask(TOW, "34004400000100000000c8") == "7f3470"
    assert asker.car.memory("tow_control").application
    assert asker.ask(TOW, "3101ff0044000001000000ff") == "7f3113"
    assert asker.ask(TOW, "3101ff004400000100000000ff") == "7f3131"
    # as many bytes of address and size as the tester likes
    assert asker.ask(TOW, "3101ff00120100" + "c8") == "7101ff0000"
    assert asker.ask(TOW, "3101ff00220100" + "00c8") == "7101ff0000"
    assert not asker.car.memory("tow_control").application
    assert bring(asker, PARTS[0], "34002201" + "0000c8") == "77"
    assert asker.ask(TOW, "34004400001000000000" + "50") == "7f3470"
    assert asker.ask(TOW, "3101ff00") == "7101ff0000"  # all pieces, the first one too
    assert asker.car.memory("tow_control").flash.written == ()


def test_each_piece_by_itself_with_its_crc_in_the_exit(build):
    asker = build(check_each=True, exit_crc=True)
    begin = "34004400000100000000c8"
    assert bring(asker, PARTS[0], begin) == "7f3713"
    assert bring(asker, PARTS[0], begin, "3700000000") == "7f3772"
    assert bring(asker, PARTS[0], begin, "37" + crc(PARTS[0])) == "77" + crc(PARTS[0])
    assert asker.ask(TOW, "31010202" + crc(PARTS[0])) == "7101020200"
    assert version(asker) != "4.0.0"
    begin = "3400440000100000000050"
    assert bring(asker, PARTS[1], begin, "37" + crc(PARTS[1])) == "77" + crc(PARTS[1])
    assert asker.ask(TOW, "31010202" + crc(PARTS[1])) == "7101020200"
    assert version(asker) == "4.0.0"


def test_the_dependency_routine_takes_it_into_use(build):
    asker = build(routine_dependencies=0xFF01)
    assert asker.ask(TOW, "3101ff01") == "7101ff0101"
    bring(asker, PARTS[0], "34004400000100000000c8")
    bring(asker, PARTS[1], "3400440000100000000050")
    assert asker.ask(TOW, "31010202" + crc(WHOLE)) == "7101020200"
    assert version(asker) != "4.0.0"
    assert asker.ask(TOW, "3101ff0100") == "7f3113"
    assert asker.ask(TOW, "3101ff01") == "7101ff0100"
    assert version(asker) == "4.0.0"


def test_packed_pieces_are_named_by_their_size_in_memory(build):
    asker = build(data_format=0x11, segments=segments(0x100, 0x80_0000_1000, unpacked=500))
    assert asker.ask(TOW, "34004400000100000001f4") == "7f3431"  # another data format
    assert bring(asker, PARTS[0], "34112201" + "0001f4") == "77"
    assert bring(asker, PARTS[1], "341125" + "8000001000" + "01f4") == "77"
    assert asker.ask(TOW, "31010202" + crc(WHOLE)) == "7101020200"


PATH = "/up/tow.bin"
FILE = {"file_path": PATH, "segments": (), "resumable": True}
NAME = f"{len(PATH):04x}" + PATH.encode().hex()


def test_a_file_comes_by_its_name_and_goes_on_where_it_was_cut(build):
    asker = build(**FILE)
    sizes = "02" + f"{len(WHOLE):04x}" * 2
    assert asker.ask(TOW, "3806" + NAME + "00" + sizes) == "7f3831"  # nothing to go on with
    assert asker.ask(TOW, "3803" + NAME + "00" + sizes) == "7803020102" + "00"
    assert asker.ask(TOW, "3601" + WHOLE[:100].hex()) == "7601"
    assert asker.ask(TOW, "3602" + WHOLE[100:150].hex()) == "7602"
    asker.ask(TOW, "1101")
    asker.wait(4)
    asker.unlock(TOW, 1, session=2)
    assert asker.ask(TOW, "3602" + WHOLE[150:].hex()) == "7f3624"
    assert asker.ask(TOW, "3806" + NAME + "00" + sizes) == "7806020102" + "00" + f"{150:016x}"
    assert asker.ask(TOW, "3601" + WHOLE[150:].hex()) == "7601"
    assert asker.ask(TOW, "37") == "77"
    assert asker.ask(TOW, "31010202" + crc(WHOLE)) == "7101020200"
    assert version(asker) == "4.0.0"


@pytest.mark.parametrize(
    ("request_hex", "answer"),
    [
        ("38", "7f3813"),
        ("3803", "7f3813"),
        ("3804" + NAME + "00", "7f3813"),
        ("3803" + NAME + "00020118", "7f3813"),
        ("3803" + NAME + "000201180119", "7f3831"),
        ("3803" + NAME + "110201180118", "7f3831"),
        ("3803000161" + "000201180118", "7f3831"),
        ("34004400000100000000c8", "7f3431"),
    ],
)
def test_files_that_are_refused(build, request_hex, answer):
    asker = build(**FILE)
    assert asker.ask(TOW, request_hex) == answer


def test_a_unit_without_file_system(build):
    asker = build()
    assert asker.ask(TOW, "3803" + NAME + "000201180118") == "7f3811"
    asker = build(**{**FILE, "resumable": False})
    assert asker.ask(TOW, "3803" + NAME + "000201180118")[:4] == "7803"
    asker.ask(TOW, "3601" + WHOLE[:100].hex())
    assert asker.ask(TOW, "3806" + NAME + "000201180118") == "7f3831"
