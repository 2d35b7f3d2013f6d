"""One download step of a plan, by the real stage and the real carrier, on a simulated unit.

The car, its clock and the faults go on when the program ends and begins again; the program keeps
nothing but whether a download was begun, as its journal would.
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from donorfit.demo.keys import compute_key
from donorfit.diagnostics.conversation import Download, Exchange, Pause, Paused
from donorfit.edge.clock import VirtualClock, run_in_virtual_time
from donorfit.edge.links.faulty import FaultKind, FaultyLink, LinkFault
from donorfit.edge.links.memory import MemoryLink
from donorfit.errors import LinkError
from donorfit.job.carrier import Carrier
from donorfit.records.change_record import StepState
from donorfit.records.plan import Step, StepKind
from donorfit.simulator.car import SimulatedCar
from donorfit.simulator.scenario import (
    BlockTruth,
    Scenario,
    ScenarioKind,
    SegmentTruth,
    SupplyReading,
    Timing,
    UnitTruth,
)
from donorfit.simulator.state import Flash
from donorfit.stages.apply.program import program
from donorfit.vehicle.control_unit import ControlUnit, SoftwareBlock
from donorfit.vehicle.identity import Address, DataIdentifier, SoftwareVersion, UnitId
from donorfit.vehicle.software import (
    CheckScope,
    Digest,
    DownloadProcedure,
    SegmentPlace,
)

if TYPE_CHECKING:
    from collections.abc import Callable

    from donorfit.diagnostics.conversation import SupplyWatch
    from donorfit.stages.apply.deeds import StepOutcome

UNIT, GATEWAY = UnitId("hook"), Address(0x1010)
ADDRESS = Address(0x1071)
DATA = bytes((place * 5 + 1) & 0xFF for place in range(200))
CUT = 120
FILE = "hook.hex"
OLD, NEW = "1.0.0", "2.0.0"
MOST_RUNS = 12

_TWO = (
    SegmentPlace(address=0x4000, size_bytes=CUT),
    SegmentPlace(address=0x8000, size_bytes=len(DATA) - CUT),
)

PROCEDURES = {
    "one piece": DownloadProcedure(),
    "two pieces, erased by a routine, checked together, taken into use": DownloadProcedure(
        segments=_TWO, routine_erase=0xFF00, routine_dependencies=0xFF01
    ),
    "two pieces, each checked, with digests": DownloadProcedure(
        segments=_TWO,
        address_bytes=5,
        length_bytes=2,
        check_scope=CheckScope.SEGMENT,
        exit_digest=Digest.CRC32,
    ),
    "a file that can be resumed": DownloadProcedure(file_path="/up/hook", resumable=True),
}


def make_truth(procedure: DownloadProcedure) -> BlockTruth:
    """What the simulated unit expects, said a second time in the simulator's own words."""
    pieces, at = [], 0
    for place in procedure.segments:
        data = DATA[at : at + place.size_bytes]
        at += place.size_bytes
        pieces.append(
            SegmentTruth(
                memory_address=place.address, size_bytes=len(data), crc32=zlib.crc32(data)
            )
        )
    return BlockTruth(
        version=NEW,
        memory_address=0x4000,
        size_bytes=len(DATA),
        crc32=zlib.crc32(DATA),
        routine_check=0x0202,
        seconds=20.0,
        security_level=1,
        segments=tuple(pieces),
        routine_erase=procedure.routine_erase,
        check_each=procedure.check_scope is CheckScope.SEGMENT,
        exit_crc=procedure.exit_digest is Digest.CRC32,
        routine_dependencies=procedure.routine_dependencies,
        file_path=procedure.file_path,
        resumable=procedure.resumable,
    )


def make_scenario(procedure: DownloadProcedure) -> Scenario:
    vin = b"ZZ9AA11A0LA000001"
    hook = UnitTruth(
        id=UNIT,
        address=ADDRESS,
        vin=vin,
        serial="H-1",
        hardware="HW-1",
        software=OLD,
        max_block_length=34,
        blocks=(make_truth(procedure),),
    )
    gateway = UnitTruth(
        id=UnitId("gateway"),
        address=GATEWAY,
        vin=vin,
        serial="G-1",
        supply_reading=SupplyReading(identifier=DataIdentifier(0xD010), volts_per_bit=0.001),
    )
    return Scenario(
        title="one unit that is programmed",
        kind=ScenarioKind.CAR,
        vin=vin,
        gateway=GATEWAY,
        units=(gateway, hook),
        timing=Timing(p2_star_ms=2000),
    )


def make_unit(procedure: DownloadProcedure) -> ControlUnit:
    block = SoftwareBlock(
        version=SoftwareVersion.parse(NEW),
        file=FILE,
        sha256="d" * 64,
        memory_address=0x4000,
        size_bytes=len(DATA),
        hardware=("HW-1", "HW-2"),
        routine_check=0x0202,
        seconds=20.0,
        replaces=(SoftwareVersion.parse(OLD),),
        procedure=procedure,
    )
    return ControlUnit(
        id=UNIT,
        title="Hook",
        address=ADDRESS,
        network="can",
        hardware=block.hardware,
        software_blocks=(block,),
        programming_security_level=1,
        reset_seconds=3.0,
    )


