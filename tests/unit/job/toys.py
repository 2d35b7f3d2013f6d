"""A toy car that is nothing but memory, with a courier that can be cut at any point."""

from __future__ import annotations

from dataclasses import dataclass, field

from donorfit.diagnostics.conversation import Answered, Download, NotSent, Refused, Unknown
from donorfit.equipment.read_uvl import read_uvl
from donorfit.errors import LinkError
from donorfit.records.plan import Plan, PlanPurpose, Step, StepKind
from donorfit.records.preparation import Backup, Identity, Preparation
from donorfit.vehicle.control_unit import (
    HARDWARE_IDENTIFIER,
    SERIAL_IDENTIFIER,
    SOFTWARE_IDENTIFIER,
    VIN_IDENTIFIER,
    ControlUnit,
    KeeperRole,
    ListEncoding,
    OptionListStore,
    SoftwareBlock,
)
from donorfit.vehicle.identity import (
    Address,
    BuildMonth,
    DataIdentifier,
    SoftwareVersion,
    UnitId,
)
from donorfit.vehicle.pack import Pack

VIN = "ZZ9DF17A1RA000999"
RECORD = DataIdentifier(0x3001)


@dataclass
class ToyUnit:
    """One unit: identifiers to bytes, and how often something was really changed."""

    memory: dict[int, bytes]
    writes: int = 0
    resets: int = 0
    clears: int = 0


@dataclass
class ToyCar:
    """Units by address."""

    units: dict[int, ToyUnit]
    refuse: dict[tuple[int, int], int] = field(default_factory=dict)

    def handle(self, address: int, pdu: bytes) -> bytes:
        unit = self.units[address]
        code = self.refuse.get((address, pdu[0]))
        if code is not None:
            return bytes((0x7F, pdu[0], code))
        if pdu[0] == 0x22:
            value = unit.memory.get(int.from_bytes(pdu[1:3]))
            return bytes((0x7F, 0x22, 0x31)) if value is None else b"\x62" + pdu[1:3] + value
        if pdu[0] == 0x2E:
            unit.memory[int.from_bytes(pdu[1:3])] = pdu[3:]
            unit.writes += 1
            return b"\x6e" + pdu[1:3]
        if pdu[0] == 0x11:
            unit.resets += 1
            return b"\x51\x01"
        if pdu[0] == 0x14:
            unit.clears += 1
            return b"\x54"
        if pdu[0] == 0x19:
            return b"\x59\x02\xff"
        return bytes((0x7F, pdu[0], 0x11))

    def program(self, address: int, version: str) -> None:
        self.units[address].memory[SOFTWARE_IDENTIFIER] = version.encode()
        self.units[address].writes += 1


class CutError(BaseException):
    """The program is killed here."""


@dataclass
class Schedule:
    """Where to cut: numbers of carried asks, and whether before or after the car has done it."""

    cuts: dict[int, str] = field(default_factory=dict)
    carried: int = 0

    def next(self) -> str:
        self.carried += 1
        return self.cuts.get(self.carried, "")


class ToyCourier:
    """Carries to the toy car; ``lost`` once a cut has come."""

    def __init__(self, car: ToyCar, schedule: Schedule) -> None:
        self.lost: str | None = None
        self._car = car
        self._schedule = schedule

    async def carry(self, ask):
        if self.lost:
            return NotSent(why=self.lost)
        cut = self._schedule.next()
        if cut == "kill before":
            raise CutError
        if cut == "lost before":
            self.lost = "cut"
            return Unknown(why="cut")
        if isinstance(ask, Download):
            self._car.program(ask.address, "2.3")
            pdu = b"\x71\x01"
        else:
            pdu = self._car.handle(ask.address, ask.pdu)
        if cut == "kill after":
            raise CutError
        if cut == "lost after":
            self.lost = "cut"
            return Unknown(why="cut")
        if cut == "silent":
            return Unknown(why="no answer in time")
        return Refused(code=pdu[2]) if pdu[0] == 0x7F else Answered(pdu=pdu)

    async def close(self) -> None:
        self.lost = self.lost or "closed"


@dataclass
class ToyConnection:
    """Connects to the toy car, unless told to fail a number of times."""

    car: ToyCar
    schedule: Schedule
    failures: int = 0
    made: int = 0

    async def connect(self) -> ToyCourier:
        if self.failures:
            self.failures -= 1
            raise LinkError(what="nobody answers")
        self.made += 1
        return ToyCourier(self.car, self.schedule)


class Nobody:
    def answer(self, question_id, text, choices):
        return None


