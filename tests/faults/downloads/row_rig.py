"""Software in a row by the whole program: plan, prepare, apply, prove, undo, on a simulated unit.

The car, its clock and its faults go on when the program ends and begins again; the program keeps
its job file. What is judged is the unit's own memory, request by request: every application that
it comes to run has to be one that its pack allows over the one before.
"""

from __future__ import annotations

import hashlib
import sys
import zlib
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

from download_rig import ADDRESS, GATEWAY, UNIT, Keys, KilledError, Strike

sys.path.insert(0, str(Path(__file__).parents[1] / "campaign"))
sys.path.insert(0, str(Path(__file__).parents[2] / "unit" / "job"))
from memory_store import MemoryStore
from toys import make_pack, make_plan

from donorfit.diagnostics.conversation import Download
from donorfit.edge.clock import VirtualClock, run_in_virtual_time
from donorfit.edge.links.faulty import FaultyLink
from donorfit.edge.links.memory import MemoryLink
from donorfit.errors import DonorfitError, LinkError
from donorfit.job.carrier import Carrier
from donorfit.job.job import PLAN, SURVEY, Job
from donorfit.job.runner import CarAccess
from donorfit.records.encoding import compute_digest, encode
from donorfit.records.plan import PlanPurpose, Step, StepKind
from donorfit.records.survey import Survey, SurveyKind, UnitSurvey
from donorfit.simulator.car import SimulatedCar
from donorfit.simulator.scenario import (
    BlockTruth,
    RecordTruth,
    Scenario,
    ScenarioKind,
    SegmentTruth,
    Timing,
    UnitTruth,
)
from donorfit.stages.plan.order import order_steps
from donorfit.stages.plan.software import plan_software
from donorfit.stages.plan.steps import StepSource, make_steps
from donorfit.vehicle.control_unit import ControlUnit, SoftwareBlock
from donorfit.vehicle.donor import DonorModule
from donorfit.vehicle.identity import DataIdentifier, SoftwareVersion, UnitId
from donorfit.vehicle.layout import ConfigurationRecord, Layout
from donorfit.vehicle.software import (
    DownloadProcedure,
    SegmentPlace,
    SoftwareImage,
    SoftwareSegment,
)

if TYPE_CHECKING:
    from donorfit.edge.links.faulty import FaultKind
    from donorfit.records.plan import Plan

VIN = "ZZ9AA11A0LA000001"
RECORD = DataIdentifier(0x3001)
BEFORE, AFTER = b"\x01\x02", b"\x01\x07"
MOST_STARTS = 14
TWO = DownloadProcedure(
    segments=(
        SegmentPlace(address=0x4000, size_bytes=40),
        SegmentPlace(address=0x8000, size_bytes=60),
    ),
    routine_erase=0xFF00,
    routine_dependencies=0xFF01,
)
# version: its bytes, how it is taken
SOFTWARE = {
    "2.0": (bytes((n * 3 + 1) & 0xFF for n in range(60)), DownloadProcedure()),
    "2.1": (bytes((n * 5 + 1) & 0xFF for n in range(80)), DownloadProcedure()),
    "2.3": (bytes((n * 7 + 1) & 0xFF for n in range(100)), TWO),
}
OLD, MIDDLE, NEW = SOFTWARE
GOES_BACK = {"2.0": ("2.1",), "2.1": ("2.0", "2.3"), "2.3": ("2.1",)}
STAYS = {"2.1": ("2.0",), "2.3": ("2.1",)}
PASSES_BY = {"2.0": ("2.3",), "2.1": ("2.0",), "2.3": ("2.1",)}


def make_block(version: str, over: tuple[str, ...]) -> SoftwareBlock:
    data, procedure = SOFTWARE[version]
    return SoftwareBlock(
        version=SoftwareVersion.parse(version),
        file=f"{version}.bin",
        sha256=hashlib.sha256(data).hexdigest(),
        memory_address=0x4000,
        size_bytes=len(data),
        hardware=("HW-1",),
        routine_check=0x0202,
        seconds=20.0,
        replaces=tuple(map(SoftwareVersion.parse, over)),
        procedure=procedure,
    )


