"""Compiled loops, columns and the reader of single lines: three ways to the same frames.

Without the compiler (extra ``fast``) the loops' part is taken by the columns.
"""

import gzip
import importlib.util
import random
import sys
import types
from pathlib import Path

import numpy as np
import pytest

from donorfit.edge.logs import compiled, compiling, read_log_file
from donorfit.edge.logs.compiled import find_loops
from donorfit.edge.logs.compiling import NoCompilerError
from donorfit.errors import InputError
from donorfit.network import asc_text, candump_text
from donorfit.network.decode import decode_network
from donorfit.network.frames import LeftOut, LogReading
from donorfit.network.text_records import read_text

pytestmark = pytest.mark.timeout(600)  # compiling takes seconds, or a minute on a busy machine
WAYS = ("single lines", "columns", "loops")
FORMS = {"candump": candump_text.CANDUMP, "asc": asc_text.ASC}


@pytest.fixture(scope="module")
def loops():
    """Compiled loops; None where the compiler (extra ``fast``) is not installed."""
    found = find_loops(1 << 40)
    assert (found is None) is (importlib.util.find_spec("numba") is None)
    return found


@pytest.fixture
def compiled_loops(loops):
    if loops is None:
        pytest.skip("the compiler (extra `fast`) is not installed")
    return loops


def read(
    form: str, text: bytes, way: str, loops: object, piece_bytes: int = 1 << 20
) -> LogReading:
    dialect = FORMS[form]
    if way == "single lines":
        dialect = dialect._replace(fill_columns=lambda signs, table: None)
    return read_text(text, dialect, loops if way == "loops" else None, piece_bytes)


def assert_same(one: LogReading, other: LogReading) -> None:
    assert one.lines == other.lines
    assert set(one.left_out) == set(other.left_out)
    assert one.frames.channel_names == other.frames.channel_names
    every = np.arange(len(one.frames.ids))
    mine = (*one.frames[:6], one.frames.take_payload(every), one.frames.long.rows)
    theirs = (*other.frames[:6], other.frames.take_payload(every), other.frames.long.rows)
    for place, columns in enumerate(zip(mine, theirs, strict=True)):
        np.testing.assert_array_equal(*columns, err_msg=f"column {place}")