class Yes:
    def answer(self, question_id, text, choices):
        return choices[0]


async def no_sleep(_seconds: float) -> None:
    return None


def make_block(file: str) -> SoftwareBlock:
    """Four bytes of software 2.3 for hardware H."""
    return SoftwareBlock(
        version=SoftwareVersion.parse("2.3"),
        file=file,
        sha256="",
        memory_address=0x1000,
        size_bytes=4,
        hardware=("H",),
        routine_check=0x0202,
        seconds=40.0,
    )


def make_pack() -> Pack:
    rules = read_uvl("features\n\tcar\n\t\toptional\n\t\t\ta\n\t\t\tb\n", file="toy.uvl")
    store = OptionListStore(
        role=KeeperRole.MASTER,
        identifier=DataIdentifier(0x2000),
        encoding=ListEncoding.CODES,
        length_bytes=42,
    )
    units = tuple(
        ControlUnit(
            id=UnitId(name),
            title=name,
            address=Address(number),
            network="can",
            option_list=store if number == 1 else None,
            software_blocks=(make_block("three.bin"),) if number == 3 else (),
        )
        for number, name in ((1, "one"), (2, "two"), (3, "three"))
    )
    return Pack(
        id="toy",
        title="Toy",
        version="1",
        family_from=BuildMonth.parse("2019-01"),
        family_before=BuildMonth.parse("2025-01"),
        wmi=("ZZ9",),
        gateway=Address(1),
        rules=rules,
        units=units,
        digest="d" * 64,
    )


def make_step(number: int, kind: StepKind, address: int, unit: str, **more: object) -> Step:
    return Step(
        id=f"s{number:02d}",
        kind=kind,
        unit=UnitId(unit),
        address=Address(address),
        network="can",
        what=f"{kind.value} {unit}",
        **more,
    )


def make_plan() -> Plan:
    """Two records, one download, a reset, and the fault codes cleared."""
    steps = (
        make_step(
            1,
            StepKind.WRITE_OPTION_LIST,
            1,
            "one",
            identifier=DataIdentifier(0x2000),
            before=b"old list",
            after=b"new list",
        ),
        make_step(
            2,
            StepKind.WRITE_RECORD,
            2,
            "two",
            identifier=RECORD,
            before=b"\x01\x02",
            after=b"\x01\x07",
        ),
        make_step(3, StepKind.RESET, 2, "two"),
        make_step(
            4,
            StepKind.PROGRAM,
            3,
            "three",
            software_file="three.bin",
            software_before="2.0",
            software_after="2.3",
            memory_address=0x1000,
            routine_check=0x0202,
            session=2,
        ),
        make_step(5, StepKind.CLEAR_FAULTS, 1, "one"),
    )
    return Plan(
        purpose=PlanPurpose.RETROFIT,
        pack_digest="d" * 64,
        survey_digest="s" * 64,
        report_digest="r" * 64,
        module="toy",
        vin=VIN,
        identities=tuple((step.unit, f"S{step.address}") for step in steps[:2]),
        month_before=None,
        month_after=None,
        month_reason="",
        options_before=(),
        options_after=(),
        option_changes=(),
        edits=(),
        steps=steps,
        supply=None,
        seconds=0.0,
    )


def make_preparation(plan: Plan) -> Preparation:
    from donorfit.records.encoding import compute_digest

    return Preparation(
        plan_digest=compute_digest(plan),
        vin=VIN,
        prepared_at="2026-01-01T00:00:00+00:00",
        backups=tuple(
            Backup(
                unit=step.unit,
                address=step.address,
                identifier=step.identifier,
                data=step.before,
                sha256="",
            )
            for step in plan.steps
            if step.before
        ),
        identities=tuple(
            Identity(
                unit=unit,
                address=Address(number),
                serial=f"S{number}",
                hardware="H",
                software="2.0",
            )
            for number, unit in ((1, UnitId("one")), (2, UnitId("two")), (3, UnitId("three")))
        ),
        wake_checks=(),
        supply_volts=None,
        support_current_a=None,
        ready=True,
    )


def make_car() -> ToyCar:
    units = {
        number: ToyUnit(
            memory={
                VIN_IDENTIFIER: VIN.encode(),
                SERIAL_IDENTIFIER: f"S{number}".encode(),
                SOFTWARE_IDENTIFIER: b"2.0",
                HARDWARE_IDENTIFIER: b"H",
            }
        )
        for number in (1, 2, 3)
    }
    units[1].memory[0x2000] = b"old list"
    units[2].memory[RECORD] = b"\x01\x02"
    return ToyCar(units=units)
