"""Monotonic time: the real one, and a virtual one that jumps to the next thing to happen."""

import asyncio
import selectors
import time
from collections.abc import Coroutine, Mapping
from typing import TYPE_CHECKING, Any, TypeVar

if TYPE_CHECKING:
    from _typeshed import FileDescriptorLike

T = TypeVar("T")

_RESOLUTION_S = 1e-6


class RealClock:
    """The system's monotonic time; the wall clock may jump without harm.

    Attributes:
        now: seconds from an arbitrary start; the system's own function, since every block asks
            five times.
    """

    now = staticmethod(time.monotonic)

    async def sleep(self, seconds: float) -> None:
        """Wait; not at all where the time is 0 or less."""
        await asyncio.sleep(max(0.0, seconds))


class VirtualClock:
    """Time of the running loop; virtual inside :func:`run_in_virtual_time`."""

    def now(self) -> float:
        """Seconds from the start of the loop."""
        return asyncio.get_running_loop().time()

    async def sleep(self, seconds: float) -> None:
        """Let time pass; not at all where it is 0 or less."""
        await asyncio.sleep(max(0.0, seconds))


class NothingLeftError(RuntimeError):
    """Everybody waits and nothing is left that could happen: the run would hang forever."""


class _JumpingSelector(selectors.BaseSelector):
    """Passes time instead of waiting: what the loop would sleep is added to the time."""

    def __init__(self) -> None:
        self.now_s = 0.0
        self._real = selectors.DefaultSelector()

    def register(
        self, fileobj: "FileDescriptorLike", events: int, data: Any = None
    ) -> selectors.SelectorKey:
        return self._real.register(fileobj, events, data)

    def unregister(self, fileobj: "FileDescriptorLike") -> selectors.SelectorKey:
        return self._real.unregister(fileobj)

    def modify(
        self, fileobj: "FileDescriptorLike", events: int, data: Any = None
    ) -> selectors.SelectorKey:
        return self._real.modify(fileobj, events, data)

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        ready = self._real.select(0)
        if ready or timeout == 0:
            return ready
        if timeout is None:
            message = "nothing is left that could happen"
            raise NothingLeftError(message)
        self.now_s += timeout
        return ready

    def close(self) -> None:
        self._real.close()

    def get_map(self) -> "Mapping[FileDescriptorLike, selectors.SelectorKey]":
        return self._real.get_map()


class _VirtualLoop(asyncio.SelectorEventLoop):
    """An event loop whose time passes only where everybody sleeps."""

    def __init__(self) -> None:
        self._jumping = _JumpingSelector()
        super().__init__(self._jumping)
        # A timer is due within this much of its time. The real clock's nanosecond is less than a
        # rounding step once some months have passed, and the timer would never be due.
        self._clock_resolution = _RESOLUTION_S

    def time(self) -> float:
        return self._jumping.now_s


def run_in_virtual_time(main: Coroutine[Any, Any, T]) -> T:
    """Run to the end without waiting for real; the order of events is the same every time.

    For what runs inside this process: sockets and threads know nothing of virtual time.

    Raises:
        NothingLeftError: everybody waits and nothing is left to happen.
    """
    with asyncio.Runner(loop_factory=_VirtualLoop) as runner:
        return runner.run(main)