CANDUMP = [
    "(1436509052.249713) vcan0 044#2A366C2BBA",
    "(1436509052.249713) vcan0 0F6#7ADFE07BD2000001",
    "(1.5) can1 18FF1234#00112233 T",
    "(0.000001) can0 7FF#",
    "(3.250) can0 123##1000102030405060708090A0B",
    "(3.250) can0 123##5" + "AB" * 64 + " R",
    "(3.250) can0 123##5" + "AB" * 65,
    "(3.250) can0 123##",
    "(4.000) can0 123#R8",
    "(4.000) can0 123#R",
    "(4.000) can0 20000004#0000000000000000",
    "(4.000) can0 1ABCDEF#00",
    "(4.000) can0 123#001122334455667788",
    "(4.000) can0 123#0",
    "(4.000) can0 123#0g",
    "(4.) can0 123#00",
    "(.5) can0 123#00",
    "(5) can0 123#00",
    "(1.2.3) can0 123#00",
    "(99999999999.99999999999) can0 123#00",
    "(90071992547409.93) can0 123#00",
    "(1.0)  can0  123#00",
    "(1.0) can0 123#00 R ",
    "(1.0) can0 123#00  R",
    "(1.0) a_channel_with_a_name_longer_than_thirty_two_signs 123#00",
    "can0 123#00",
    "  can0  123   [8]  00 11 22 33 44 55 66 77",
    "(2.5)  can0  123   [2]  00 11",
    "  can0  18FF1234   [0]",
    "  can0  123   [3]  00 11",
    "  can0  123   [12]  00 01 02 03 04 05 06 07 08 09 0A 0B",
    "  can0  123   [8]  remote request",
    "  can0  20000004   [8]  00 00 00 00 00 00 00 00   ERRORFRAME",
    "<0x18eeff01> [8] 05 a0 be 1c 00 a0 a0 c0",
    "<0x123> [2] 00 1",
    "# a comment",
    "interface = can0",
    "",
    "   ",
    "rubbish",
    "rubbish # here",
    "\x00\xff\xfe",
    "(1.0) can0 123#00\t",
    "x" * 5000,
]
ASC = [
    "   0.001000 1  123             Rx   d 8 00 11 22 33 44 55 66 77",
    "   0.001000 1  123             Rx   d 8 00 11 22 33 44 55 66 77  Length = 238000 BitCount = 124",
    "0.5 2 1ABCDEF0x Tx d 3 00 11 22",
    "   0.5 2  1ABCDEF0X      Tx   d 0",
    "   0.5 2  123      Tx   d 0 ",
    "   0.5 1  123             Rx   d F 00 11 22 33 44 55 66 77",
    "   0.5 1  123             Rx   d 8 00 11 22",
    "   0.5 1  123             Rx   d 2 00 11 22 33",
    "   0.5 1  123             Rx   d 2 00  11",
    "   0.5 1  123             Rx   d 2 00 1122",
    "   0.5 1  123             Rx   r",
    "   0.5 1  123             Rx   r 8 Length = 0",
    "   0.5 1  ErrorFrame",
    "   0.5 1  3FFFFFFFx       Rx   d 1 00",
    "   0.5 x  123             Rx   d 1 00",
    "   0.5 1  Statistic: D 0 R 0 XD 0 XR 0 E 0 O 0 B 0.00%",
    "   0.5 Start of measurement",
    "   5 1  123             Rx   d 1 00",
    "  12.3.4 1  123           Rx   d 1 00",
    "   0.5 CANFD   1 Rx        123  Name 1 0 8  8 00 11 22 33 44 55 66 77   102203 133 303000 e0006659",
    "   0.5 CANFD   1 Tx   1ABCDEF0x                                 0 0 9 12 00 01 02 03 04 05 06 07 08 09 0a 0b 1",
    "   0.5 CANFD   2 Rx        123  0 0 f 64 " + " ".join(f"{n:02x}" for n in range(64)) + " 0 0",
    "   0.5 CANFD   1 Rx        123  Name 1 0 8  8 00 11",
    "   0.5 CANFD   1 Rx        123  Name 2 0 8  8 00 11 22 33 44 55 66 77",
    "   0.5 CANFD   1 Rx        123  Name 1 0 8  99 00 11 22 33 44 55 66 77",
    "   0.5 CANFD   1 Rx        123  1 0 0  0",
    "date Fri Jul 10 06:17:32.200 2015",
    "base hex  timestamps absolute",
    "internal events logged",
    "// version 7.0.0",
    "Begin Triggerblock",
    "End TriggerBlock",
    "",
    "rubbish d here",
    "\x00\xff\xfe",
    "y" * 5000,
]  # fmt: skip
LINES = {"candump": CANDUMP, "asc": ASC}


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("way", WAYS[1:])
def test_every_kind_of_line(form, way, loops) -> None:
    for text in LINES[form]:
        for line in (f"{text}\n", f"{text}\r\n", text):
            data = line.encode("latin-1")
            assert_same(read(form, data, way, loops), read(form, data, "single lines", None))


@pytest.mark.parametrize("form", FORMS)
def test_a_mixed_record_in_pieces_of_any_size(form, loops) -> None:
    """Lines of all kinds in random order and line ends; cut into pieces that end anywhere."""
    dice = random.Random(5)
    lines = [dice.choice(LINES[form]) + dice.choice(("\n", "\r\n")) for _ in range(600)]
    data = "".join(lines).encode("latin-1")
    expected = read(form, data, "single lines", None)
    assert expected.lines == 600
    assert len(expected.frames.ids) + sum(each.number for each in expected.left_out) == 600
    assert len(expected.frames.long.rows) > 20
    for way in WAYS:
        for piece_bytes in (6000, 7001, 1 << 20):
            assert_same(read(form, data, way, loops, piece_bytes), expected)