def load_image(file: str) -> SoftwareImage:
    data, _ = SOFTWARE[file.removesuffix(".bin")]
    return SoftwareImage(
        sha256=hashlib.sha256(data).hexdigest(),
        segments=(SoftwareSegment(address=0x4000, data=data),),
    )


def make_truth(version: str) -> BlockTruth:
    """What the simulated unit expects, said a second time in the simulator's own words."""
    data, procedure = SOFTWARE[version]
    pieces, at = [], 0
    for place in procedure.segments:
        piece = data[at : at + place.size_bytes]
        at += place.size_bytes
        pieces.append(
            SegmentTruth(
                memory_address=place.address, size_bytes=len(piece), crc32=zlib.crc32(piece)
            )
        )
    return BlockTruth(
        version=version,
        memory_address=0x4000,
        size_bytes=len(data),
        crc32=zlib.crc32(data),
        routine_check=0x0202,
        seconds=20.0,
        segments=tuple(pieces),
        routine_erase=procedure.routine_erase,
        routine_dependencies=procedure.routine_dependencies,
    )


def make_scenario() -> Scenario:
    hook = UnitTruth(
        id=UNIT,
        address=ADDRESS,
        vin=VIN.encode(),
        serial="H-1",
        hardware="HW-1",
        software=OLD,
        max_block_length=34,
        blocks=tuple(map(make_truth, SOFTWARE)),
        records=(RecordTruth(identifier=RECORD, content=BEFORE),),
    )
    gateway = UnitTruth(id=UnitId("gateway"), address=GATEWAY, vin=VIN.encode(), serial="G-1")
    return Scenario(
        title="one unit that is programmed twice",
        kind=ScenarioKind.CAR,
        vin=VIN.encode(),
        gateway=GATEWAY,
        units=(gateway, hook),
        timing=Timing(p2_star_ms=2000),
    )


@cache
def make_bed(over: tuple[tuple[str, tuple[str, ...]], ...]):
    """Pack, survey and plan; the downloads are the planner's own, before them one record."""
    hook = ControlUnit(
        id=UNIT,
        title="Hook",
        address=ADDRESS,
        network="can",
        hardware=("HW-1",),
        software_blocks=tuple(make_block(version, versions) for version, versions in over),
        records=(
            ConfigurationRecord(
                name="Hook", identifier=RECORD, layouts=(Layout(length_bytes=2, fields=()),)
            ),
        ),
    )
    gateway = ControlUnit(id=UnitId("gateway"), title="Gateway", address=GATEWAY, network="can")
    pack = replace(make_pack(), units=(gateway, hook), gateway=GATEWAY, modules=())
    reads = tuple(
        UnitSurvey(
            unit=unit.id,
            address=unit.address,
            answered=True,
            vin=VIN,
            serial=serial,
            hardware="HW-1",
            software=OLD,
            fault_availability=0xFF,
        )
        for unit, serial in ((gateway, "G-1"), (hook, "H-1"))
    )
    survey = Survey(
        kind=SurveyKind.CAR,
        pack=pack.id,
        pack_digest=pack.digest,
        taken_at="2026-01-01T00:00:00+00:00",
        vin=VIN,
        month=pack.family_from,
        options=(),
        units=reads,
    )
    module = DonorModule(
        id="hook_module",
        title="Hook",
        unit=UNIT,
        hardware=("HW-1",),
        software_from=SoftwareVersion.parse(NEW),
    )
    software = plan_software(pack, survey, module)
    source = StepSource(
        pack=pack,
        survey=survey,
        module=module,
        lists=(),
        records=(),
        programming=software.programming,
        clear=frozenset(),
    )
    record = Step(
        id="",
        kind=StepKind.WRITE_RECORD,
        unit=UNIT,
        address=ADDRESS,
        network="can",
        what="write the hook's record",
        identifier=RECORD,
        before=BEFORE,
        after=AFTER,
        seconds=2.0,
    )
    ordered = order_steps(pack, (record, *make_steps(source)), PlanPurpose.RETROFIT)
    plan = replace(
        make_plan(),
        pack_digest=pack.digest,
        survey_digest=compute_digest(survey),
        vin=VIN,
        steps=ordered.steps,
        order=ordered.order,
        identities=((UNIT, "H-1"),),
        findings=software.findings,
        supply=None,
    )
    return pack, survey, plan


