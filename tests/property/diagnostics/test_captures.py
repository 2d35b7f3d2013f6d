"""Whatever bytes a capture holds, reading it ends, and with words or counts."""

import struct
import tempfile
from pathlib import Path

from hypothesis import example, given
from hypothesis import strategies as st

from donorfit.diagnostics.isotp_listening import Broken, IsotpListener, WholeMessage
from donorfit.edge.captures.packet_files import FileEnd, Packet, read_packets
from donorfit.edge.captures.trace import CaptureTrace
from donorfit.edge.captures.trace_names import TraceNames
from donorfit.errors import InputError

LINK_TYPES = (0, 1, 12, 101, 108, 113, 147, 227, 276)
MAGICS = [bytes.fromhex(text) for text in ("0A0D0D0A", "D4C3B2A1", "A1B2C3D4", "4D3CB2A1")]


def read_all(packets):
    trace = CaptureTrace(TraceNames())
    return list(trace.read(packets)), trace


@given(st.lists(st.tuples(st.sampled_from(LINK_TYPES), st.binary(max_size=120)), max_size=8))
def test_any_packets_end_in_events_or_counts(contents):
    packets = [
        Packet(number=at, at_s=0.0, link_type=kind, data=data, cut_bytes=0)
        for at, (kind, data) in enumerate(contents, 1)
    ]
    events, trace = read_all(packets)
    assert trace.packets == len(packets)
    assert all(each.words.isprintable() for each in events)


# 0x8001 on raw IP and TCP, mutated: what comes close to the real thing goes deepest.
FRAME = bytes.fromhex("02FD8001000000070E801071 22F190")
HEAD = bytes.fromhex("45000037000000004006000 0C0000209C0000201".replace(" ", ""))
CHANGES = st.lists(st.tuples(st.integers(0, 54), st.integers(0, 255)), max_size=4)
TCP = bytes.fromhex("C3503458 00000001 00000000 5018 FFFF 0000 0000")


@given(CHANGES, st.integers(0, 55))
@example([], 55)
def test_a_damaged_packet_ends_in_events_or_counts(changes, length):
    data = bytearray(HEAD + TCP + FRAME)
    for at, value in changes:
        data[at % len(data)] = value
    packet = Packet(
        number=1, at_s=0.0, link_type=101, data=bytes(data[:length]), cut_bytes=55 - length
    )
    events, trace = read_all([packet, packet])
    assert trace.packets == 2
    if length == len(data) and not changes:
        # the second one is taken for the first one sent again
        assert [each.words for each in events] == ["read data: F190 VIN"]


@given(st.sampled_from(MAGICS), st.binary(max_size=200))
def test_any_file_ends(magic, rest):
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "capture"
        path.write_bytes(magic + rest)
        try:
            found = list(read_packets(path))
        except InputError:
            found = []
    assert all(isinstance(each, FileEnd | Packet) for each in found)
    assert [each for each in found if isinstance(each, FileEnd)] in ([], found[-1:])


@given(st.binary(min_size=8, max_size=3000), st.lists(st.integers(0, 500), max_size=3))
def test_a_message_is_whole_or_broken_never_another(pdu, lost):
    """A law: frames that are lost break a message; they never make a different one."""
    frames = [struct.pack("!H", 0x1000 | len(pdu)) + pdu[:6]]
    frames += [
        bytes((0x20 | (number + 1) % 16,)) + pdu[at : at + 7]
        for number, at in enumerate(range(6, len(pdu), 7))
    ]
    gone = {each for each in lost if each < len(frames)}
    listener = IsotpListener()
    seen = [
        each
        for number, frame in enumerate(frames)
        if number not in gone
        for each in listener.take(frame)
    ]
    seen += listener.end()
    whole = [each.pdu for each in seen if isinstance(each, WholeMessage)]
    if not gone:
        assert whole == [pdu]
    # 16 frames lost in a row cannot be seen by the counter; three never are
    elif len(gone) < len(frames):
        assert whole == []
        assert any(isinstance(each, Broken) for each in seen)
