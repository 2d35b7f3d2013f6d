"""Capture files of every form, whole, cut and damaged."""

import struct

import pytest
from builders import block, make_pcap, make_pcapng

from donorfit.edge.captures.packet_files import FileEnd, Packet, read_packets
from donorfit.errors import InputError

DATA = [b"one", b"", b"three packets"]


def read(tmp_path, content):
    path = tmp_path / "capture"
    path.write_bytes(content)
    return list(read_packets(path))


@pytest.mark.parametrize("order", "<>")
@pytest.mark.parametrize("nanoseconds", [False, True])
def test_pcap_of_both_byte_orders_and_resolutions(tmp_path, order, nanoseconds):
    content = make_pcap(
        [(1_700_000_000.25, each) for each in DATA],
        order=order,
        link_type=101,
        nanoseconds=nanoseconds,
    )
    packets = read(tmp_path, content)
    assert [each.data for each in packets] == DATA
    assert [each.number for each in packets] == [1, 2, 3]
    assert {(each.at_s, each.link_type) for each in packets} == {(1_700_000_000.25, 101)}


@pytest.mark.parametrize("order", "<>")
def test_pcapng_of_both_byte_orders(tmp_path, order):
    packets = read(tmp_path, make_pcapng([(2_500_000, each) for each in DATA], order=order))
    assert [each.data for each in packets] == DATA
    assert packets[0].at_s == 2.5


@pytest.mark.parametrize(
    ("resolution", "ticks", "at_s"), [(9, 2_500_000_000, 2.5), (0x8A, 2560, 2.5), (3, 2500, 2.5)]
)
def test_resolution_and_offset_of_an_interface(tmp_path, resolution, ticks, at_s):
    options = struct.pack("<HHB3x", 9, 1, resolution) + struct.pack("<HHq", 14, 8, 100)
    (packet,) = read(tmp_path, make_pcapng([(ticks, b"x")], options=options))
    assert packet.at_s == at_s + 100


def test_old_and_simple_packet_blocks(tmp_path):
    content = make_pcapng([])
    content += block("<", 2, struct.pack("<HHIIII", 0, 0, 0, 7, 3, 9) + b"abc\0")
    content += block("<", 3, struct.pack("<I", 3) + b"def\0")
    old, simple = read(tmp_path, content)
    assert (old.data, old.cut_bytes, old.at_s) == (b"abc", 6, 7e-6)
    assert simple.data == b"def"


def test_several_sections_of_different_byte_order(tmp_path):
    content = make_pcapng([(1, b"a")], order="<") + make_pcapng([(2, b"b")], order=">")
    assert [each.data for each in read(tmp_path, content)] == [b"a", b"b"]


@pytest.mark.parametrize("content", [make_pcap([(1, b"abc")] * 3), make_pcapng([(1, b"abc")] * 3)])
def test_a_file_cut_anywhere_gives_what_came_before(tmp_path, content):
    whole = [each for each in read(tmp_path, content) if isinstance(each, Packet)]
    assert len(whole) == 3
    for length in range(5, len(content)):
        found = read(tmp_path, content[:length])
        packets = [each for each in found if isinstance(each, Packet)]
        assert packets == whole[: len(packets)]
        ends = [each for each in found if isinstance(each, FileEnd)]
        # a cut exactly between two packets cannot be seen
        assert len(ends) <= 1
        assert all("ends in the middle" in each.why for each in ends)
        assert len(ends) == 1 or len(read(tmp_path, content[:length] + b"\0")) > len(packets)


@pytest.mark.parametrize(
    ("content", "why"),
    [
        (make_pcap([]) + struct.pack("<IIII", 0, 0, 0xFFFFFFF0, 0), "claims 4294967280 bytes"),
        (make_pcapng([]) + struct.pack("<II", 6, 0xFFFFFFF0), "claims 4294967280 bytes"),
        (make_pcapng([]) + struct.pack("<II", 6, 13), "claims 13 bytes"),
        (make_pcapng([]) + block("<", 6, struct.pack("<IIIII", 5, 0, 0, 0, 0)), "not describe"),
        (make_pcapng([]) + block("<", 6, struct.pack("<IIIII", 0, 0, 0, 9, 9)), "than it claims"),
        (make_pcapng([]) + block("<", 6, bytes(4)), "shorter than its head"),
        (make_pcapng([]) + block("<", 1, bytes(4)), "too short"),
        (bytes.fromhex("0A0D0D0A 1C000000 00000000") + bytes(20), "section is damaged"),
    ],
)
def test_a_damaged_file_is_told_by_its_place(tmp_path, content, why):
    (end,) = read(tmp_path, content)
    assert isinstance(end, FileEnd)
    assert why in end.why


@pytest.mark.parametrize("content", [b"", b"\x0a", b"hello, world", bytes(100)])
def test_something_else_is_no_capture(tmp_path, content):
    with pytest.raises(InputError, match="no capture file"):
        read(tmp_path, content)


def test_a_file_that_is_not_there(tmp_path):
    with pytest.raises(InputError, match="cannot be read"):
        list(read_packets(tmp_path / "nothing"))
    with pytest.raises(InputError, match="cannot be read"):
        list(read_packets(tmp_path))