class LastingClock(VirtualClock):
    """Virtual time that goes on where the one before ended; the car has only one."""

    def __init__(self, begins_s: float) -> None:
        self.begins_s = begins_s

    def now(self) -> float:
        return self.begins_s + super().now()


class Yes:
    def answer(self, question_id, text, choices):
        del question_id, text
        return choices[0]


@dataclass
class RowRig:
    """The car, the job file, and what strikes the program."""

    over: dict[str, tuple[str, ...]] = field(default_factory=lambda: GOES_BACK)
    strikes: dict[int, FaultKind | str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.pack, self.survey, self.plan = make_bed(tuple(self.over.items()))
        self.car = SimulatedCar(make_scenario())
        self.store = MemoryStore()
        self.store.add_record(SURVEY, encode(self.survey))
        self.store.add_record(PLAN, encode(self.plan))
        self.strike = Strike(at=self.strikes)
        self.ran = [OLD]
        self.downloads: list[str] = []
        self.killed = 0
        self.now_s = 0.0
        self._handle, self.car.handle = self.car.handle, self._watch

    # --- the car, and what is judged of it

    @property
    def memory(self):
        return self.car.memory(UNIT)

    @property
    def record(self) -> bytes:
        return self.memory[RECORD]

    def _watch(self, target, pdu, now_s):
        answer = self._handle(target, pdu, now_s)
        self.see()
        return answer

    def see(self) -> None:
        """Judge what the unit runs now against what it ran before."""
        memory = self.memory
        if not memory.application or memory.software == self.ran[-1]:
            return
        allowed = self.over.get(memory.software, ())
        assert self.ran[-1] in allowed, f"{memory.software} was loaded over {self.ran[-1]}"
        self.ran.append(memory.software)

    # --- the program

    async def connect(self) -> Carrier:
        link = FaultyLink(MemoryLink(self.car, self.clock), self.clock, self.strike.choose)
        await link.open(self.clock.now() + 5)
        carrier = Carrier(link, self.clock, Keys())
        carry = carrier.carry

        async def note(ask):
            if isinstance(ask, Download):
                self.downloads.append(ask.what)
            return await carry(ask)

        carrier.carry = note
        return carrier

    def run(self, *stages):
        """Stages by name, each begun again until it ends well; the record of the last one."""

        async def main():
            self.clock = LastingClock(self.now_s)
            self.strike.reset_unit = lambda: self.car.cycle_ignition(self.clock.now())
            try:
                return [await getattr(self, stage)() for stage in stages][-1]
            finally:
                self.now_s = self.clock.now()

        return run_in_virtual_time(main())

    def make_job(self) -> Job:
        access = CarAccess(
            connection=self, person=Yes(), listener=lambda _: None, sleep=self.clock.sleep
        )
        return Job(
            pack=self.pack, store=self.store, now=lambda: "2026-01-01T00:00:00+00:00", car=access
        )

    async def _begin(self, deed):
        """One start of the program; None where it was killed or could not go on."""
        try:
            return await deed(self.make_job())
        except KilledError:
            self.killed += 1
        except BaseExceptionGroup as group:
            killed, rest = group.split((KilledError, DonorfitError))
            if rest is not None:
                raise
            self.killed += killed is not None
        except (DonorfitError, LinkError):
            pass
        await self.clock.sleep(30)
        return None

    async def _until(self, deed, ended):
        for _ in range(MOST_STARTS):
            record = await self._begin(deed)
            if record is not None and ended(record):
                return record
        raise AssertionError(record)

    async def prepare(self):
        return await self._until(lambda job: job.prepare(None), lambda record: record.ready)

    async def apply(self):
        return await self._until(self._apply_once, lambda record: record.finished)

    async def apply_once(self):
        return await self._begin(self._apply_once)

    async def _apply_once(self, job):
        return await job.apply(self.newest_plan, load_image)

    @property
    def newest_plan(self) -> str:
        return self.store.find_latest(PLAN).digest

    async def plan_undo(self) -> Plan:
        return self.make_job().plan_undo()

    async def prove(self):
        return await self._until(lambda job: job.prove(), lambda _: True)