def make_step(unit: ControlUnit) -> Step:
    block = unit.software_blocks[0]
    return Step(
        id="s01",
        kind=StepKind.PROGRAM,
        unit=unit.id,
        address=unit.address,
        network="can",
        what="program the hook",
        session=2,
        security_level=1,
        software_file=block.file,
        software_sha256=block.sha256,
        software_before=OLD,
        software_after=NEW,
        memory_address=block.memory_address,
        routine_check=block.routine_check,
    )


class KilledError(BaseException):
    """The program ends here, without a word."""


class Keys:
    def compute_key(self, unit, level, seed):
        return compute_key(unit, level, seed)


@dataclass
class Strike:
    """What happens at which request, counted over all runs."""

    number: int = 0
    at: dict[int, FaultKind | str] = field(default_factory=dict)
    reset_unit: Callable[[], None] = lambda: None

    def choose(self, _target, _pdu):
        self.number += 1
        what = self.at.get(self.number)
        if what == "kill":
            raise KilledError
        if what == "reset":
            self.reset_unit()
            return None
        if what is None:
            return None
        assert isinstance(what, FaultKind)
        return LinkFault(kind=what, seconds=1.5, data=b"\x7f\x36\x10", position=1)


@dataclass
class Rig:
    """The car, the program, and what strikes them."""

    procedure: DownloadProcedure
    strikes: dict[int, FaultKind | str] = field(default_factory=dict)
    watch: SupplyWatch | None = None
    data: bytes = DATA
    changes: Callable[[Scenario], Scenario] = lambda scenario: scenario

    def __post_init__(self) -> None:
        self.car = SimulatedCar(self.changes(make_scenario(self.procedure)))
        self.unit = make_unit(self.procedure)
        self.strike = Strike(at=self.strikes)
        self.notes = []
        self.asks = []
        self.begun = False
        self.outcomes: list[StepOutcome] = []

    @property
    def memory(self):
        return self.car.memory(UNIT)

    @property
    def is_old(self) -> bool:
        memory = self.memory
        software = self.car.scenario.units[1].software
        return memory.application and memory.software == software and memory.flash == Flash()

    @property
    def is_new(self) -> bool:
        return self.memory.application and self.memory.software == NEW

    def run_to_the_end(self, times: int = 1) -> StepOutcome:
        """Begin the program again as long as it is killed or stops with the unit open."""

        async def main():
            self.clock = VirtualClock()
            self.strike.reset_unit = lambda: self.car.cycle_ignition(self.clock.now())
            return [await self._run() for _ in range(times)][-1]

        return run_in_virtual_time(main())

    async def _run(self):
        outcome = None
        for _ in range(MOST_RUNS):
            try:
                outcome = await self._run_once()
            except KilledError:
                continue
            self.outcomes.append(outcome)
            self.judge(outcome)
            if outcome.state is not StepState.UNCERTAIN:
                self.begun = False
                return outcome
        return outcome

    def judge(self, outcome) -> None:
        """What the program says has to be true of the unit's own memory."""
        if outcome.state in {StepState.DONE, StepState.ALREADY}:
            assert self.is_new, outcome
        elif outcome.state in {StepState.REFUSED, StepState.DIFFERS, StepState.NOT_BEGUN}:
            assert self.is_old, outcome
        else:
            assert outcome.state is StepState.UNCERTAIN, outcome
            assert outcome.detail

    async def _run_once(self):
        strand = program(
            self.unit, make_step(self.unit), self.data, begun=self.begun, watch=self.watch
        )
        carrier = await self._connect()
        reply = None
        try:
            while True:
                try:
                    ask = strand.send(reply)
                except StopIteration as stop:
                    return stop.value
                self.asks.append(ask)
                if isinstance(ask, Pause):
                    await self.clock.sleep(ask.seconds)
                    reply = Paused()
                    continue
                assert isinstance(ask, Exchange | Download)
                if carrier.lost is not None:
                    await carrier.close()
                    await self.clock.sleep(0.5)
                    carrier = await self._connect()
                # as the journal does: written down before it is sent
                self.begun = self.begun or isinstance(ask, Download)
                reply = await carrier.carry(ask)
        finally:
            await carrier.close()

    async def _connect(self):
        for _ in range(20):
            link = FaultyLink(MemoryLink(self.car, self.clock), self.clock, self.strike.choose)
            try:
                await link.open(self.clock.now() + 5)
            except LinkError:
                await self.clock.sleep(1)
                continue
            return Carrier(link, self.clock, Keys(), on_note=self.notes.append)
        raise AssertionError


def count_requests(procedure: DownloadProcedure) -> int:
    """Requests of an undisturbed download."""
    rig = Rig(procedure)
    outcome = rig.run_to_the_end()
    assert outcome.state is StepState.DONE, outcome
    assert rig.is_new
    return rig.strike.number


def with_unit(scenario: Scenario, **changes) -> Scenario:
    gateway, hook = scenario.units
    return replace(scenario, units=(gateway, replace(hook, **changes)))
