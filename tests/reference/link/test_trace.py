"""Captures and frames of others, read by our trace; numbers of services against another library.

scapy (GPL-2.0) and Wireshark's programs run in processes of their own, each where installed.
py-uds (MIT) segments ISO-TP messages, udsoncan (MIT) knows the numbers of ISO 14229-1.
"""

from __future__ import annotations

import random
import shutil
import subprocess
import sys
from importlib.util import find_spec

import pytest

from donorfit.diagnostics.isotp_listening import IsotpListener, WholeMessage
from donorfit.diagnostics.uds_words import IDENTIFIER_NAMES, SERVICE_NAMES
from donorfit.edge.captures.packet_files import read_packets
from donorfit.edge.captures.trace import CaptureTrace
from donorfit.edge.captures.trace_names import TraceNames

pytestmark = pytest.mark.reference

# Segments are cut, doubled and out of order, as on a real network.
SCAPY = """
import sys
from scapy.all import Ether, IP, TCP, UDP, Raw, wrpcap, wrpcapng, raw
from scapy.contrib.automotive.doip import DoIP
from scapy.contrib.automotive.uds import UDS, UDS_RDBI, UDS_NR, UDS_WDBI

tester, car = dict(src="192.0.2.9", dst="192.0.2.1"), dict(src="192.0.2.1", dst="192.0.2.9")
stream = b"".join(raw(each) for each in (
    DoIP(payload_type=0x5, source_address=0xE80, activation_type=0),
    DoIP(payload_type=0x8001, source_address=0xE80, target_address=0x1071)
        / UDS() / UDS_RDBI(identifiers=[0xF190]),
    DoIP(payload_type=0x8001, source_address=0xE80, target_address=0x1071)
        / UDS() / UDS_WDBI(dataIdentifier=0x0601) / Raw(b"\\x01\\x02"),
))
answers = b"".join(raw(each) for each in (
    DoIP(payload_type=0x6, logical_address_tester=0xE80, logical_address_doip_entity=0x1010,
         routing_activation_response=0x10),
    DoIP(payload_type=0x8002, source_address=0x1071, target_address=0xE80, ack_code=0),
    DoIP(payload_type=0x8001, source_address=0x1071, target_address=0xE80)
        / UDS() / UDS_NR(requestServiceId=0x2E, negativeResponseCode=0x33),
))
ends = dict(sport=50000, dport=13400), dict(sport=13400, dport=50000)
def cut(stream, size, address, ports, first):
    return [Ether() / IP(**address) / TCP(**ports, seq=(first + at) % 2**32, flags="PA")
            / Raw(stream[at:at + size]) for at in range(0, len(stream), size)]
ask, say = cut(stream, 11, tester, ends[0], 1000), cut(answers, 9, car, ends[1], 0xFFFFFFF0)
ask[2], ask[3] = ask[3], ask[2]
packets = [
    Ether() / IP(**tester) / UDP(sport=40000, dport=13400) / DoIP(payload_type=0x1),
    Ether() / IP(**car) / UDP(sport=13400, dport=40000) / DoIP(
        payload_type=0x4, vin=b"ZZ9MRE1A3L0004217", logical_address=0x1010, eid=b"\\2\\0\\0\\0\\0\\1",
        gid=bytes(6), further_action=0),
    Ether() / IP(**tester) / TCP(**ends[0], seq=999, flags="S"),
    *ask, ask[0], *say,
]
(wrpcap if sys.argv[1].endswith("pcap") else wrpcapng)(sys.argv[1], packets)
"""
EXPECTED = [
    "who is there?",
    "here is VIN ZZ9MRE1A3L0004217, EID 02:00:00:00:00:01",
    "activate routing for 0E80, type default",
    "read data: F190 VIN",
    "write data: 0601 = 01 02",
    "routing activation answer 0x10: routing is active",
    "passed on",
    "refused, write data: NRC 0x33 securityAccessDenied",
]


