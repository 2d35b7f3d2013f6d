"""Whatever happens to a text record: loops and columns give the same frames and counts."""

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from donorfit.edge.logs.compiled import find_loops
from donorfit.network.asc_text import OtherBaseError, read_asc
from donorfit.network.candump_text import read_candump

pytestmark = pytest.mark.timeout(600)  # loops may be compiled first

CANDUMP = (
    b"(1436509052.249713) vcan0 044#2A366C2BBA\n(1.5) can1 18FF1234#00112233 T\r\n"
    b"(3.25) can0 123##1000102030405060708090A0B\n  can0  123   [8]  00 11 22 33 44 55 66 77\n"
    b"(4.0) can0 123#R8\n(4.0) can0 20000004#00\n"
)
ASC = (
    b"   0.001000 1  123             Rx   d 8 00 11 22 33 44 55 66 77\n"
    b"   0.5 CANFD   1 Rx        123  Name 1 0 9 12 00 11 22 33 44 55 66 77 88 99 AA BB 102203\r\n"
    b"   0.5 2  1ABCDEF0x      Tx   d 3 00 11 22\n   0.5 1  ErrorFrame\n"
)
FORMS = {"candump": (read_candump, CANDUMP), "asc": (read_asc, ASC)}
PARTS = [
    b" ",
    b"#",
    b"##",
    b"(",
    b")",
    b".",
    b"\n",
    b"\r",
    b"x",
    b"d",
    b"R",
    b"[8]",
    b"0",
    b"F",
    b"\xff",
    b"CANFD ",
]
edits = st.lists(
    st.tuples(st.integers(0, 600), st.integers(0, 3), st.sampled_from(PARTS) | st.binary(max_size=3)),
    max_size=6,
)  # fmt: skip


@settings(max_examples=300, deadline=None)
@given(st.sampled_from(sorted(FORMS)), edits, st.integers(200, 900))
@example("candump", [(201, 1, b" ")], 200)
@example("candump", [(220, 0, b"\r")], 200)
@example("candump", [(221, 0, b"\r")], 200)
@example("candump", [(221, 0, b"\t")], 200)
def test_loops_and_columns_agree_on_damaged_text(form, changes, piece_bytes) -> None:
    read, text = FORMS[form]
    data = text * 3
    for place, drop, put in changes:
        at = place % len(data)
        data = data[:at] + put + data[at + drop :]
    loops = find_loops(1 << 40)
    try:
        plain = read(data, None, piece_bytes)
    except OtherBaseError:
        with pytest.raises(OtherBaseError):
            read(data, loops, piece_bytes)
        return
    fast, whole = read(data, loops, piece_bytes), read(data)
    every = np.arange(len(plain.frames.ids))
    for other in (fast, whole):
        assert (other.lines, sorted(other.left_out)) == (plain.lines, sorted(plain.left_out))
        assert other.frames.channel_names == plain.frames.channel_names
        mine = (*plain.frames[:6], plain.frames.take_payload(every))
        theirs = (*other.frames[:6], other.frames.take_payload(every))
        for columns in zip(mine, theirs, strict=True):
            np.testing.assert_array_equal(*columns)
    assert len(every) + sum(each.number for each in plain.left_out) == plain.lines
