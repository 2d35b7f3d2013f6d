"""Order tasks into rounds: cut into blocks, search each, put the rounds in a row."""

from collections.abc import Sequence

from donorfit.ordering.kinds import Block, Counts, make_blocks, measure
from donorfit.ordering.search import search
from donorfit.ordering.tasks import THOUSAND, Lane, Limits, Order, Round, Task, check_tasks

BUDGET = 25_000
"""Partial rounds that the search looks at in one block before it gives up the proof."""


def order_tasks(tasks: Sequence[Task], limits: Limits, *, budget: int = BUDGET) -> Order:
    """Order tasks into the shortest session of rounds within the limits.

    The same tasks give the same order. Every task is in exactly one round; what a task waits for
    is in an earlier round, or before it on its own lane.

    Args:
        tasks: what has to be done.
        limits: what the lanes of a round together may not exceed.
        budget: how much the search may look at, block by block.

    Returns:
        The order; where the search was cut short, ``proved`` is false and the bound says how far
        off it can be at most.

    Raises:
        MisuseError: tasks or limits that make no sense.
    """
    check_tasks(tasks, limits)
    rounds: list[Round] = []
    length = bound = looked_at = 0
    too_heavy: list[int] = []
    for block in make_blocks(tasks, limits):
        found = search(block, budget)
        rounds += _name_rounds(tasks, block, found.rounds)
        length += found.length
        bound += found.bound
        looked_at += found.looked_at
        too_heavy += [
            place
            for kind in block.kinds
            if kind.current > block.current or kind.load > block.load
            for place in kind.members
        ]
    return Order(
        rounds=tuple(rounds),
        seconds=length / THOUSAND,
        row_seconds=sum(round(task.seconds * THOUSAND) for task in tasks) / THOUSAND,
        bound_seconds=bound / THOUSAND,
        proved=length == bound,
        looked_at=looked_at,
        too_heavy=tuple(tasks[place].id for place in sorted(too_heavy)),
    )


def _name_rounds(tasks: Sequence[Task], block: Block, rounds: Sequence[Counts]) -> list[Round]:
    """Rounds with the ids of their tasks; among tasks alike the first as given goes first."""
    waiting = [list(kind.members) for kind in block.kinds]
    named = []
    for taken in rounds:
        lanes: dict[str, list[int]] = {}
        for at, count in enumerate(taken):
            members = [waiting[at].pop(0) for _ in range(count)]
            lanes.setdefault(block.kinds[at].lane, []).extend(members)
        found = measure(block, taken)
        ordered = sorted(
            (_make_lane(tasks, name, places) for name, places in lanes.items() if places),
            key=lambda pair: pair[0],
        )
        named.append(
            Round(
                lanes=tuple(lane for _, lane in ordered),
                seconds=found.length / THOUSAND,
                current_a=found.current / THOUSAND,
                bytes_per_s=float(found.load),
            )
        )
    return named


def _make_lane(tasks: Sequence[Task], name: str, places: list[int]) -> tuple[int, Lane]:
    """A lane with its tasks as given, save where one waits for another one."""
    left, row = sorted(places), []
    while left:
        ids = {tasks[place].id for place in left}
        place = next(each for each in left if not _list_before(tasks, each) & ids)
        row.append(place)
        left.remove(place)
    seconds = sum(round(tasks[place].seconds * THOUSAND) for place in row) / THOUSAND
    return row[0], Lane(name=name, tasks=tuple(tasks[place].id for place in row), seconds=seconds)


def _list_before(tasks: Sequence[Task], place: int) -> frozenset[str]:
    """Ids of all tasks that have to be ended before one, directly or not."""
    by_id = {task.id: task for task in tasks}
    found: set[str] = set()
    pending = list(tasks[place].after)
    while pending:
        id_ = pending.pop()
        if id_ not in found:
            found.add(id_)
            pending += by_id[id_].after
    return frozenset(found)
