"""Survey of a whole car whose units each answer after 20 ms, against the slowest unit's own sum.

Units are read side by side on one connection, so the whole should take about as long as the unit
that is asked most. Bound: 2 times that unit's requests times 20 ms. The second figure is the
journal's share: the same survey with the job file on disk against one kept in memory.
"""

import asyncio
import sys
import tempfile
import time
from collections import Counter
from importlib.resources import files
from pathlib import Path

from donorfit.diagnostics.pdu import Reply
from donorfit.edge.clock import RealClock
from donorfit.edge.journal.job_file import JobFile
from donorfit.edge.journal.memory import MemoryRun
from donorfit.edge.key_files import NoKeys
from donorfit.edge.links.memory import MemoryLink
from donorfit.edge.packs.pack_reader import read_pack
from donorfit.job.carrier import Carrier
from donorfit.job.journal import RunJournal
from donorfit.job.loop import Loop
from donorfit.stages.survey import survey_car
from donorfit.vehicle.identity import Address
from donorfit.vehicle.pack import Pack

ANSWER_S = 0.020
ROUNDS = 5
BOUND = 2.0


class EvenCar:
    """Answers every reading after the same time."""

    def __init__(self) -> None:
        self.requests: Counter[Address] = Counter()

    def handle(self, target: Address, pdu: bytes, now_s: float) -> tuple[Reply, ...]:
        """Sixteen zero bytes for 0x22, no fault codes for 0x19."""
        del now_s
        self.requests[target] += 1
        answer = b"\x62" + pdu[1:3] + bytes(16) if pdu[0] == 0x22 else b"\x59\x02\xff"
        return (Reply(after_s=ANSWER_S, source=target, pdu=answer),)


class Connection:
    """One carrier on a link in memory."""

    def __init__(self, car: EvenCar) -> None:
        self._car = car

    async def connect(self) -> Carrier:
        """A new link and its carrier."""
        clock = RealClock()
        link = MemoryLink(self._car, clock)
        await link.open(clock.now() + 1)
        return Carrier(link, clock, NoKeys())


class Nobody:
    """Is never asked anything by a survey."""

    def answer(self, question_id: str, text: str, choices: tuple[str, ...]) -> str | None:
        """Say nothing."""
        del question_id, text, choices
        return None


def ignore_progress(progress: object) -> None:
    """Take no notice."""
    del progress


def measure(pack: Pack, journal: RunJournal) -> tuple[float, EvenCar]:
    """Seconds of one survey, and the car that was asked."""
    car = EvenCar()
    loop = Loop(
        journal=journal,
        connection=Connection(car),
        person=Nobody(),
        listener=ignore_progress,
        sleep=asyncio.sleep,
    )
    started = time.perf_counter()
    asyncio.run(loop.run("survey", survey_car(pack, "now")))
    return time.perf_counter() - started, car


def main() -> int:
    """Print the table; return 1 where the bound is broken."""
    pack = read_pack(Path(str(files("donorfit") / "demo" / "pack")))
    in_memory, on_disk, slowest, requests = float("inf"), float("inf"), 0, 0
    with tempfile.TemporaryDirectory() as folder:
        for turn in range(ROUNDS):
            seconds, car = measure(pack, MemoryRun())
            in_memory = min(in_memory, seconds)
            slowest, requests = max(car.requests.values()), sum(car.requests.values())
            with JobFile.create(Path(folder) / f"{turn}.donorfit", lambda: "now") as job:
                on_disk = min(on_disk, measure(pack, job.begin_run("survey", "car"))[0])
    own_sum_s = slowest * ANSWER_S
    ratio = on_disk / own_sum_s
    rows = (
        ("slowest unit alone", own_sum_s, ""),
        ("whole survey, job file on disk", on_disk, f"bound {BOUND:g}x"),
        ("whole survey, journal in memory", in_memory, ""),
    )
    print(f"{len(pack.units)} units, {requests} requests, {ANSWER_S * 1e3:g} ms")
    for name, seconds, bound in rows:
        print(f"{name:34}{seconds * 1000:8.0f} ms{seconds / own_sum_s:8.2f}x  {bound}")
    print(f"{'journal on disk / in memory':34}{on_disk / in_memory:19.2f}x")
    return int(ratio > BOUND)


if __name__ == "__main__":
    sys.exit(main())
