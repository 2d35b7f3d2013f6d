"""Captures, read back by a few lines of our own; independent readers are in reference/link."""

from __future__ import annotations

import struct

import pytest

from donorfit.diagnostics.pdu import Direction, Layer, TracedFrame
from donorfit.edge.clock import RealClock
from donorfit.edge.links.capture import CaptureFile
from donorfit.errors import InputError, JournalError


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
    with pytest.raises(JournalError, match="cannot be written"):
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


def test_an_older_capture_is_begun_anew(tmp_path) -> None:
    path = tmp_path / "trace.pcapng"
    CaptureFile(path, RealClock()).close()
    size = path.stat().st_size
    CaptureFile(path, RealClock()).close()
    assert path.stat().st_size == size
