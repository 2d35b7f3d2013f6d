"""What is ordered, within which limits, and the order that comes out."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from donorfit.errors import MisuseError

THOUSAND = 1000
"""Seconds and amperes are counted in thousandths, so that equal sums are equal."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Task:
    """One piece of work that is never interrupted by another one on the same lane.

    Attributes:
        id: name, unique.
        lane: name of the lane; tasks of one lane never run side by side.
        seconds: planned duration.
        current_a: highest current on top of what flows anyway.
        bytes_per_s: load that it puts on what all lanes share.
        alone: whether nothing else may run beside it.
        after: ids of tasks that have to be ended before it begins.
    """

    id: str
    lane: str
    seconds: float
    current_a: float = 0.0
    bytes_per_s: float = 0.0
    alone: bool = False
    after: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """What all lanes of a round together may not exceed; infinite where nothing limits.

    Attributes:
        lanes: lanes side by side, at least 1.
        current_a: sum of the lanes' highest currents.
        bytes_per_s: sum of the lanes' highest loads.
    """

    lanes: int = 1
    current_a: float = math.inf
    bytes_per_s: float = math.inf


@dataclass(frozen=True, slots=True, kw_only=True)
class Lane:
    """One lane of a round: its tasks one after the other."""

    name: str
    tasks: tuple[str, ...]
    seconds: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Round:
    """Lanes that begin together; the round ends with the last of them.

    Attributes:
        lanes: the lanes, in the order of their first tasks as given.
        seconds: planned length, that of the longest lane.
        current_a: most that its lanes together can take, whatever runs beside what.
        bytes_per_s: most that its lanes together can load, likewise.
    """

    lanes: tuple[Lane, ...]
    seconds: float
    current_a: float
    bytes_per_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Order:
    """The rounds, and how good they are.

    Attributes:
        rounds: the rounds in order.
        seconds: their planned length together.
        row_seconds: length of the same tasks one after the other.
        bound_seconds: no order of rounds within the limits is shorter than this.
        proved: whether the order is the shortest there is: length and bound are equal.
        looked_at: partial rounds that the search looked at.
        too_heavy: tasks that exceed a limit by themselves; each runs alone all the same.
    """

    rounds: tuple[Round, ...]
    seconds: float
    row_seconds: float
    bound_seconds: float
    proved: bool
    looked_at: int
    too_heavy: tuple[str, ...] = ()


def check_tasks(tasks: Sequence[Task], limits: Limits) -> None:
    """Check that tasks and limits can be ordered at all.

    Raises:
        MisuseError: doubled or unknown names, a figure that is none, or tasks that wait for each
            other in a ring.
    """
    ids = [task.id for task in tasks]
    mistakes = [
        f"{id_} is there twice" for id_ in sorted({id_ for id_ in ids if ids.count(id_) > 1})
    ]
    for task in tasks:
        figures = (task.seconds, task.current_a, task.bytes_per_s)
        if not all(math.isfinite(figure) and figure >= 0 for figure in figures):
            mistakes.append(f"{task.id} has a figure that is none: {figures}")
        mistakes += [
            f"{task.id} waits for {each}, which is not there"
            for each in task.after
            if each not in ids
        ]
    if limits.lanes < 1 or not (limits.current_a >= 0 and limits.bytes_per_s >= 0):
        mistakes.append(f"these are no limits: {limits}")
    if not mistakes and (ring := _find_ring(tasks)):
        mistakes.append(f"these wait for each other: {', '.join(ring)}")
    if mistakes:
        raise MisuseError(what="The work cannot be ordered.", why="; ".join(mistakes))


def _find_ring(tasks: Sequence[Task]) -> list[str]:
    left = {task.id: set(task.after) for task in tasks}
    while free := [id_ for id_, after in left.items() if not after & left.keys()]:
        for id_ in free:
            del left[id_]
    return sorted(left)
