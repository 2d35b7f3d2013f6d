"""The car that the campaign works on: a thin slice of the demonstration's, and its real plan.

Survey, check and plan run once on the whole invented car of the demonstration. What the campaign
repeats ten thousand times works on the units that matter: the gateway with the master's list, the
body unit with a copy and a checked record, the towing unit with two records and a download.
"""

from __future__ import annotations

import asyncio
import hashlib
import zlib
from dataclasses import dataclass, replace
from functools import cache, cached_property
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING

from memory_store import MemoryStore

from donorfit.demo.keys import compute_key
from donorfit.edge.clock import VirtualClock, run_in_virtual_time
from donorfit.edge.links.memory import MemoryLink
from donorfit.edge.packs.pack_reader import read_pack, read_software_image
from donorfit.edge.packs.scenario_files import read_scenario
from donorfit.job.carrier import Carrier
from donorfit.job.job import PLAN, SURVEY, Job
from donorfit.job.runner import CarAccess
from donorfit.records.encoding import compute_digest, encode
from donorfit.records.plan import PlanPurpose, StepKind
from donorfit.simulator.car import SimulatedCar
from donorfit.stages.plan import PlanChoices
from donorfit.stages.plan.order import order_steps
from donorfit.vehicle.control_unit import SoftwareBlock
from donorfit.vehicle.identity import SoftwareVersion
from donorfit.vehicle.software import SoftwareImage, SoftwareSegment

if TYPE_CHECKING:
    from donorfit.records.plan import Plan
    from donorfit.records.survey import Survey
    from donorfit.simulator.scenario import Scenario
    from donorfit.vehicle.identity import UnitId
    from donorfit.vehicle.pack import Pack

DEMO = Path(str(files("donorfit") / "demo"))
MODULE = "tow_control_2"
PROGRAMMED = "tow_control"
THIN_UNITS = ("gateway", "body", "tow_control", "charger_12v")
SUPPORT_AMPS = 50.0
THIN_SOFTWARE_BYTES = 512
WRITES = frozenset((StepKind.WRITE_OPTION_LIST, StepKind.WRITE_RECORD))


@dataclass(frozen=True)
class Bed:
    """What one campaign starts from: pack, car, and a job file with survey and plan."""

    pack: Pack
    scenario: Scenario
    survey: Survey
    report: bytes
    plan: Plan
    software: dict[str, SoftwareImage]

    @cached_property
    def plan_digest(self) -> str:
        """Digest of the plan."""
        return compute_digest(self.plan)

    def make_store(self) -> MemoryStore:
        """A job file as it is after ``plan``."""
        store = MemoryStore()
        store.add_record(SURVEY, encode(self.survey))
        store.add_record("fit report", self.report)
        store.add_record(PLAN, encode(self.plan))
        return store


def make_image(data: bytes, address: int) -> SoftwareImage:
    """A software file of one piece."""
    return SoftwareImage(
        sha256=hashlib.sha256(data).hexdigest(),
        segments=(SoftwareSegment(address=address, data=data),),
    )


class Yes:
    """A person who has read everything and agrees; the first choice is the good one."""

    def answer(self, question_id: str, text: str, choices: tuple[str, ...]) -> str | None:
        del question_id, text
        return choices[0]


class _Direct:
    def __init__(self, scenario: Scenario) -> None:
        self._car = SimulatedCar(scenario)

    async def connect(self) -> Carrier:
        clock = VirtualClock()
        link = MemoryLink(self._car, clock)
        await link.open(1.0)
        return Carrier(link, clock, self)

    def compute_key(self, unit: UnitId, level: int, seed: bytes) -> bytes | None:
        return compute_key(unit, level, seed)


def _survey_and_plan(pack: Pack, scenario: Scenario) -> MemoryStore:
    """The job file after the real survey, check and plan."""
    store = MemoryStore()
    access = CarAccess(
        connection=_Direct(scenario),
        person=Yes(),
        listener=lambda progress: None,
        sleep=asyncio.sleep,
    )
    job = Job(pack=pack, store=store, now=lambda: "2026-01-01T00:00:00+00:00", car=access)

    async def main() -> None:
        await job.survey()
        job.check(MODULE)
        job.plan(PlanChoices())

    run_in_virtual_time(main())
    return store


