"""Packets of every kind told in words, and everything that was not read counted."""

import builders as b
import pytest

from donorfit.diagnostics.doip_messages import (
    AliveCheckRequest,
    DiagnosticMessage,
    DiagnosticNegativeAcknowledge,
    RoutingActivationRequest,
    RoutingActivationResponse,
    VehicleIdentificationRequest,
    encode_message,
)
from donorfit.edge.captures.packet_files import FileEnd, Packet
from donorfit.edge.captures.trace import CaptureTrace
from donorfit.edge.captures.trace_names import TraceNames, gather_trace_names
from donorfit.edge.packs.pack_reader import read_pack
from donorfit.vehicle.identity import Address

TESTER, UNIT = Address(0x0E80), Address(0x1071)
READ = encode_message(DiagnosticMessage(source=TESTER, target=UNIT, pdu=b"\x22\xf1\x90"))
ANSWER = encode_message(
    DiagnosticMessage(source=UNIT, target=TESTER, pdu=b"\x62\xf1\x90ZZ9MRE1A3L0004217")
)


def trace(*packets, link_type=101, names=None, **options):
    """Events, and the trace with its counts, of packets of one link type."""
    reader = CaptureTrace(names or TraceNames(), **options)
    made = [
        each
        if isinstance(each, FileEnd)
        else Packet(number=at, at_s=float(at), link_type=link_type, data=each, cut_bytes=0)
        for at, each in enumerate(packets, 1)
    ]
    return list(reader.read(made)), reader


def words(*packets, **options):
    return [each.words for each in trace(*packets, **options)[0]]


@pytest.mark.parametrize(
    ("link_type", "wrap"),
    [
        (1, b.ethernet),
        (1, lambda data: b.ethernet(data, tags=bytes.fromhex("8100 0005"))),
        (1, lambda data: b.ethernet(data, tags=bytes.fromhex("88A8 0005 8100 0006"))),
        (101, bytes),
        (12, bytes),
        (228, bytes),
        (0, lambda data: b"\x02\0\0\0" + data),
        (108, lambda data: b"\0\0\0\x02" + data),
        (113, lambda data: bytes(14) + b"\x08\x00" + data),
        (276, lambda data: b"\x08\x00" + bytes(18) + data),
    ],
)
def test_every_kind_of_link_that_is_promised(link_type, wrap):
    (event,) = trace(wrap(b.ip(b.tcp(READ, 1), 6)), link_type=link_type)[0]
    assert event.words == "read data: F190 VIN"
    assert (event.source, event.target) == ("tester 0E80", "1071")


def test_ipv6():
    assert words(b.ip6(b.tcp(READ, 1), 6)) == ["read data: F190 VIN"]
    frame = b.ethernet(b.ip6(b.udp(READ), 17), kind=0x86DD)
    assert words(frame, link_type=1) == ["read data: F190 VIN"]


def test_a_frame_in_many_segments_and_many_frames_in_one():
    stream = READ + ANSWER + READ
    pieces = [b.ip(b.tcp(stream[at : at + 5], 7 + at), 6) for at in range(0, len(stream), 5)]
    expected = [
        "read data: F190 VIN",
        "done, read data: F190 VIN = 'ZZ9MRE1A3L0004217'",
        "read data: F190 VIN",
    ]
    assert words(b.ip(b.tcp(stream, 7), 6)) == expected
    assert words(*pieces) == expected
    assert words(pieces[0], *reversed(pieces)) == expected


def test_all_doip_messages_have_words():
    frames = [
        VehicleIdentificationRequest(vin=b"ZZ9MRE1A3L0004217"),
        RoutingActivationRequest(source=TESTER),
        RoutingActivationResponse(tester=TESTER, entity=Address(0x1010), code=0x03),
        AliveCheckRequest(),
        DiagnosticNegativeAcknowledge(source=UNIT, target=TESTER, code=0x06),
    ]
    said = words(b.ip(b.udp(b"".join(map(encode_message, frames))), 17))
    assert said[0] == "who is there with VIN ZZ9MRE1A3L0004217?"
    assert said[1] == "activate routing for 0E80, type default"
    assert "0x03" in said[2]
    assert "already active on another connection" in said[2]
    assert said[3] == "are you still there?"
    assert "target unreachable" in said[4]


def test_what_is_not_diagnostic_is_left_out_and_counted_by_kind():
    events, reader = trace(
        b.ip(b.tcp(b"GET /", 1, target=80), 6),
        b.ip(b.tcp(b"\x16\x03", 1, target=3496), 6),
        b.ip(b.udp(b"x", target=53), 17),
        b.ip(b"ping", 1),
        b.ip(b.tcp(b"", 1), 6),
    )
    assert events == []
    assert reader.packets == 5
    assert reader.left_out == {
        "TCP of other ports": 1,
        "TLS (port 3496), encrypted": 1,
        "UDP of other ports": 1,
        "neither TCP nor UDP": 1,
    }
    assert not reader.unread


def test_another_port_is_read_where_it_is_named():
    packet = b.ip(b.tcp(READ, 1, target=40000), 6)
    assert words(packet) == []
    assert words(packet, ports=(40000,)) == ["read data: F190 VIN"]


