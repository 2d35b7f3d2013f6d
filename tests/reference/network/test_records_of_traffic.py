"""Records read alike python-can and decoded alike cantools, on their own and stored files.

Sources: python-can's readers, cantools' and asammdf's decoders run here as independent oracles; bus
recordings of the canboat project (Apache-2.0), stored beside the repository.
"""

import logging
import struct
import zlib
from pathlib import Path

import can
import cantools
import numpy as np
import pytest

from donorfit.edge.logs import read_log_file
from donorfit.edge.logs.compiled import find_loops
from donorfit.edge.packs.network_files import read_network_file
from donorfit.errors import InputError
from donorfit.network.candump_text import read_candump
from donorfit.network.decode import decode_message, decode_network
from donorfit.network.frames import FrameTable, LogReading

pytestmark = [pytest.mark.reference, pytest.mark.timeout(600)]  # loops may be compiled first


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


LENGTHS = (*range(9), 12, 16, 20, 24, 32, 48, 64)


def make_wide_messages(seed: int, count: int) -> list[can.Message]:
    """Classic, flexible-rate, remote and error frames on two channels, times rising."""
    rng = np.random.default_rng(seed)
    messages = []
    for place in range(count):
        kind = int(rng.integers(10))
        extended, flexible = bool(rng.integers(2)), kind > 5
        length = int(rng.choice(LENGTHS)) if flexible else int(rng.integers(9))
        data = b"" if kind == 0 else rng.bytes(length)
        messages.append(
            can.Message(
                timestamp=1_436_509_052 + place * 0.00123,
                arbitration_id=int(rng.integers(1 << (29 if extended else 11))),
                is_extended_id=extended,
                is_remote_frame=kind == 0,
                is_error_frame=kind == 1,
                is_fd=flexible,
                dlc=length,
                data=data,
                channel=int(rng.integers(2)),
            )
        )
    return messages


@pytest.mark.parametrize("level", [-1, 0])
def test_blf_as_python_can_reads_it(tmp_path: Path, level: int) -> None:
    path = tmp_path / "record.blf"
    with can.BLFWriter(path, compression_level=level) as writer:
        for message in make_wide_messages(3, 9000):
            writer.on_message_received(message)
    compare(path, can.BLFReader(path))


def test_mf4_as_python_can_reads_it(tmp_path: Path) -> None:
    pytest.importorskip("asammdf", reason="the reader (extra `mf4`) is not installed")
    path = tmp_path / "record.mf4"
    with can.MF4Writer(path) as writer:
        for message in make_wide_messages(4, 1500):
            writer.on_message_received(message)
    compare(path, can.MF4Reader(path))


def write_objects(path: Path, objects: bytes, cuts: tuple[int, ...]) -> None:
    """A BLF file of these objects, in containers that end at the cuts."""
    begin = (2015, 7, 5, 10, 6, 17, 32, 200)
    head = struct.pack("<4sLBBBBBBBBQQLL8H8H", b"LOGG", 144, *bytes(8), 0, 0, 0, 0, *begin, *begin)
    body = b""
    for first, last in zip((0, *cuts), (*cuts, len(objects)), strict=True):
        packed = zlib.compress(objects[first:last])
        size = 16 + 16 + len(packed)
        body += struct.pack("<4sHHLL", b"LOBJ", 16, 1, size, 10)
        body += struct.pack("<H6xL4x", 2, last - first) + packed + bytes(size % 4)
    path.write_bytes(head.ljust(144, b"\0") + body)


def make_object(rng: np.random.Generator, place: int) -> bytes:
    """One object: both header versions, classic, flexible-rate in both forms, texts of any size;
    some hold the mark of an object in their data."""
    kind, version = int(rng.choice([1, 86, 100, 101, 65, 73])), int(rng.choice([1, 2]))
    number = int(rng.integers(1 << 29)) | int(rng.integers(2)) << 31
    length = int(rng.choice(LENGTHS))
    data = (b"LOBJ" * 2 if rng.integers(5) == 0 else b"") + rng.bytes(64)
    channel = int(rng.integers(1, 4))
    if kind in {1, 86}:
        fields = struct.pack(
            "<HBBL8s", channel, int(rng.choice([0, 1, 0x80])), min(length, 8), number, data[:8]
        )
    elif kind == 100:
        fields = struct.pack("<HBBLLBBB5x64s", channel, 0, 0, number, 0, 0, 1, length, data[:64])
    elif kind == 101:
        flags = int(rng.choice([0x1000, 0x0010, 0x7000]))
        there = int(rng.integers(length + 1))
        behind = int(rng.choice([0, (32 if version == 1 else 40) + 40 + there]))
        fields = (
            struct.pack(
                "<BBBBLLLLLLLHBBL",
                channel,
                0,
                length,
                0,
                number,
                0,
                flags,
                0,
                0,
                0,
                0,
                0,
                0,
                behind,
                0,
            )
            + data[:there]
        )
    elif kind == 73:
        fields = struct.pack("<HHLBBBxLLH2x8s", channel, 0, 0, 0, 0, 8, 0, number, 0, data[:8])
    else:
        fields = data[: int(rng.integers(4, 60))]
    flags, ticks = (1, place * 10) if rng.integers(2) else (2, place * 100_000)
    times = (
        struct.pack("<LHHQ", flags, 0, 0, ticks)
        if version == 1
        else struct.pack("<LBxHQ8x", flags, 0, 0, ticks)
    )
    header = 16 + len(times)
    size = header + len(fields)
    return (
        struct.pack("<4sHHLL", b"LOBJ", header, version, size, kind)
        + times
        + fields
        + bytes(size % 4)
    )


