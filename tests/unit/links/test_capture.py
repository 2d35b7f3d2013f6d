"""Captures, read back by a few lines of our own; independent readers are in reference/link."""

from __future__ import annotations

import struct

import pytest

from donorfit.diagnostics.doip_messages import DiagnosticMessage, encode_message
from donorfit.diagnostics.pdu import Direction, Layer, TracedFrame
from donorfit.edge.captures.packet_files import read_packets
from donorfit.edge.captures.trace import CaptureTrace
from donorfit.edge.captures.trace_names import TraceNames
from donorfit.edge.clock import RealClock
from donorfit.edge.links.capture import CaptureFile
from donorfit.errors import InputError
from donorfit.vehicle.identity import Address


def blocks_of(data: bytes):
    at = 0
    while at < len(data):
        kind, length = struct.unpack_from("<II", data, at)
        assert length % 4 == 0
        assert struct.unpack_from("<I", data, at + length - 4) == (length,)
        yield kind, data[at + 8 : at + length - 4]
        at += length


def frame(data: bytes, layer=Layer.DOIP_TCP, direction=Direction.SENT, **options) -> TracedFrame:
    return TracedFrame(
        at_s=RealClock().now(), direction=direction, layer=layer, data=data, **options
    )


def test_each_frame_is_a_block_and_blocks_are_whole(tmp_path) -> None:
    path = tmp_path / "trace.pcapng"
    capture = CaptureFile(path, RealClock())
    capture.take(frame(b"\x02\xfd\x00\x07\x00\x00\x00\x00"))
    capture.take(frame(b"\x02\x3e\x00", Layer.CAN, source=0x18DA71F1, wide=True))
    capture.take(frame(b"\x3e\x00", Layer.UDS, source=0x0E80, target=0x1071))
    capture.take(frame(b"\xff\x00\x00\x01\x00\x00\x00\x00", Layer.DOIP_UDP))
    capture.close()
    capture.close()
    blocks = list(blocks_of(path.read_bytes()))
    assert [kind for kind, _ in blocks] == [0x0A0D0D0A, 1, 1, 6, 6, 6, 6]
    assert capture.frames == 4
    can = blocks[4][1][20:]
    assert struct.unpack_from("!I", can) == (0x98DA71F1,)


def test_a_large_frame_is_cut_into_segments_with_running_numbers(tmp_path) -> None:
    path = tmp_path / "trace.pcapng"
    capture = CaptureFile(path, RealClock())
    capture.take(frame(bytes(70_000)))
    capture.take(frame(b"\x00" * 8))
    capture.close()
    packets = [body[20:] for kind, body in blocks_of(path.read_bytes()) if kind == 6]
    sequences = [struct.unpack_from("!I", packet, 24)[0] for packet in packets]
    assert sequences == [1, 32_001, 64_001, 70_001]


def test_the_file_is_bounded_and_what_is_left_out_is_counted(tmp_path) -> None:
    capture = CaptureFile(tmp_path / "trace.pcapng", RealClock(), max_bytes=2000)
    for _ in range(100):
        capture.take(frame(bytes(100)))
    capture.close()
    assert capture.frames + capture.left_out == 100
    assert capture.left_out > 80
    assert (tmp_path / "trace.pcapng").stat().st_size < 2500


def test_a_place_that_cannot_be_written_is_told(tmp_path) -> None:
    with pytest.raises(InputError, match="cannot be written"):
        CaptureFile(tmp_path / "missing" / "trace.pcapng", RealClock())


def test_a_failing_disk_does_not_stop_the_session(tmp_path) -> None:
    capture = CaptureFile(tmp_path / "trace.pcapng", RealClock())

    class Full:
        def write(self, data):
            raise OSError(28, "No space left on device")

        def close(self):
            raise OSError(28, "No space left on device")

    capture._file.close()
    capture._file = Full()
    capture.take(frame(b"\x00" * 8))
    capture.take(frame(b"\x00" * 8))
    capture.close()
    assert capture.failed == "No space left on device"
    assert capture.left_out == 2


def test_a_file_that_is_no_capture_is_not_overwritten(tmp_path) -> None:
    job = tmp_path / "car.donorfit"
    job.write_bytes(b"SQLite format 3\0 and the backups")
    with pytest.raises(InputError, match="no capture"):
        CaptureFile(job, RealClock())
    assert job.read_bytes().startswith(b"SQLite")


def test_a_second_session_is_a_section_more(tmp_path) -> None:
    path = tmp_path / "trace.pcapng"
    for _ in range(3):
        capture = CaptureFile(path, RealClock())
        capture.take(frame(b"\x02\xfd\x00\x07\x00\x00\x00\x00"))
        capture.close()
        assert capture.notes == []
    blocks = list(blocks_of(path.read_bytes()))
    assert [kind for kind, _ in blocks] == [0x0A0D0D0A, 1, 1, 6] * 3
    ports = [struct.unpack_from("!H", body, 40)[0] for kind, body in blocks if kind == 6]
    assert ports == [50000, 50001, 50002]  # a connection of its own each


