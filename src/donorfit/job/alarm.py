"""An alarm that is set anew for every request and rings only where nothing came in time."""

import asyncio
from collections.abc import Callable

from donorfit.job.ports import Clock

# Slept on top, so that the time is reached when the sleep is over and not a rounding step before.
_ROUNDING_S = 1e-6


class Alarm:
    """Calls back at a time of the clock; setting and clearing it costs next to nothing.

    A task sleeps until the earliest time that was ever asked for and looks then whether the time
    was moved, so that a download with a thousand answers in time starts few tasks.
    """

    def __init__(self, clock: Clock, ring: Callable[[], None]) -> None:
        self._clock = clock
        self._ring = ring
        self._at_s: float | None = None
        self._wakes_at_s = 0.0
        self._task: asyncio.Task[None] | None = None

    def set(self, at_s: float) -> None:
        """Ring at this time and not at the one asked for before."""
        self._at_s = at_s
        if self._task is not None and at_s < self._wakes_at_s:
            self._task.cancel()
            self._task = None
        if self._task is None:
            self._wakes_at_s = at_s
            self._task = asyncio.create_task(self._watch())

    def clear(self) -> None:
        """Do not ring."""
        self._at_s = None

    def close(self) -> None:
        """Do not ring any more and end the task."""
        self._at_s = None
        if self._task is not None:
            self._task.cancel()
            self._task = None

    async def _watch(self) -> None:
        while self._at_s is not None:
            left_s = self._at_s - self._clock.now()
            if left_s > 0:
                self._wakes_at_s = self._at_s
                await self._clock.sleep(left_s + _ROUNDING_S)
                continue
            self._at_s = None
            self._ring()
        self._task = None