def test_blf_objects_that_no_writer_here_makes(tmp_path: Path) -> None:
    rng = np.random.default_rng(9)
    objects = b"".join(make_object(rng, place) for place in range(3000))
    path = tmp_path / "record.blf"
    cuts = tuple(sorted(int(each) for each in rng.choice(len(objects), 40, replace=False)))
    write_objects(path, objects, cuts)
    compare(path, can.BLFReader(path))
    kinds = {each.kind: each.number for each in read_log_file(path).left_out}
    assert kinds.keys() == {"remote frame", "error frame", "object of type 65"}
    assert sum(kinds.values()) + len(read_log_file(path).frames.ids) == 3000


def test_blf_cut_anywhere_is_read_or_refused(tmp_path: Path) -> None:
    rng = np.random.default_rng(10)
    path = tmp_path / "record.blf"
    write_objects(path, b"".join(make_object(rng, place) for place in range(60)), (900, 2000))
    whole = path.read_bytes()
    full = read_log_file(path).frames
    read = 0
    for cut in range(0, len(whole), 23):
        path.write_bytes(whole[:cut])
        try:
            reading = read_log_file(path)
        except InputError:
            continue
        read += 1
        count = len(reading.frames.ids)
        assert reading.frames.ids.tolist() == full.ids[:count].tolist()
        assert (
            count == len(full.ids)
            or "cut off at the end of the record" in {each.kind for each in reading.left_out}
            or cut in find_container_ends(whole)
        )
    assert read > 15


def test_a_damaged_blf_is_read_or_refused_alike(tmp_path: Path) -> None:
    rng = np.random.default_rng(13)
    path = tmp_path / "record.blf"
    objects = b"".join(make_object(rng, place) for place in range(60))
    outcomes = set()
    for place in range(150):
        damaged = bytearray(objects)
        for at in rng.integers(0, len(objects), 3):
            damaged[at] = rng.integers(256)
        write_objects(path, bytes(damaged), (900, 2000))
        if place % 3 == 0:  # and the packed bytes themselves
            whole = bytearray(path.read_bytes())
            whole[int(rng.integers(200, len(whole)))] ^= 0x55
            path.write_bytes(whole)
        try:
            reading = read_log_file(path)
        except InputError:
            with pytest.raises(InputError):
                read_log_file(path, find_loops(1 << 40))
            outcomes.add("refused")
            continue
        assert_same(reading, read_log_file(path, find_loops(1 << 40)))
        outcomes.add("read")
    assert outcomes == {"read", "refused"}


def find_container_ends(whole: bytes) -> set[int]:
    ends, at = set(), 144
    while at < len(whole):
        size = struct.unpack_from("<4sHHLL", whole, at)[3]
        at += size
        ends |= set(range(at, at + size % 4 + 1))
        at += size % 4
    return ends


def assert_same(one: LogReading, other: LogReading) -> None:
    assert (one.lines, sorted(one.left_out)) == (other.lines, sorted(other.left_out))
    assert one.frames.channel_names == other.frames.channel_names
    every = np.arange(len(one.frames.ids))
    mine = (*one.frames[:6], one.frames.take_payload(every))
    for columns in zip(mine, (*other.frames[:6], other.frames.take_payload(every)), strict=True):
        np.testing.assert_array_equal(*columns)


