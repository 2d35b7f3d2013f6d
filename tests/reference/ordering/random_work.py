"""Invented work for a session: tasks on a few lanes, with limits that bind now and then."""

import math

from donorfit.ordering import Limits, Task


def make_work(dice, *, most=7):
    """Some tasks and limits."""
    count, lanes = dice.randint(1, most), dice.randint(1, 4)
    tasks = []
    for number in range(count):
        # Few different figures make tasks that cannot be told apart, and sums that are equal.
        before = [task.id for task in tasks if dice.random() < 0.12]
        tasks.append(
            Task(
                id=f"t{number}",
                lane=f"n{dice.randrange(lanes)}",
                seconds=dice.choice((1, 2, 2, 3, 5, 8, 13.5, 50)),
                current_a=dice.choice((0, 0, 0.5, 1, 4, 9, 12)),
                bytes_per_s=dice.choice((0, 0, 500, 9_000, 20_000)),
                alone=dice.random() < 0.08,
                after=tuple(before),
            )
        )
    limits = Limits(
        lanes=dice.randint(1, 4),
        current_a=dice.choice((math.inf, 4, 9, 10, 13, 18)),
        bytes_per_s=dice.choice((math.inf, math.inf, 9_500, 20_000, 30_000)),
    )
    return tasks, limits