@pytest.mark.parametrize("form", FORMS)
def test_a_line_longer_than_a_piece_is_one_line(form) -> None:
    good = LINES[form][0].encode()
    data = good + b"\n" + b"z" * 30_000 + b"\n" + good + b"\n"
    reading = read_text(data, FORMS[form], None, 4096)
    assert (reading.lines, len(reading.frames.ids)) == (3, 2)
    assert list(reading.left_out) == [LeftOut("too long", 1, 2)]


@pytest.mark.parametrize("form", FORMS)
def test_a_record_cut_anywhere_in_its_last_line(form, loops) -> None:
    """No cut gives a frame that the whole record does not have."""
    whole = (LINES[form][0] + "\n").encode() * 3
    full = read(form, whole, "columns", None).frames
    first = full.payload[0].tobytes(), int(full.lengths[0]), int(full.ids[0])
    for cut in range(len(whole) // 3 * 2, len(whole)):
        one = read(form, whole[:cut], "columns", None)
        assert_same(one, read(form, whole[:cut], "loops", loops))
        assert len(one.frames.ids) + sum(each.number for each in one.left_out) == one.lines
        for row in range(len(one.frames.ids)):
            got = one.frames
            assert (got.payload[row].tobytes(), int(got.lengths[row]), int(got.ids[row])) == first


def test_more_channels_than_the_columns_can_number(loops) -> None:
    data = "".join(f"(1.0) c{place} 123#00\n" for place in range(400)).encode()
    for way in WAYS:
        reading = read("candump", data, way, loops)
        assert len(reading.frames.ids) == 400
        assert len(reading.frames.channel_names) == 256


def test_a_relative_header_is_said() -> None:
    text = b"base hex  timestamps relative\n   0.5 1  123             Rx   d 1 00\n"
    assert "count from the line before" in asc_text.read_asc(text).notes[0]


def test_gz_reads_as_the_plain_file(tmp_path: Path) -> None:
    data = "\n".join(CANDUMP[:8]).encode() + b"\n"
    (tmp_path / "a.log").write_bytes(data)
    (tmp_path / "a.log.gz").write_bytes(gzip.compress(data))
    assert_same(read_log_file(tmp_path / "a.log"), read_log_file(tmp_path / "a.log.gz"))


def test_wrong_loops_are_not_used(compiled_loops, monkeypatch) -> None:
    """Loops that give anything else than the columns do are put aside."""
    loops = compiled_loops
    wrong = loops._replace(scan_candump=lambda *_: 1 / 0)
    monkeypatch.setattr(compiled, "_import_loops", lambda: wrong)
    compiled._compile.cache_clear()
    try:
        assert find_loops(1 << 40) is None
    finally:
        compiled._compile.cache_clear()
    off = loops._replace(scale_bits=lambda *a: (loops.scale_bits(*a), a[-1].__iadd__(1)))
    assert not compiled._is_right(off)
    assert compiled._is_right(loops)


def test_no_compiler_or_no_place_to_keep_its_work_means_no_loops(monkeypatch) -> None:
    def refuse(**_):
        def wrap(_):
            reason = "no folder can be written to"
            raise RuntimeError(reason)

        return wrap

    for module in (None, types.SimpleNamespace(njit=refuse)):
        monkeypatch.setitem(sys.modules, "numba", module)
        with pytest.raises(NoCompilerError):
            compiling.loop(lambda: None)


def test_small_records_do_not_start_the_compiler() -> None:
    assert find_loops(1000) is None


def test_decoding_with_loops_is_the_same_to_the_last_bit(
    compiled_loops, network, message, signal
) -> None:
    rng = np.random.default_rng(3)
    text = "".join(
        f"({row * 0.001:.6f}) can0 {rng.integers(0x100, 0x104):03X}"
        f"#{rng.bytes(int(rng.integers(0, 9))).hex().upper()}\n"
        for row in range(2000)
    ).encode()
    signals = tuple(
        signal(
            f"s{start}_{length}_{int(big)}{int(signed)}",
            first_bit=start // 8 * 8 + 7 - start % 8 if big else start,
            bit_length=length,
            big_endian=big,
            signed=signed,
            factor=0.1,
            offset=-40.0,
        )
        for start, length in ((0, 1), (3, 12), (0, 31), (5, 32), (8, 33), (0, 64), (1, 63))
        for big in (False, True)
        for signed in (False, True)
    )
    described = network(*(message(f"m{n:x}", n, signals=signals) for n in range(0x100, 0x104)))
    frames = candump_text.read_candump(text).frames
    fast, plain = (
        list(decode_network(frames, described, compiled_loops)),
        list(decode_network(frames, described)),
    )
    assert len(fast) == len(plain) == 4 * len(signals)
    assert sum(len(each.rows) for each in plain) > 10_000
    for one, other in zip(fast, plain, strict=True):
        assert one[:2] == other[:2]
        np.testing.assert_array_equal(one.rows, other.rows)
        np.testing.assert_array_equal(one.values, other.values)


def test_a_torn_packed_record_is_read_as_far_as_it_goes(tmp_path: Path) -> None:
    line = "(1.0) can0 123#0011223344556677\n"
    packed = gzip.compress(
        "".join(f"{line[:-3]}{place % 90 + 10}\n" for place in range(90_000)).encode()
    )
    path = tmp_path / "a.log.gz"
    path.write_bytes(packed[: len(packed) // 2])
    reading = read_log_file(path)
    assert 10_000 < len(reading.frames.ids) < 90_000
    assert "ends in the middle" in reading.notes[0]


def test_decimal_asc(tmp_path: Path) -> None:
    path = tmp_path / "a.asc"
    path.write_text(
        "base dec  timestamps absolute\n"
        "   0.5 1  291             Rx   d 2 16 255\n"
        "   0.6 2  300x            Tx   d 0\n"
        "   0.7 1  291             Rx   d 2 16 256\n"
        "   0.8 1  291             Rx   d 3 16 25\n"
        "   0.9 1  291             Rx   r\n"
        "   1.0 1  ErrorFrame\n"
    )
    reading = read_log_file(path)
    frames = reading.frames
    assert (frames.ids.tolist(), frames.extended.tolist()) == ([291, 300], [False, True])
    assert (frames.payload[0, :2].tolist(), frames.lengths.tolist()) == ([16, 255], [2, 0])
    assert {each.kind: each.number for each in reading.left_out} == {
        "header or comment": 1, "not understood": 2, "remote frame": 1, "error frame": 1,
    }  # fmt: skip


def test_lines_that_another_reader_skips_are_counted(tmp_path: Path) -> None:
    path = tmp_path / "a.trc"
    path.write_text(
        ";$FILEVERSION=2.0\n;$STARTTIME=43474.5\n;$COLUMNS=N,O,T,I,d,l,D\n"
        "      1      1059.900 DT     0300 Rx 7  00 00 00 00 04 00 00\n"
        "      2      1283.231 ST          Rx    00 00 00 08\n"
    )
    reading = read_log_file(path)
    assert len(reading.frames.ids) + sum(each.number for each in reading.left_out) == 5


def test_a_torn_mf4_is_refused_without_noise(tmp_path: Path, capfd) -> None:
    pytest.importorskip("asammdf", reason="the reader (extra `mf4`) is not installed")
    import can

    path = tmp_path / "a.mf4"
    with can.MF4Writer(path) as writer:
        for place in range(300):
            writer.on_message_received(
                can.Message(timestamp=place, arbitration_id=1, data=bytes(8), channel=0)
            )
    path.write_bytes(path.read_bytes()[:3000])
    with pytest.raises(InputError):
        read_log_file(path)
    assert "Traceback" not in capfd.readouterr().err
