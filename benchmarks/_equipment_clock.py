"""Processor time of a deed, of several in turn, and how such times spread."""

import statistics
import time
from collections.abc import Callable, Iterable
from typing import Any

try:
    import resource

    HAS_RESOURCE = True
except ImportError:  # Windows: what other processes use is then not counted
    HAS_RESOURCE = False


def read_clock() -> float:
    """Seconds of processor time of this process and of those that it ran to their end."""
    ended = resource.getrusage(resource.RUSAGE_CHILDREN) if HAS_RESOURCE else None
    return time.process_time() + (ended.ru_utime + ended.ru_stime if ended else 0.0)


def measure(deed: Callable[[], Any]) -> float:
    """Milliseconds of processor time of one call."""
    started = read_clock()
    deed()
    return 1000 * (read_clock() - started)


def take_turns(rounds: int, *deeds: Callable[[], Any]) -> list[float]:
    """Median milliseconds of several deeds that take turns."""
    times: list[list[float]] = [[] for _ in deeds]
    for _ in range(rounds):
        for found, deed in zip(times, deeds, strict=True):
            found.append(measure(deed))
    return [statistics.median(found) for found in times]


def say_spread(times: Iterable[float]) -> str:
    """Median, 95th percentile and largest of some times."""
    ordered = sorted(times)
    high = ordered[min(len(ordered) - 1, int(0.95 * len(ordered)))]
    return f"median {statistics.median(ordered):.2f}, p95 {high:.2f}, max {ordered[-1]:.2f} ms"
