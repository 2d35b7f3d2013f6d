"""Ratios of the diagnostic link against references in the same run.

    python benchmarks/link.py [--quick] [--memory-as-is]

Each line is a ratio with the bar that it has to reach. Absolute times depend on the machine and
are shown for orientation only. All over loopback, with the simulated gateway in a process of its
own, so that both sides do not share one interpreter; on the same processor, see
``keep_to_processor``, and for comparison on two.

The bare asyncio client has two speeds: each of its reads asks for 256 KiB of fresh memory, and
glibc either keeps such a piece or gives it back to the system and fetches it anew. The one costs
nearly twice the other, and chance decides. So this program begins itself again with glibc told to
keep memory, which shows the bare client at its best; ``--memory-as-is`` leaves that out.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import statistics
import sys
import tempfile
import threading
import time
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

from _bare_gateway import (
    BLOCK_BYTES,
    FIRST_UNIT,
    SILENT_UNIT,
    Knobs,
    gateway,
    keep_to_processor,
)
from _link_clients import (
    Cost,
    require,
    time_bare_asyncio,
    time_link_alone,
    time_ours,
    time_ready_made,
    with_carrier,
)
from donorfit.diagnostics.conversation import (
    Answered,
    Effect,
    Exchange,
    Unknown,
)
from donorfit.edge.clock import RealClock
from donorfit.errors import InputError, LinkError
from donorfit.vehicle.identity import Address, UnitId

if TYPE_CHECKING:
    from donorfit.job.carrier import Carrier

T = TypeVar("T")


# Environment of glibc's allocator, see mallopt(3); other systems pass over it.
KEPT_MEMORY = {
    "MALLOC_MMAP_THRESHOLD_": str(8 << 20),
    "MALLOC_TRIM_THRESHOLD_": str(16 << 20),
    "MALLOC_TOP_PAD_": str(4 << 20),
}


def time_many_units(port: int) -> float:
    """Seconds of 40 units x 5 reads on one connection."""

    async def body(carrier: Carrier) -> float:
        async def read_five(number: int) -> None:
            for identifier in range(0xF187, 0xF18C):
                outcome = await carrier.carry(
                    Exchange(
                        unit=UnitId(f"unit{number}"),
                        address=Address(FIRST_UNIT + number),
                        pdu=b"\x22" + identifier.to_bytes(2, "big"),
                        effect=Effect.READING,
                        what="read",
                    )
                )
                require(isinstance(outcome, Answered), outcome)

        began = time.perf_counter()
        await asyncio.gather(*(read_five(number) for number in range(40)))
        return time.perf_counter() - began

    return asyncio.run(with_carrier(port, body))


def time_silence(port: int) -> float:
    """Seconds until a write without an answer is noticed; P2 is 50 ms, transit 0."""

    def ask(pdu: bytes) -> Exchange:
        return Exchange(
            unit=UnitId("silent"),
            address=Address(SILENT_UNIT),
            pdu=pdu,
            effect=Effect.CHANGING,
            what="ask",
        )

    async def body(carrier: Carrier) -> float:
        # The first request to a unit goes behind a fence; that is not what is measured.
        outcome = await carrier.carry(ask(b"\x22\xf1\x90"))
        require(isinstance(outcome, Answered), outcome)
        began = time.perf_counter()
        outcome = await carrier.carry(ask(b"\x2e\x01\x00\x55"))
        took = time.perf_counter() - began
        require(isinstance(outcome, Unknown), outcome)
        return took

    return asyncio.run(with_carrier(port, body, transit_s=0.0))


def measure_isotp() -> tuple[float, int]:
    """KiB/s of 40 ISO-TP channels on one in-process bus, both ends here, and threads in all."""
    from donorfit.edge.links.can_port import CanFrame, open_bus  # noqa: PLC0415 - optional
    from donorfit.edge.links.isotp import IsotpLink  # noqa: PLC0415
    from donorfit.edge.links.isotp_addresses import CanAddress  # noqa: PLC0415
    from donorfit.edge.links.isotp_channel import IsotpChannel  # noqa: PLC0415

    async def main() -> tuple[float, int]:
        clock = RealClock()
        units = [
            CanAddress(unit=Address(FIRST_UNIT + n), request=0x600 + n, response=0x680 + n)
            for n in range(40)
        ]
        tester_bus, car_bus = open_bus("virtual", "benchmark"), open_bus("virtual", "benchmark")
        channels: dict[int, IsotpChannel] = {}
        received = 0
        done = asyncio.Event()

        def take_message(pdu: bytes) -> None:
            nonlocal received
            received += len(pdu)
            if received >= 40 * 4095:
                done.set()

        for unit in units:
            mirrored = CanAddress(unit=unit.unit, request=unit.response, response=unit.request)
            channels[unit.request] = IsotpChannel(
                mirrored,
                car_bus.send,
                take_message,
                lambda: None,
                flexible_rate=False,
                longest_message=4095,
            )

        def take_frame(frame: CanFrame) -> None:
            if frame.identifier in channels:
                channels[frame.identifier].take(frame)

        car_bus.listen(take_frame, lambda _reason: None)
        link = IsotpLink(tester_bus, tuple(units), clock)
        await link.open(clock.now() + 1)
        message = b"\x36" + bytes(4094)
        began = time.perf_counter()
        await asyncio.gather(*(link.send(unit.unit, message, clock.now() + 60) for unit in units))
        await asyncio.wait_for(done.wait(), 5)
        took = time.perf_counter() - began
        threads = threading.active_count()
        await link.close()
        await car_bus.close()
        return 40 * 4095 / 1024 / took, threads

    return asyncio.run(main())


def measure_journal() -> tuple[float, int]:
    """Share of a session's time that goes into the job file, and how many writes that is.

    The session is preparing and applying on the simulated car of the campaign, with realistic
    durations in virtual time; the job file is a real one, and its writes take real time.
    """
    sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests" / "faults" / "campaign"))
    import campaign  # noqa: PLC0415 - found through the line above

    from donorfit.edge.journal.job_file import JobFile  # noqa: PLC0415

    class TimedJobFile(JobFile):
        """A job file that adds up the time of its writes."""

        spent_s = 0.0
        writes = 0

        def _write(self, statement: str, values: tuple[object, ...], *, durable: bool) -> int:
            began = time.perf_counter()
            row = super()._write(statement, values, durable=durable)
            self.spent_s += time.perf_counter() - began
            self.writes += 1
            return row

    schedule = campaign.Schedule(campaign.make_thin_bed(), {}, gives_up=False)
    world = schedule.world
    # Beside this file and not in the system's folder, which may be a disk in memory.
    with (
        tempfile.TemporaryDirectory(dir=Path(__file__).parent) as folder,
        TimedJobFile.create(Path(folder) / "job.donorfit", lambda: "") as file,
    ):
        for record in world.store.list_records():
            file.add_record(record.kind, record.data)
        world.store = file
        file.spent_s, file.writes = 0.0, 0
        began_s = world.tell_car_time()
        schedule.run_forward()
        session_s = world.tell_car_time() - began_s
        return file.spent_s / session_s, file.writes


def show(name: str, value: float, bar: str, *, good: bool, more: str = "") -> bool:
    """One line of the report."""
    print(f"{'ok ' if good else 'LOW'} {name:64} {value:8.2f}  bar {bar:9} {more}")
    return good


def compare_downloads(port: int, data: bytes, runs: int, where: str, *, judged: bool) -> bool:
    """Our download against bare asyncio and against the ready-made pair, turn by turn.

    Each turn gives a ratio of its own, and their median is judged: what else the machine does
    strikes both sides of one turn much alike. What is not judged is shown only.
    """
    time_ours(port, data)
    turns, ready = [], []
    for turn in range(runs):
        # Who goes first changes every turn.
        if turn % 2:
            ours, bare = time_ours(port, data), time_bare_asyncio(port, data)
        else:
            bare, ours = time_bare_asyncio(port, data), time_ours(port, data)
        turns.append((ours, bare))
        with contextlib.suppress(ImportError):
            ready.append(time_ready_made(port, data[: len(data) // 8]) * 8 / ours.clock_s)
    blocks = len(data) / (BLOCK_BYTES - 2)
    good = True
    for place, kind in enumerate(Cost._fields):
        ratios = [bare[place] / ours[place] for ours, bare in turns]
        own, other = (
            statistics.median(each[place] for each in costs) / blocks * 1e6
            for costs in zip(*turns, strict=True)
        )
        value = statistics.median(ratios)
        more = f"{min(ratios):.2f} to {max(ratios):.2f}; {own:.0f} and {other:.0f} us a block"
        name = f"download at 0xFFF against bare asyncio, {where}: {kind.removesuffix('_s')}"
        reached = not judged or value >= 0.9
        good &= show(name, value, ">= 0.9" if judged else "none", good=reached, more=more)
    if ready:
        value = statistics.median(ready)
        name = f"the same against udsoncan with doipclient, {where}: clock"
        reached = not judged or value >= 10
        good &= show(name, value, ">= 10" if judged else "none", good=reached)
    return good


def compare_single_exchanges(port: int, data: bytes, runs: int) -> None:
    """Single exchanges over our link against bare asyncio, turn by turn; shown, not judged.

    A download streams its blocks; readings and writes go out one by one and are waited for.
    """
    time_link_alone(port, data)
    turns = [(time_bare_asyncio(port, data), time_link_alone(port, data)) for _ in range(runs)]
    for place, kind in enumerate(Cost._fields):
        ratios = [bare[place] / ours[place] for bare, ours in turns]
        value = statistics.median(ratios)
        name = f"single exchanges of 0xFFF against bare asyncio: {kind.removesuffix('_s')}"
        more = f"{min(ratios):.2f} to {max(ratios):.2f}"
        show(name, value, "none", good=True, more=more)


def check_slow_blocks(port: int, data: bytes, runs: int) -> bool:
    """A unit that takes 2 ms a block: how much of our time is the unit's own.

    On a busy machine both clients are woken up late, so it is also said how we stand against the
    bare one; a twentieth is what two runs of one client differ by.
    """
    time_ours(port, data[: 1 << 16])
    part = data[: (BLOCK_BYTES - 2) * 250]
    unit_s = 253 * 0.002
    pairs = [
        (time_ours(port, part).clock_s, time_bare_asyncio(port, part).clock_s) for _ in range(runs)
    ]
    value, bare = (
        statistics.median(unit_s / each for each in times) for times in zip(*pairs, strict=True)
    )
    best = unit_s / min(ours for ours, _ in pairs)
    more = f"best {best:.2f}; bare asyncio {bare:.2f}"
    name = "2 ms a block: requests x delay against our time"
    good = show(name, value, ">= 0.9", good=value >= 0.9, more=more)
    value = statistics.median(other / ours for ours, other in pairs)
    name = "2 ms a block against bare asyncio: clock"
    return show(name, value, ">= 0.95", good=value >= 0.95) and good


def check_isotp(runs: int) -> bool:
    """The fastest of some runs: a stalled machine breaks messages, as the standard wants."""
    rates = []
    threads = 0
    reason = ""
    for _ in range(runs):
        try:
            rate, threads = measure_isotp()
        except (LinkError, TimeoutError) as error:
            reason = f"; {type(error).__name__}: the machine is too busy for 1 s of N_Bs or N_Cr"
        else:
            rates.append(rate)
    value = max(rates, default=0.0) / 30
    name = "40 ISO-TP channels: KiB/s against a full 500 kbit/s bus (30)"
    reached = value >= 8 and threads <= 4
    more = f"{threads} threads, {len(rates)} of {runs} runs{reason}"
    return show(name, value, ">= 8", good=reached, more=more)


def begin_with_kept_memory() -> None:
    """Begin this program again with glibc's allocator set, where it is not set yet."""
    if os.name == "posix" and not KEPT_MEMORY.keys() <= os.environ.keys():
        program = [sys.executable, *sys.orig_argv[1:]]
        os.execve(sys.executable, program, os.environ | KEPT_MEMORY)  # noqa: S606 - ourselves