def compare(path: Path, theirs: object) -> None:
    reading = read_log_file(path)
    assert_same(reading, read_log_file(path, find_loops(1 << 40)))
    frames = reading.frames
    data = [each for each in theirs if not each.is_remote_frame and not each.is_error_frame]
    assert len(frames.ids) == len(data) > 100
    assert frames.ids.tolist() == [each.arbitration_id for each in data]
    assert frames.extended.tolist() == [each.is_extended_id for each in data]
    assert frames.lengths.tolist() == [len(each.data) for each in data]
    payload = frames.take_payload(np.arange(len(data)))
    assert [bytes(row[:length]) for row, length in zip(payload, frames.lengths, strict=True)] == [
        bytes(each.data) for each in data
    ]
    assert not [
        row for row, length in zip(payload, frames.lengths, strict=True) if row[length:].any()
    ]
    if path.suffix != ".asc":  # python-can counts those channels from 0, the text from 1
        names = [frames.channel_names[place] for place in frames.channels]
        assert names == [str(each.channel) for each in data]
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
    """Random payloads for every message of every stored DBC that cantools reads: multiplexed also
    in steps, signed, floating, big endian, 64 byte frames; with loops and without."""
    rng = np.random.default_rng(7)
    loops = find_loops(1 << 40)
    counted = dict.fromkeys(
        ("files", "messages", "values", "multiplexed", "signed", "floating", "big endian", "long"),
        0,
    )
    networks = shared_data / "networks"
    for path in sorted(
        [*(networks / "cantools" / "dbc").iterdir(), networks / "canmatrix" / "j1939.dbc"]
    ):
        database = load(path)
        if database is None:
            continue
        network = read_network_file(path).networks[0]
        theirs = {(m.frame_id, m.is_extended_frame, m.name): m for m in database.messages}
        counted["files"] += 1
        for message in network.messages:
            peer = theirs[message.frame_id, message.extended, message.name]
            if 0 < message.length_bytes <= 64 and message.signals:
                compared = compare_message(message, peer, rng, loops)
                counted["messages"] += 1
                counted["values"] += sum(compared.values())
                for each in message.signals:
                    count = compared.get(each.name, 0)
                    counted["multiplexed"] += count * bool(each.multiplexer)
                    counted["signed"] += count * (each.signed and not each.floating)
                    counted["floating"] += count * each.floating
                    counted["big endian"] += count * each.big_endian
                    counted["long"] += count * (message.length_bytes > 8)
    print(counted)
    assert counted["files"] >= 80
    assert counted["values"] > 100_000
    assert all(count > 400 for name, count in counted.items() if name != "files")


def load(path: Path) -> cantools.database.Database | None:
    """The description as cantools reads it; None where it or we refuse it."""
    for strict in (True, False):
        try:
            database = cantools.database.load_file(path, database_format="dbc", strict=strict)
            read_network_file(path)
        except (cantools.Error, InputError):
            continue
        return database
    return None


def compare_message(message, peer, rng, loops) -> dict[str, int]:
    """Values compared, by signal."""
    rows = 40
    payload = rng.integers(0, 256, (rows, message.length_bytes)).astype(np.uint8)
    payload[0] = 0
    # Small selector values are the ones that descriptions know.
    payload[rows // 2 :] &= rng.choice(
        [0x01, 0x03, 0x11, 0xFF], payload[rows // 2 :].shape
    ).astype(np.uint8)
    table = FrameTable(rows)
    table.fill(
        np.arange(rows),
        times_s=0.0,
        ids=message.frame_id,
        extended=message.extended,
        lengths=message.length_bytes,
        payload=payload,
        channels=table.find_channel("can0"),
    )
    frames = table.close()
    ours: list[dict[str, float]] = [{} for _ in range(rows)]
    every = np.arange(rows)
    for fast, plain in zip(
        decode_message(frames, message, every, loops), decode_message(frames, message), strict=True
    ):
        np.testing.assert_array_equal(fast.rows, plain.rows)
        np.testing.assert_array_equal(fast.values, plain.values)
        for row, value in zip(plain.rows, plain.values, strict=True):
            ours[row][plain.signal] = float(value)
    names = [each.name for each in message.signals]
    compared: dict[str, int] = {}
    for row in range(rows):
        data = bytes(payload[row])
        try:
            theirs = peer.decode(data, decode_choices=False, allow_truncated=False)
        except cantools.Error:
            continue  # a selector value that the description does not know
        assert ours[row].keys() == theirs.keys(), (message.name, data.hex())
        for name, value in theirs.items():
            if names.count(name) > 1:  # described twice; a decoder by name knows only one
                continue
            assert ours[row][name] == float(value) or (
                np.isnan(ours[row][name]) and np.isnan(value)
            ), (message.name, name, ours[row][name], value)
            compared[name] = compared.get(name, 0) + 1
    return compared


def test_mf4_decodes_as_asammdf_does(tmp_path: Path, shared_data: Path) -> None:
    """asammdf's own extraction of signals from a bus record, by a stored description."""
    asammdf = pytest.importorskip("asammdf", reason="the reader (extra `mf4`) is not installed")
    description = shared_data / "networks" / "cantools" / "dbc" / "motohawk.dbc"
    network = read_network_file(description).networks[0]
    rng = np.random.default_rng(12)
    path = tmp_path / "record.mf4"
    with can.MF4Writer(path) as writer:
        for place in range(800):
            message = network.messages[int(rng.integers(len(network.messages)))]
            writer.on_message_received(
                can.Message(
                    timestamp=1_436_509_052 + place * 0.01,
                    arbitration_id=message.frame_id,
                    is_extended_id=message.extended,
                    data=rng.bytes(message.length_bytes),
                    channel=0,
                )
            )
    with asammdf.MDF(path) as file:
        extracted = file.extract_bus_logging({"CAN": [(str(description), 0)]})
        compared = 0
        for decoded in decode_network(read_log_file(path).frames, network):
            theirs = extracted.get(decoded.signal, raw=False)
            if theirs.samples.dtype.kind in "SU":  # named values come as text
                continue
            np.testing.assert_allclose(decoded.values, theirs.samples, rtol=1e-12)
            compared += len(decoded.values)
    assert compared == 1600


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
