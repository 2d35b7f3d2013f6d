"""TCP segments in any order, doubled, overlapping and lost."""

from hypothesis import given
from hypothesis import strategies as st

from donorfit.edge.captures.packet_layers import Segment
from donorfit.edge.captures.tcp_streams import TcpStream

TEXT = bytes(range(256)) * 2


def segment(at, data, *, begins=False):
    return Segment(
        source=("a", 1),
        target=("b", 2),
        sequence=at % (1 << 32),
        begins=begins,
        ends=False,
        data=data,
    )


@given(
    st.integers(0, (1 << 32) - 1),
    st.lists(st.tuples(st.integers(0, 400), st.integers(1, 112)), max_size=30),
    st.randoms(use_true_random=False),
)
def test_whatever_the_order_the_bytes_come_once_and_in_order(start, pieces, random):
    """A law: all of a stream comes out, whatever extra, doubled or overlapping pieces there are."""
    stream = TcpStream()
    assert stream.take(segment(start, b"", begins=True)) == []
    cuts = [(at, 64) for at in range(0, len(TEXT), 64)] + pieces
    random.shuffle(cuts)
    out = []
    for at, length in cuts:
        out += stream.take(segment(start + 1 + at, TEXT[at : at + length]))
    assert b"".join(out) == TEXT
    assert stream.end() == []
    assert stream.lost_bytes == 0


def test_a_longer_piece_from_the_same_place_is_not_thrown_away():
    stream = TcpStream()
    stream.take(segment(99, b"", begins=True))
    assert stream.take(segment(104, b"e")) == []
    assert stream.take(segment(104, b"efgh")) == []
    assert stream.take(segment(104, b"ef")) == []
    assert b"".join(stream.take(segment(100, b"abcd"))) == b"abcdefgh"


def test_a_gap_is_told_once_the_end_is_known():
    stream = TcpStream()
    assert stream.take(segment(100, b"abc")) == [b"abc"]
    assert stream.take(segment(110, b"xyz")) == []
    assert stream.end() == [None, b"xyz"]
    assert stream.lost_bytes == 7


def test_a_gap_that_is_never_filled_does_not_hold_everything_up():
    stream = TcpStream()
    stream.take(segment(0, b"a"))
    out = []
    for at in range(1000):
        out += stream.take(segment(2 + at, b"b"))
    assert out[0] is None
    assert len(out) > 400
    assert stream.lost_bytes == 1


def test_a_new_connection_on_the_same_ports_begins_anew():
    stream = TcpStream()
    stream.take(segment(5000, b"old"))
    stream.take(segment(99, b"", begins=True))
    assert stream.take(segment(100, b"new")) == [b"new"]