def _add_old_software(
    pack: Pack, scenario: Scenario
) -> tuple[Pack, Scenario, dict[str, SoftwareImage]]:
    """Pack and car with the towing unit's old software too, so that it can be put back."""
    unit = pack.find_unit(PROGRAMMED)
    place = scenario.find_unit(PROGRAMMED)
    truth = scenario.units[place]
    new = unit.software_blocks[0]
    software = {new.file: read_software_image(DEMO / "pack", new)}
    old_bytes = bytes((n * 7 + 3) & 0xFF for n in range(new.size_bytes // 2))
    old = SoftwareBlock(
        version=SoftwareVersion.parse(truth.software),
        file="old.bin",
        sha256=hashlib.sha256(old_bytes).hexdigest(),
        memory_address=new.memory_address,
        size_bytes=len(old_bytes),
        hardware=new.hardware,
        routine_check=new.routine_check,
        seconds=20.0,
    )
    software["old.bin"] = make_image(old_bytes, new.memory_address)
    old_truth = replace(
        truth.blocks[0],
        version=truth.software,
        size_bytes=len(old_bytes),
        crc32=zlib.crc32(old_bytes),
        segments=(),
        routine_dependencies=0,
        seconds=20.0,
    )
    unit = replace(unit, software_blocks=(new, old))
    truth = replace(truth, blocks=(*truth.blocks, old_truth), max_block_length=0x102)
    units = tuple(unit if each.id == unit.id else each for each in pack.units)
    truths = (*scenario.units[:place], truth, *scenario.units[place + 1 :])
    pack = replace(pack, units=units)
    return pack, replace(scenario, units=truths, disturbances=()), software


@cache
def make_whole_bed() -> Bed:
    """The demonstration's whole car, its own disturbances left out."""
    pack, scenario, software = _add_old_software(
        read_pack(DEMO / "pack"), read_scenario(DEMO / "car.toml")
    )
    store = _survey_and_plan(pack, scenario)
    job = Job(pack=pack, store=store, now=str)
    from donorfit.records.plan import Plan
    from donorfit.records.survey import Survey

    return Bed(
        pack=pack,
        scenario=scenario,
        survey=job.require(SURVEY, Survey),
        report=store.find_latest("fit report").data,
        plan=job.require(PLAN, Plan),
        software=software,
    )


@cache
def make_thin_bed() -> Bed:
    """Four units of it, the plan's steps about them, and small software in many blocks."""
    whole = make_whole_bed()
    new, old = (bytes((n * k + 1) & 0xFF for n in range(THIN_SOFTWARE_BYTES)) for k in (5, 11))
    contents = {"old.bin": old[: THIN_SOFTWARE_BYTES // 2]}
    software = {}
    blocks, truths = [], []
    unit = whole.pack.find_unit(PROGRAMMED)
    truth = whole.scenario.units[whole.scenario.find_unit(PROGRAMMED)]
    for block, block_truth in zip(unit.software_blocks, truth.blocks, strict=True):
        data = contents.get(block.file, new)
        image = software[block.file] = make_image(data, block.memory_address)
        whole_piece = replace(block.procedure, segments=())
        thin = replace(block, sha256=image.sha256, size_bytes=len(data), procedure=whole_piece)
        blocks.append(thin)
        truths.append(
            replace(
                block_truth,
                size_bytes=len(data),
                crc32=zlib.crc32(data),
                segments=(),
                # The way back is slow, so that its blocks need patience; there they need none.
                seconds=block_truth.seconds if block.file == "old.bin" else 0.3,
            )
        )
    units = {each.id: each for each in whole.pack.units if each.id in THIN_UNITS}
    units[unit.id] = replace(unit, software_blocks=tuple(blocks))
    pack = replace(whole.pack, units=tuple(units.values()))
    truth = replace(truth, blocks=tuple(truths), max_block_length=0x42)
    scenario = replace(
        whole.scenario,
        units=tuple(
            replace(truth if each.id == PROGRAMMED else each, faults=_choose_faults(each.faults))
            for each in whole.scenario.units
            if each.id in THIN_UNITS
        ),
        messages=(),
    )
    file = next(block.file for block in blocks if block.file != "old.bin")
    steps = tuple(
        replace(step, software_sha256=software[file].sha256)
        if step.kind is StepKind.PROGRAM
        else step
        for step in whole.plan.steps
        if step.unit in THIN_UNITS
    )
    codes = {(each.id, fault.code) for each in scenario.units for fault in each.faults}
    survey = replace(
        whole.survey, units=tuple(each for each in whole.survey.units if each.unit in THIN_UNITS)
    )
    ordered = order_steps(pack, steps, PlanPurpose.RETROFIT)
    plan = replace(
        whole.plan,
        survey_digest=compute_digest(survey),
        steps=ordered.steps,
        order=ordered.order,
        edits=(),
        option_changes=(),
        wires=(),
        expected_faults=tuple(
            each
            for each in whole.plan.expected_faults
            if each.unit in THIN_UNITS and (each.unit, each.code) in codes
        ),
        identities=tuple(each for each in whole.plan.identities if each[0] in THIN_UNITS),
        cautions=(),
        checks=(),
        findings=(),
        supply=replace(whole.plan.supply, points=()),
    )
    return replace(
        whole, pack=pack, scenario=scenario, survey=survey, plan=plan, software=software
    )


def _choose_faults(faults):
    """Fault codes with causes inside the thin car, but for a low supply.

    A dip leaves a fault code that was not there before, and the proof rightly says so.
    """
    from donorfit.simulator.causes import ListsDisagree

    return tuple(each for each in faults if isinstance(each.cause, ListsDisagree))