def test_a_capture_of_an_earlier_version_is_added_to(tmp_path) -> None:
    path = tmp_path / "trace.pcapng"
    section = struct.pack("<IIIHHqI", 0x0A0D0D0A, 28, 0x1A2B3C4D, 1, 0, -1, 28)
    ports = [struct.pack("<IIHHII", 1, 20, link, 0, 0, 20) for link in (101, 227)]
    path.write_bytes(section + b"".join(ports))
    CaptureFile(path, RealClock()).close()
    kinds = [kind for kind, _ in blocks_of(path.read_bytes())]
    assert kinds == [0x0A0D0D0A, 1, 1] * 2


@pytest.mark.parametrize("left", [1, 7, 8, 20, 40])
def test_a_torn_end_is_kept_beside_and_what_follows_is_readable(tmp_path, left) -> None:
    path = tmp_path / "trace.pcapng"
    capture = CaptureFile(path, RealClock())
    capture.take(frame(bytes(100)))
    whole = path.stat().st_size  # nothing is held back: a program that is killed loses no frame
    capture.take(frame(bytes(100)))
    both = path.read_bytes()
    path.write_bytes(both[: whole + left])
    (tmp_path / "trace.pcapng.torn-1").write_bytes(b"of an earlier time")
    again = CaptureFile(path, RealClock())
    again.take(frame(bytes(8)))
    again.close()
    assert [kind for kind, _ in blocks_of(path.read_bytes())] == [0x0A0D0D0A, 1, 1, 6] * 2
    assert (tmp_path / "trace.pcapng.torn-2").read_bytes() == both[whole : whole + left]
    kept = "1 byte is kept" if left == 1 else f"{left} bytes are kept"
    assert f"its last {kept} in trace.pcapng.torn-2" in again.notes[0]


def test_a_capture_of_another_program_or_a_damaged_one_is_left_alone(tmp_path) -> None:
    path = tmp_path / "trace.pcapng"
    capture = CaptureFile(path, RealClock())
    capture.take(frame(bytes(100)))
    capture.close()
    ours = path.read_bytes()
    for data, what in (
        (ours.replace(b"donorfit", b"analyser"), "no capture file that donorfit wrote"),
        (b"\x0a\x0d\x0d\x0a", "no capture file that donorfit wrote"),
        (ours[:-4] + bytes(4), "damaged"),
        (ours + bytes(64), "damaged"),
        (b"\xd4\xc3\xb2\xa1" + bytes(20), "no capture file that donorfit wrote"),
    ):
        path.write_bytes(data)
        with pytest.raises(InputError, match=what):
            CaptureFile(path, RealClock())
        assert path.read_bytes() == data
        assert [each.name for each in tmp_path.iterdir()] == [path.name]


def test_a_block_that_only_half_fits_on_the_disk_is_taken_back(tmp_path, monkeypatch) -> None:
    path = tmp_path / "trace.pcapng"
    capture = CaptureFile(path, RealClock())
    capture.take(frame(bytes(100)))
    file = capture._file

    class Narrow:
        def __getattr__(self, name):
            return getattr(file, name)

        def write(self, data):
            return file.write(data[:50])

    capture._file = Narrow()
    capture.take(frame(bytes(100)))
    capture.close()
    assert "space" in capture.failed
    assert [kind for kind, _ in blocks_of(path.read_bytes())] == [0x0A0D0D0A, 1, 1, 6]


def list_requests(path):
    """What the program's own reader makes of a capture: the first bytes of each UDS message."""
    trace = CaptureTrace(TraceNames())
    return [each.pdu.hex() for each in trace.read(read_packets(path)) if each.pdu]


def message(pdu: bytes) -> bytes:
    return encode_message(DiagnosticMessage(source=Address(0x0E80), target=Address(9), pdu=pdu))


def test_what_a_lost_connection_left_half_does_not_hide_the_next_one(tmp_path) -> None:
    path = tmp_path / "trace.pcapng"
    capture = CaptureFile(path, RealClock())
    for pdus in ((b"\x22\xf1\x90", b"\x22\xf1\x8c"), (b"\x3e\x00", b"\x11\x01")):
        capture.begin_connection()
        capture.take(frame(message(pdus[0])))
        capture.take(frame(message(pdus[1])))
        capture.take(frame(message(b"\x2e\x01\x00\x01")[:-3]))
    capture.close()
    assert list_requests(path) == ["22f190", "22f18c", "3e00", "1101"]


def test_after_a_frame_that_has_no_room_no_smaller_one_is_joined_to_what_is_there(
    tmp_path,
) -> None:
    capture = CaptureFile(tmp_path / "trace.pcapng", RealClock(), max_bytes=300)
    for pdu in (b"\x22\xf1\x90", bytes(300), b"\x3e\x00"):
        capture.take(frame(message(pdu)))
    capture.close()
    assert (capture.frames, capture.left_out) == (1, 2)