def main() -> int:
    """Measure everything; exit code 1 where a bar is missed."""
    if "--memory-as-is" not in sys.argv:
        begin_with_kept_memory()
    quick = "--quick" in sys.argv
    size = (1 << 20) if quick else (2 << 20)
    runs = 5 if quick else 15
    data = bytes(range(256)) * (size // 256)
    good = True
    keep_to_processor(0)
    with gateway(Knobs(together=True)) as port:
        compare_single_exchanges(port, data, runs)
        good &= compare_downloads(port, data, runs, "one processor", judged=True)
        over_s = min(time_silence(port) for _ in range(runs)) - 0.05
        name = "silent unit noticed, ms after P2"
        good &= show(name, over_s * 1000, "<= 20", good=over_s <= 0.02)
    with gateway(Knobs(together=True, processor=1)) as port:
        compare_downloads(port, data, runs, "two processors", judged=False)
    with gateway(Knobs(delay_s=0.002, exact=True)) as port:
        good &= check_slow_blocks(port, data, runs)
    with gateway(Knobs(delay_s=0.02)) as port:
        took = min(time_many_units(port) for _ in range(runs))
        name = "40 units x 5 reads at 20 ms, times the longest chain of 0.1 s"
        good &= show(name, took / 0.1, "<= 1.5", good=took <= 0.15, more=f"{took * 1000:.0f} ms")
    with contextlib.suppress(ImportError, InputError):
        good &= check_isotp(3 if quick else 6)
    share, writes = measure_journal()
    name = "job file: per cent of the session's time"
    good &= show(name, share * 100, "<= 5", good=share <= 0.05, more=f"{writes} writes")
    return 0 if good else 1


if __name__ == "__main__":
    raise SystemExit(main())
