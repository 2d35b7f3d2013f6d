"""Tasks that cannot be told apart, counted together: what the search works on.

Figures are whole numbers here (thousandths of seconds and amperes, bytes a second), so that the
same sum is the same number whatever the order it was added in.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from donorfit.ordering.tasks import THOUSAND, Limits, Task

UNLIMITED = 2**62

Counts = tuple[int, ...]
"""How many tasks of each kind."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """Tasks alike in everything that matters to the order.

    Attributes:
        lane: lane.
        length: duration.
        current: current.
        load: load.
        alone: whether nothing runs beside it.
        members: places of the tasks as given.
        after: places of the kinds of the same block that have to be ended before.
    """

    lane: str
    length: int
    current: int
    load: int
    alone: bool
    members: tuple[int, ...]
    after: tuple[int, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Block:
    """Kinds that are ordered together; a kind stands behind those that it waits for."""

    kinds: tuple[Kind, ...]
    lanes: int
    current: int
    load: int

    @property
    def all_tasks(self) -> Counts:
        """The counts of all tasks."""
        return tuple(len(kind.members) for kind in self.kinds)

    @property
    def is_free(self) -> bool:
        """Whether nothing in it waits for anything else in it."""
        return not any(kind.after for kind in self.kinds)


@dataclass(frozen=True, slots=True, kw_only=True)
class Load:
    """What a set of tasks in one round comes to."""

    length: int
    current: int
    load: int
    lanes: int


def measure(block: Block, taken: Counts) -> Load:
    """Length of a round, and the most that its lanes together can take."""
    lengths: dict[str, int] = {}
    currents: dict[str, int] = {}
    loads: dict[str, int] = {}
    for kind, count in zip(block.kinds, taken, strict=True):
        if count:
            lengths[kind.lane] = lengths.get(kind.lane, 0) + count * kind.length
            currents[kind.lane] = max(currents.get(kind.lane, 0), kind.current)
            loads[kind.lane] = max(loads.get(kind.lane, 0), kind.load)
    return Load(
        length=max(lengths.values(), default=0),
        current=sum(currents.values()),
        load=sum(loads.values()),
        lanes=len(lengths),
    )


def is_allowed(block: Block, left: Counts, taken: Counts) -> bool:
    """Whether a round keeps limits and order, given what is left when it begins.

    One lane by itself keeps the limits always: a task that exceeds one alone has to run somehow.
    """
    lanes = {kind.lane for kind, count in zip(block.kinds, taken, strict=True) if count}
    if any(kind.alone and count for kind, count in zip(block.kinds, taken, strict=True)):
        return sum(taken) == 1
    for kind, count in zip(block.kinds, taken, strict=True):
        if count and not may_begin(block, kind, left, taken):
            return False
    found = measure(block, taken)
    within = found.current <= block.current and found.load <= block.load
    return len(lanes) <= block.lanes and (within or len(lanes) == 1)


def may_begin(block: Block, kind: Kind, left: Counts, taken: Counts) -> bool:
    """Whether all that a kind waits for was done before, or goes before it on its own lane."""
    return all(
        left[place] == taken[place] and (not taken[place] or block.kinds[place].lane == kind.lane)
        for place in kind.after
    )


def make_blocks(tasks: Sequence[Task], limits: Limits) -> list[Block]:
    """Cut the tasks where everything before waits for nothing behind.

    A round across such a cut could only hold one lane, so that parting it there costs nothing:
    the blocks are ordered one by one and the shortest orders put in a row are the shortest order.
    """
    ancestors = _find_ancestors(tasks)
    row = sorted(range(len(tasks)), key=lambda at: (ancestors[at].bit_count(), at))
    blocks, done, start = [], 0, 0
    for end, at in enumerate(row, start=1):
        done |= 1 << at
        if all(ancestors[each] & done == done for each in row[end:]):
            blocks.append(_make_block(tasks, ancestors, row[start:end], limits))
            start = end
    return blocks


def _find_ancestors(tasks: Sequence[Task]) -> list[int]:
    """For each task the set, as bits, of all tasks that come before it."""
    places = {task.id: at for at, task in enumerate(tasks)}
    found: dict[int, int] = {}
    pending = list(range(len(tasks)))
    while pending:
        at = pending[-1]
        after = [places[each] for each in tasks[at].after]
        missing = [each for each in after if each not in found]
        if missing:
            pending += missing
            continue
        pending.pop()
        bits = 0
        for each in after:
            bits |= found[each] | 1 << each
        found[at] = bits
    return [found[at] for at in range(len(tasks))]


def _make_block(
    tasks: Sequence[Task], ancestors: Sequence[int], places: Sequence[int], limits: Limits
) -> Block:
    inside = 0
    for at in places:
        inside |= 1 << at
    groups: dict[tuple[object, ...], list[int]] = {}
    for at in places:
        task = tasks[at]
        before = ancestors[at] & inside
        behind = frozenset(each for each in places if ancestors[each] >> at & 1)
        key = (task.lane, *_count(task), task.alone, before, behind)
        groups.setdefault(key, []).append(at)
    rows = list(groups.values())
    kinds = []
    for members in rows:
        task = tasks[members[0]]
        length, current, load = _count(task)
        before = ancestors[members[0]] & inside
        after = tuple(at for at, other in enumerate(rows) if before >> other[0] & 1)
        kinds.append(
            Kind(
                lane=task.lane,
                length=length,
                current=current,
                load=load,
                alone=task.alone,
                members=tuple(members),
                after=after,
            )
        )
    return Block(
        kinds=tuple(kinds),
        lanes=limits.lanes,
        current=_bound(limits.current_a, THOUSAND),
        load=_bound(limits.bytes_per_s, 1),
    )


def _count(task: Task) -> tuple[int, int, int]:
    return (
        round(task.seconds * THOUSAND),
        math.ceil(round(task.current_a * THOUSAND, 6)),
        math.ceil(round(task.bytes_per_s, 6)),
    )


def _bound(limit: float, scale: int) -> int:
    return UNLIMITED if math.isinf(limit) else math.floor(round(limit * scale, 6))
