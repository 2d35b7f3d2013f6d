"""Every order is as short as CP-SAT finds it (OR-tools 9, in the development environment only)."""

import random
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))
pytest.importorskip("ortools", reason="OR-tools is not installed")
from cp_sat_orders import SCALE, find_shortest_free, find_shortest_rounds
from random_work import make_work

from donorfit.ordering import order_tasks


def compare(count, seed, most):
    """Compare so many instances; return how long orders are against row and free order.

    The third number counts those where CP-SAT ended its own proof within its time; where it did
    not, its bounds have to hold.
    """
    dice = random.Random(seed)
    ours_sum = row_sum = free_sum = agreed = 0
    for number in range(count):
        tasks, limits = make_work(dice, most=most)
        order = order_tasks(tasks, limits, budget=1_000_000)
        ours = round(order.seconds * SCALE)
        assert order.proved, (seed, number)
        low, high = find_shortest_rounds(tasks, limits)
        assert low <= ours <= high, (seed, number, tasks, limits)
        agreed += low == high
        free, _ = find_shortest_free(tasks, limits)
        assert free <= ours
        ours_sum += ours
        row_sum += round(order.row_seconds * SCALE)
        free_sum += free
    return ours_sum / row_sum, ours_sum / free_sum, agreed


def test_orders_are_as_short_as_cp_sat_finds_them():
    against_row, against_free, agreed = compare(120, seed=1, most=6)
    assert agreed == 120
    assert against_row < 0.95
    assert against_free < 1.1


@pytest.mark.long
@pytest.mark.timeout(3600)
@pytest.mark.parametrize("seed", range(10))
def test_thousands_of_orders_are_as_short_as_cp_sat_finds_them(seed):
    against_row, against_free, agreed = compare(300, seed=100 + seed, most=8)
    print(
        f"seed {100 + seed}: 300 orders, {agreed} proved equal, "
        f"{against_row:.3f} of the row, {against_free:.4f} of free"
    )
    assert agreed >= 295
    assert against_row < 0.95
    assert against_free < 1.1