def test_foreign_links_are_counted_by_their_number():
    _, reader = trace(b"\x01\x02\x03", link_type=147)
    assert reader.left_out == {"link type 147, not read here": 1}


@pytest.mark.parametrize(
    ("packets", "reason"),
    [
        ([b.ip(b.tcp(b"HTTP/1.1 200 OK", 1), 6)], "a DoIP header that is not accepted"),
        ([b.ip(b.tcp(READ[:9], 1), 6)], "a DoIP frame whose end was not captured"),
        ([b.ip(b.udp(READ[:9]), 17)], "a datagram that holds only part of a DoIP frame"),
        ([b.ip(b.tcp(READ, 1), 6), b.ip(b.tcp(READ, 99), 6)], "a gap in a TCP connection"),
        ([b.ip(b.tcp(READ, 1), 6, fragment=0x2000)], "IP fragment"),
        ([b.ip(b.tcp(READ, 1), 6)[:30]], "damaged packet"),
        ([b""], "damaged packet"),
        ([FileEnd(why="the file ends")], "the file ends"),
    ],
)
def test_what_cannot_be_read_is_counted_with_its_reason(packets, reason):
    _, reader = trace(*packets)
    assert reader.unread == {reason: 1}


def test_after_a_gap_the_next_header_is_found():
    said = words(b.ip(b.tcp(READ[:6], 1), 6), b.ip(b.tcp(ANSWER, 500), 6))
    assert said == ["done, read data: F190 VIN = 'ZZ9MRE1A3L0004217'"]


# CAN


def frames(identifier, *texts, wide=False):
    number = identifier | (0x80000000 if wide else 0)
    return [b.can(number, bytes.fromhex(text)) for text in texts]


VIN_FRAMES = ["10 14 62 F1 90 5A 5A 39", "21 4D 52 45 31 41 33 4C", "22 30 30 30 34 32 31 37"]
VIN_WORDS = "done, read data: F190 VIN = 'ZZ9MRE1A3L0004217'"


def test_can_without_a_pack_is_tried_as_it_is():
    packets = [
        *frames(0x671, "03 22 F1 90 CC CC CC CC"),
        *frames(0x771, VIN_FRAMES[0]),
        *frames(0x671, "30 00 7F CC CC CC CC CC"),
        *frames(0x771, *VIN_FRAMES[1:]),
    ]
    events, reader = trace(*packets, link_type=227)
    whole = [each for each in events if not each.is_part]
    assert [each.words for each in whole] == ["read data: F190 VIN", VIN_WORDS]
    assert [each.frames for each in whole] == [1, 3]
    assert "flow control: go on, block size 0, separation 7F" in [each.words for each in events]
    assert not reader.unread


@pytest.fixture(scope="module")
def names(repository):
    return gather_trace_names(read_pack(repository / "src/donorfit/demo/pack"))


def test_can_with_a_pack_knows_units_and_leaves_other_traffic_out(names):
    packets = [
        *frames(0x18DA71F1, "03 22 F1 90 CC CC CC CC", wide=True),
        *frames(0x123, "FF FF FF FF FF FF FF FF"),
        *frames(0x18DAF171, *VIN_FRAMES, wide=True),
        *frames(0x661, "61 03 22 F1 90 CC CC CC"),  # extended addressing
        *frames(0x661, "99 03 22 F1 90 CC CC CC"),  # another unit on that identifier
        *frames(0x761, "0E 04 62 06 61 05 CC CC"),
    ]
    events, reader = trace(*packets, link_type=227, names=names)
    said = [(e.source, e.target, e.words) for e in events if not e.is_part]
    assert said == [
        ("tester", "tow_control", "read data: F190 VIN"),
        ("tow_control", "tester", VIN_WORDS),
        ("tester", "rear_camera", "read data: F190 VIN"),
        ("rear_camera", "tester", "done, read data: 0661 Picture = 05"),
    ]
    assert reader.left_out == {"CAN frames of no diagnostic identifier of the pack": 2}


def test_frames_that_are_no_data_are_left_out():
    packets = [b.can(0x20000004, bytes(8)), b.can(0x40000123, b"", length=8)]
    events, reader = trace(*packets, link_type=227)
    assert events == []
    assert reader.left_out == {"CAN error frame": 1, "CAN remote frame": 1}


def test_a_message_with_a_missing_frame_is_told_and_never_made_up():
    events, reader = trace(*frames(0x771, VIN_FRAMES[0], VIN_FRAMES[2]), link_type=227)
    assert [each.is_readable for each in events] == [True, False]
    assert "frame 2 came instead of 1" in events[1].words
    assert reader.unread == {"an ISO-TP message or frame that is not whole": 1}
    events, reader = trace(*frames(0x771, *VIN_FRAMES[:2]), link_type=227)
    assert "13 of 20 bytes, the record ended" in events[-1].words
    assert sum(reader.unread.values()) == 1


def test_names_are_found_as_people_write_them(names):
    assert names.find_address("tow_control") == names.find_address("1071") == 0x1071
    assert names.find_address("0x1071") == 0x1071
    assert names.find_address("nobody") is None
