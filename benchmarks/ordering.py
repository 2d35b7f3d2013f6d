"""How short sessions get, and how long the search for them takes beside CP-SAT.

Invented work (``tests/reference/ordering/random_work.py``) is ordered by our search, by a CP-SAT
model of the same rounds, and by a CP-SAT model without rounds, which no order of rounds can beat.
Lengths are ratios of sums; times are processor time, and ratios within this run, one worker each.
Bounds: our orders are proved within the budget of the program, and as short as CP-SAT finds them.
"""

import random
import sys
import time
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "tests" / "reference" / "ordering"))
from cp_sat_orders import SCALE, find_shortest_free, find_shortest_rounds
from random_work import make_work

from donorfit.ordering import order_tasks

SIZES = (6, 8, 12, 20, 40)
COUNT = 40
CP_SAT_UP_TO = 12
"""Larger work takes CP-SAT's proof of the rounds more than the time of a benchmark."""
LEAST_PROVED = 0.95


@dataclass
class Tally:
    """Sums over the instances of one size."""

    ours_s: float = 0.0
    peer_s: float = 0.0
    length: int = 0
    row: int = 0
    free: int = 0
    proved: int = 0
    differ: int = 0
    slowest_s: float = 0.0


def tally(most: int) -> Tally:
    """Order so many instances of one size in every way."""
    dice = random.Random(most)
    found = Tally()
    for _ in range(COUNT):
        tasks, limits = make_work(dice, most=most)
        started = time.process_time()
        order = order_tasks(tasks, limits)
        took_s = time.process_time() - started
        found.ours_s += took_s
        found.slowest_s = max(found.slowest_s, took_s)
        length = round(order.seconds * SCALE)
        found.length += length
        found.row += round(order.row_seconds * SCALE)
        found.free += find_shortest_free(tasks, limits, seconds=2.0)[0]
        found.proved += order.proved
        if most <= CP_SAT_UP_TO:
            started = time.process_time()
            low, high = find_shortest_rounds(tasks, limits, seconds=5.0)
            found.peer_s += time.process_time() - started
            found.differ += not low <= length <= high and order.proved
    return found


def main() -> int:
    """Print the table; return 1 where a bound is broken."""
    print(f"{COUNT} sessions a size; length against row and against the order without rounds")
    print(
        f"{'tasks':>8}{'of row':>9}{'of free':>9}{'proved':>8}{'CP-SAT time':>13}{'slowest':>10}"
    )
    broken = False
    for most in SIZES:
        found = tally(most)
        peer = f"{found.peer_s / found.ours_s:.1f}x ours" if found.peer_s else "not asked"
        print(
            f"{f'1 to {most}':>8}{found.length / found.row:9.3f}{found.length / found.free:9.3f}"
            f"{found.proved / COUNT:8.0%}{peer:>13}{found.slowest_s:8.2f} s"
        )
        broken |= found.differ > 0
        broken |= most <= CP_SAT_UP_TO and found.proved < LEAST_PROVED * COUNT
    return int(broken)


if __name__ == "__main__":
    sys.exit(main())