def read(path):
    trace = CaptureTrace(TraceNames())
    return [each for each in trace.read(read_packets(path)) if not each.is_part], trace


@pytest.mark.parametrize("suffix", ["pcap", "pcapng"])
def test_a_capture_written_by_scapy_is_read_whole(tmp_path, suffix):
    if find_spec("scapy") is None:
        pytest.skip("scapy is not installed")
    path = tmp_path / f"scapy.{suffix}"
    done = subprocess.run(
        [sys.executable, "-c", SCAPY, str(path)],
        capture_output=True,
        text=True,
        timeout=100,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    events, trace = read(path)
    assert [each.words for each in events] == EXPECTED
    assert not trace.unread


def test_a_capture_written_by_text2pcap_is_read(tmp_path):
    program = shutil.which("text2pcap")
    if program is None:
        pytest.skip("text2pcap is not installed")
    text, path = tmp_path / "hex.txt", tmp_path / "out.pcapng"
    # 0x8001 from 0E80 to 1071 with 3E 00
    text.write_text("0000 02 FD 80 01 00 00 00 06 0E 80 10 71 3E 00\n")
    for options in (["-T", "50000,13400"], ["-u", "50000,13400"]):
        done = subprocess.run(
            [program, *options, text, path], capture_output=True, text=True, check=False
        )
        assert done.returncode == 0, done.stderr
        events, _ = read(path)
        assert [each.words for each in events] == ["tester present"]


def make_session(path, *, on_can):
    """A capture of a small session out of our own writer."""
    from donorfit.diagnostics.doip_messages import DiagnosticMessage, encode_message
    from donorfit.diagnostics.pdu import Direction, Layer, TracedFrame
    from donorfit.edge.clock import RealClock
    from donorfit.edge.links.capture import CaptureFile
    from donorfit.vehicle.identity import Address

    clock = RealClock()
    capture = CaptureFile(path, clock)
    way = {True: Direction.SENT, False: Direction.RECEIVED}
    talk = [(True, "22F190"), (False, "62F190" + b"ZZ9MRE1A3L0004217".hex()), (True, "1902FF"),
            (False, "5902FF0123002F9A12340A"), (True, "2E060155"), (False, "7F2E33"),
            (True, "3E00"), (False, "7E00")]  # fmt: skip
    for asked, text in talk:
        pdu = bytes.fromhex(text)
        ends = (0x0E80, 0x1071) if asked else (0x1071, 0x0E80)
        frames = segment(pdu) if on_can else [pdu]
        for frame in frames:
            data = frame
            if not on_can:
                message = DiagnosticMessage(
                    source=Address(ends[0]), target=Address(ends[1]), pdu=pdu
                )
                data = encode_message(message)
            capture.take(
                TracedFrame(
                    at_s=clock.now(),
                    direction=way[asked],
                    layer=Layer.CAN if on_can else Layer.DOIP_TCP,
                    data=data,
                    source=0x671 if asked else 0x771,
                )
            )
    capture.close()
    return [bytes.fromhex(text) for _, text in talk]


def segment(pdu, *, size=8, prefix=b""):
    """Frames of one message, made here by the tables of ISO 15765-2."""
    room = size - len(prefix)
    if len(pdu) < room and len(pdu) < 8:
        return [(prefix + bytes((len(pdu),)) + pdu).ljust(size, b"\xcc")]
    if len(pdu) < room - 1:
        return [(prefix + bytes((0, len(pdu))) + pdu).ljust(size, b"\xcc")]
    head = (0x1000 | len(pdu)).to_bytes(2, "big")
    if len(pdu) > 0xFFF:
        head = b"\x10\x00" + len(pdu).to_bytes(4, "big")
    first = room - len(head)
    frames, at, number = [prefix + head + pdu[:first]], first, 1
    while at < len(pdu):
        data = prefix + bytes((0x20 | number % 16,)) + pdu[at : at + room - 1]
        frames.append(data.ljust(size, b"\xcc"))
        at, number = at + room - 1, number + 1
    return frames


@pytest.mark.parametrize("on_can", [False, True])
def test_tshark_and_the_trace_see_the_same_services(tmp_path, on_can):
    program = shutil.which("tshark")
    if program is None:
        pytest.skip("tshark is not installed")
    path = tmp_path / "session.pcapng"
    pdus = make_session(path, on_can=on_can)
    by_hand = ["can.subdissector,iso15765", "iso15765.subdissector,uds"]
    options = [each for text in by_hand for each in ("-d", text)] if on_can else []
    done = subprocess.run(
        [program, "-r", path, *options, "-Y", "uds", "-T", "fields", "-e", "frame.number",
         "-e", "uds.sid"],
        capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    rows = [line.split("\t") for line in done.stdout.splitlines()]
    events, trace = read(path)
    assert [each.pdu for each in events] == pdus
    assert not trace.unread
    assert [each.number for each in events] == [int(row[0]) for row in rows]
    # tshark names the service of an answer without its reply bit, and a refusal as 0x3F
    theirs = [int(row[1].split(",")[0], 0) for row in rows]
    assert [0x3F if each.is_refusal else each.service for each in events] == theirs


def pieces_of_py_uds(pdu, *, extended, flexible):
    uds_can = pytest.importorskip("uds.can")
    from uds.addressing import AddressingType
    from uds.message import UdsMessage

    kind = uds_can.CanAddressingFormat
    ways = {
        "rx_physical_params": {"can_id": 0x771}, "tx_physical_params": {"can_id": 0x671},
        "rx_functional_params": {"can_id": 0x772}, "tx_functional_params": {"can_id": 0x672},
    }  # fmt: skip
    if extended:
        for number, each in enumerate(ways.values()):
            each["target_address"] = 0x10 + number
    info = uds_can.CanAddressingInformation(
        addressing_format=kind.EXTENDED_ADDRESSING if extended else kind.NORMAL_ADDRESSING, **ways
    )
    segmenter = uds_can.CanSegmenter(
        addressing_information=info, dlc=0xF if flexible else 8, use_data_optimization=flexible
    )
    message = UdsMessage(payload=pdu, addressing_type=AddressingType.PHYSICAL)
    return [bytes(each.raw_frame_data) for each in segmenter.segmentation(message)]


@pytest.mark.parametrize("extended", [False, True])
@pytest.mark.parametrize("flexible", [False, True])
def test_messages_cut_by_py_uds_are_put_together(extended, flexible):
    dice = random.Random(f"{extended} {flexible}")
    sizes = [*range(1, 20), 61, 62, 63, 64, 4095, 4096, 5000]
    for size in sizes + [dice.randrange(1, 3000) for _ in range(20)]:
        pdu = dice.randbytes(size)
        listener = IsotpListener(prefix_bytes=1 if extended else 0)
        frames = pieces_of_py_uds(pdu, extended=extended, flexible=flexible)
        seen = [each for frame in frames for each in listener.take(frame)]
        assert seen[-1] == WholeMessage(pdu=pdu, frames=len(frames)), size
        assert listener.end() == ()


def test_numbers_of_services_and_identifiers_are_those_of_udsoncan():
    udsoncan = pytest.importorskip("udsoncan")
    services = pytest.importorskip("udsoncan.services")
    theirs = {
        each.request_id()
        for each in vars(services).values()
        if isinstance(each, type) and each.__module__.startswith("udsoncan.services")
    }
    assert theirs == set(SERVICE_NAMES)
    known = udsoncan.DataIdentifier
    named = {
        getattr(known, name)
        for name in dir(known)
        if isinstance(getattr(known, name), int) and 0xF180 <= getattr(known, name) <= 0xF19F
    }
    assert set(IDENTIFIER_NAMES) <= named
    for number, words in ((0xF190, "VIN"), (0xF18C, "SerialNumber"), (0xF189, "SoftwareVersion")):
        assert words in next(n for n in dir(known) if getattr(known, n) == number)
