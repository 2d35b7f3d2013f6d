"""The watch on this computer: sleep, hold-ups and lost mains are told, low battery stops."""

import asyncio

from donorfit.edge.clock import run_in_virtual_time
from donorfit.edge.host.power import HostPower
from donorfit.edge.host.watch import HostWatch, read_boot_clock


def watch(seconds, *, jumps=(), powers=None):
    """Run a watch for so long; ``jumps`` are (at, seconds running clock, seconds boot clock)."""
    told, stops = [], []

    async def main():
        loop = asyncio.get_running_loop()

        def read(column):
            return loop.time() + sum(each[column] for each in jumps if loop.time() >= each[0])

        def read_power():
            return next((p for at, p in reversed(powers or ()) if loop.time() >= at), HostPower())

        each = HostWatch(
            tell=told.append,
            stop=stops.append,
            read_power=read_power,
            running_clock=lambda: read(1),
            boot_clock=lambda: read(2),
        )
        task = asyncio.ensure_future(each.run())
        await asyncio.sleep(seconds)
        task.cancel()

    run_in_virtual_time(main())
    return told, stops


def test_nothing_is_told_while_all_is_well():
    assert watch(300.0) == ([], [])


def test_sleep_shows_in_the_clock_that_counts_it():
    told, stops = watch(30.0, jumps=[(10.5, 0.0, 42.0)])
    (text,) = told
    assert "was asleep for 42 s" in text
    assert "entered again" in text
    assert stops == []


def test_a_stopped_program_shows_in_both_clocks():
    (text,), _ = watch(30.0, jumps=[(10.5, 9.0, 9.0)])
    assert "for 9 s" in text
    assert "was asleep" not in text


def test_a_gap_that_a_session_bears_is_not_told():
    assert watch(30.0, jumps=[(10.5, 3.0, 3.0)])[0] == []


def test_lost_mains_is_told_and_a_low_battery_stops():
    powers = [
        (0.0, HostPower(mains=True, percent=40.0)),
        (30.0, HostPower(mains=False, percent=35.0)),
        (90.0, HostPower(mains=False, percent=20.0)),
    ]
    told, stops = watch(130.0, powers=powers)
    (text,) = told
    assert "mains was lost" in text
    assert "20 %" in stops[0]


def test_the_boot_clock_goes_on():
    first = read_boot_clock()
    assert read_boot_clock() >= first
