"""Virtual time jumps to the next thing to happen; the alarm rings only where nothing came."""

from __future__ import annotations

import asyncio
import time

import pytest

from donorfit.edge.clock import (
    NothingLeftError,
    RealClock,
    VirtualClock,
    run_in_virtual_time,
)
from donorfit.job.alarm import Alarm


def test_a_year_passes_at_once_and_in_order() -> None:
    clock = VirtualClock()
    seen = []

    async def wait(name: str, seconds: float) -> None:
        await clock.sleep(seconds)
        seen.append((name, round(clock.now(), 3)))

    async def main() -> None:
        year_s = 365 * 86400
        await asyncio.gather(wait("late", year_s), wait("soon", 0.05), wait("now", -1))

    began = time.monotonic()
    run_in_virtual_time(main())
    assert seen == [("now", 0.0), ("soon", 0.05), ("late", 31536000.0)]
    assert time.monotonic() - began < 2


def test_waiting_for_nothing_is_an_error_and_no_hang() -> None:
    async def main() -> None:
        await asyncio.get_running_loop().create_future()

    with pytest.raises(NothingLeftError):
        run_in_virtual_time(main())


def test_timeouts_of_asyncio_run_in_virtual_time_too() -> None:
    async def main() -> float:
        with pytest.raises(TimeoutError):
            async with asyncio.timeout(3600):
                await asyncio.get_running_loop().create_future()
        return VirtualClock().now()

    assert run_in_virtual_time(main()) == pytest.approx(3600)


def test_the_real_clock_is_monotonic_and_really_waits() -> None:
    async def main() -> float:
        clock = RealClock()
        began = clock.now()
        await clock.sleep(-5)
        await clock.sleep(0.02)
        return clock.now() - began

    assert asyncio.run(main()) >= 0.019


def ring_times(body) -> list[float]:
    rung: list[float] = []

    async def main() -> None:
        clock = VirtualClock()
        alarm = Alarm(clock, lambda: rung.append(round(clock.now(), 3)))
        await body(alarm, clock)
        await clock.sleep(100)
        alarm.close()

    run_in_virtual_time(main())
    return rung


def test_an_alarm_rings_once_at_its_time() -> None:
    async def body(alarm, clock):
        alarm.set(5.0)

    assert ring_times(body) == [5.0]


def test_an_alarm_that_is_moved_rings_at_the_last_time_asked_for() -> None:
    async def later(alarm, clock):
        for step in range(10):
            alarm.set(1.0 + step)
            await clock.sleep(0.1)

    async def sooner(alarm, clock):
        alarm.set(50.0)
        await clock.sleep(1)
        alarm.set(2.0)

    assert ring_times(later) == [10.0]
    assert ring_times(sooner) == [2.0]


def test_a_cleared_or_closed_alarm_is_silent_and_can_be_set_again() -> None:
    async def cleared(alarm, clock):
        alarm.set(1.0)
        alarm.clear()
        await clock.sleep(5)
        alarm.set(7.0)

    async def closed(alarm, clock):
        alarm.set(1.0)
        alarm.close()

    assert ring_times(cleared) == [7.0]
    assert ring_times(closed) == []


def test_an_alarm_in_the_past_rings_at_once() -> None:
    async def body(alarm, clock):
        await clock.sleep(3)
        alarm.set(1.0)

    assert ring_times(body) == [3.0]
