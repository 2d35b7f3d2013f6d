"""Bytes a second over the last while."""

import pytest

from donorfit.diagnostics.transfer_rate import WINDOW_S, TransferRate


def test_nothing_is_said_after_one_point():
    rate = TransferRate()
    assert rate.take(0, 5.0) == 0.0
    assert rate.take(100, 5.0) == 0.0


def test_steady():
    rate = TransferRate()
    found = [rate.take(100 * second, float(second)) for second in range(200)]
    assert found[1:] == pytest.approx([100.0] * 199)


def test_only_the_last_while_counts():
    rate = TransferRate()
    for second in range(100):
        rate.take(10 * second, float(second))
    for second in range(100, 100 + int(WINDOW_S) + 5):
        last = rate.take(990 + 1000 * (second - 99), float(second))
    assert last == pytest.approx(1000.0)


def test_a_pause_and_a_new_beginning_are_forgotten():
    rate = TransferRate()
    rate.take(0, 0.0)
    rate.take(1000, 1.0)
    rate.pause()
    assert rate.take(1000, 301.0) == 0.0
    assert rate.take(2000, 302.0) == pytest.approx(1000.0)
    assert rate.take(0, 303.0) == 0.0
    assert rate.take(500, 304.0) == pytest.approx(500.0)


def test_what_lies_between_two_pieces_does_not_count():
    rate = TransferRate()
    rate.take(0, 0.0)
    assert rate.take(2000, 2.0) == pytest.approx(1000.0)
    # the piece is checked and the next one erased, which takes half a minute and a bit
    assert rate.take(2000, 37.0) == pytest.approx(1000.0)
    assert rate.take(3000, 38.0) == pytest.approx(1000.0)
    assert rate.take(5000, 40.0) == pytest.approx(1000.0)


def test_slow_blocks_are_further_apart_than_the_window():
    rate = TransferRate()
    rate.take(0, 0.0)
    rate.take(4000, 100.0)
    assert rate.take(8000, 200.0) == pytest.approx(40.0)
