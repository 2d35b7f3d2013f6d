"""Records read alike python-can and decoded alike cantools, on their own and stored files.

Sources: python-can's readers and cantools' decoder run here as independent oracles; bus recordings
of the canboat project (Apache-2.0), stored beside the repository.
"""

import logging
from pathlib import Path

import can
import cantools
import numpy as np
import pytest

from donorfit.edge.logs import read_log_file
from donorfit.edge.packs.network_files import read_network_file
from donorfit.errors import InputError
from donorfit.network.candump_text import read_candump
from donorfit.network.decode import decode_message
from donorfit.network.frames import FrameTable
from donorfit.vehicle.network import Network

pytestmark = pytest.mark.reference


@pytest.fixture(scope="module", autouse=True)
def quiet_library() -> None:
    logging.getLogger("cantools").setLevel(logging.CRITICAL + 1)


def make_messages(seed: int, count: int) -> list[can.Message]:
    rng = np.random.default_rng(seed)
    messages = []
    for place in range(count):
        extended = bool(rng.integers(2))
        data = rng.bytes(int(rng.integers(9)))
        kind = rng.integers(12)
        if kind == 1:  # python-can reads an empty flexible-rate frame of this form as a remote one
            data += b"\x01"
            data = data[:8]
        messages.append(
            can.Message(
                timestamp=1_436_509_052 + place * 0.00123 + float(rng.integers(5)) * 1e-6,
                arbitration_id=int(rng.integers(1 << (29 if extended else 11))),
                is_extended_id=extended,
                is_remote_frame=kind == 0,
                is_fd=kind == 1,
                dlc=len(data),
                data=b"" if kind == 0 else data,
                channel=int(rng.integers(2)),
            )
        )
    return messages


def test_candump_text_as_python_can_reads_it(tmp_path: Path) -> None:
    path = tmp_path / "record.log"
    with can.CanutilsLogWriter(path) as writer:
        for message in make_messages(1, 3000):
            writer.on_message_received(message)
    compare(path, can.CanutilsLogReader(path))


def test_asc_text_as_python_can_reads_it(tmp_path: Path) -> None:
    path = tmp_path / "record.asc"
    with can.ASCWriter(path) as writer:
        for message in make_messages(2, 3000):
            writer.on_message_received(message)
    compare(path, can.ASCReader(path, relative_timestamp=True))


def test_blf_goes_through_python_can(tmp_path: Path) -> None:
    path = tmp_path / "record.blf"
    with can.BLFWriter(path) as writer:
        for message in make_messages(3, 300):
            writer.on_message_received(message)
    compare(path, can.BLFReader(path))


def compare(path: Path, theirs: object) -> None:
    reading = read_log_file(path)
    frames = reading.frames
    data = [each for each in theirs if not each.is_remote_frame and not each.is_error_frame]
    assert len(frames.ids) == len(data) > 100
    assert frames.ids.tolist() == [each.arbitration_id for each in data]
    assert frames.extended.tolist() == [each.is_extended_id for each in data]
    assert frames.lengths.tolist() == [len(each.data) for each in data]
    assert [
        bytes(row[:length]) for row, length in zip(frames.payload, frames.lengths, strict=True)
    ] == [bytes(each.data) for each in data]
    assert frames.times_s.tolist() == [each.timestamp for each in data]
    remote = sum(each.number for each in reading.left_out if each.kind == "remote frame")
    assert remote > 0
    assert not [each for each in reading.left_out if each.kind == "not understood"]


def test_canboat_recordings(shared_data: Path) -> None:
    """6 026 frames with 28 identifiers in the first sample (count of the notes on these files);
    three dialects of the text form."""
    folder = shared_data / "networks" / "canboat"
    first = read_log_file(folder / "candumpSample1.txt")
    assert len(first.frames.ids) == 6026
    assert len(np.unique(first.frames.ids)) == 28
    assert np.isnan(first.frames.times_s).all()
    for name in ("candumpSample2.txt", "candump-fast.txt"):
        reading = read_log_file(folder / name)
        understood = len(reading.frames.ids) + sum(each.number for each in reading.left_out)
        assert understood == reading.lines
        assert {each.kind for each in reading.left_out} <= {"comment", "empty line"}
        assert reading.frames.extended.all()


def test_every_stored_description_decodes_as_cantools_does(shared_data: Path) -> None:
    """Random payloads for every message of every stored DBC: multiplexed, signed, floating, big
    endian, 64 byte frames."""
    rng = np.random.default_rng(7)
    values = 0
    for path in sorted((shared_data / "networks" / "cantools" / "dbc").iterdir()):
        try:
            database = cantools.database.load_file(path, strict=True)
            network = read_network_file(path).networks[0]
        except (cantools.Error, InputError):
            continue
        theirs = {(m.frame_id, m.is_extended_frame, m.name): m for m in database.messages}
        for message in network.messages:
            peer = theirs[message.frame_id, message.extended, message.name]
            if 0 < message.length_bytes <= 64 and message.signals:
                values += compare_message(network, message, peer, rng)
    assert values > 20_000


def compare_message(network: Network, message, peer, rng) -> int:
    rows = 30
    width = max(8, message.length_bytes)
    payload = np.zeros((rows, width), np.uint8)
    payload[:, : message.length_bytes] = rng.integers(0, 256, (rows, message.length_bytes))
    payload[0] = 0
    table = FrameTable(rows)
    table.fill(
        np.arange(rows),
        times_s=0.0,
        ids=message.frame_id,
        extended=message.extended,
        lengths=message.length_bytes,
        payload=payload,
        channels=0,
    )
    ours: list[dict[str, float]] = [{} for _ in range(rows)]
    for decoded in decode_message(table.close(), message):
        for row, value in zip(decoded.rows, decoded.values, strict=True):
            ours[row][decoded.signal] = float(value)
    count = 0
    for row in range(rows):
        data = bytes(payload[row, : message.length_bytes])
        try:
            theirs = peer.decode(data, decode_choices=False, allow_truncated=False)
        except cantools.Error:
            continue  # a selector value that the description does not know
        assert ours[row].keys() == theirs.keys(), (message.name, data.hex())
        for name, value in theirs.items():
            mine = ours[row][name]
            assert mine == pytest.approx(float(value), rel=1e-12, nan_ok=True), (
                message.name,
                name,
            )
            count += 1
    return count


def test_a_stated_record_needs_no_stored_data() -> None:
    text = (
        b"(1.000000) can0 123#0011223344556677\n"
        b"(1.010000) can1 18FF1234#AB R\n"
        b"(1.020000) can0 123#R8\n"
        b"(1.030000) can0 123##1001122\n"
        b"(1.040000) can0 20000004#0000\n"
        b"rubbish # here\n"
        b"(x.1) can0 123#00\n"
    )
    reading = read_candump(text)
    assert reading.frames.ids.tolist() == [0x123, 0x18FF1234, 0x123]
    assert reading.frames.lengths.tolist() == [8, 1, 3]
    assert reading.frames.times_s.tolist() == [1.0, 1.01, 1.03]
    assert [(each.kind, each.number, each.first_line) for each in reading.left_out] == [
        ("remote frame", 1, 3),
        ("error frame", 1, 5),
        ("not understood", 2, 6),
    ]
