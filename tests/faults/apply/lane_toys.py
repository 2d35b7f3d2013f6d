"""A toy car on three networks, a plan of it in rounds, and a courier whose lanes interleave."""

import asyncio
import random
import sys
from dataclasses import replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2] / "unit" / "job"))
from toys import (
    RECORD,
    VIN,
    ToyCar,
    ToyConnection,
    ToyCourier,
    ToyUnit,
    make_block,
    make_pack,
    make_plan,
    make_preparation,
    make_step,
)

from donorfit.records.encoding import compute_digest
from donorfit.records.plan import PlanPurpose, StepKind
from donorfit.records.preparation import Identity
from donorfit.stages.plan.order import order_steps
from donorfit.vehicle.control_unit import (
    HARDWARE_IDENTIFIER,
    SERIAL_IDENTIFIER,
    SOFTWARE_IDENTIFIER,
    VIN_IDENTIFIER,
    ControlUnit,
)
from donorfit.vehicle.identity import Address, DataIdentifier, UnitId
from donorfit.vehicle.pack import SideBySide

NETWORKS = {1: "a", 2: "a", 3: "b", 4: "b", 5: "c", 6: "c"}
NAMES = {number: f"unit_{number}" for number in NETWORKS}
LIST = DataIdentifier(0x2000)
OLD, NEW = b"\x01\x02", b"\x01\x07"
PROGRAMMED = (4, 5)
SOFTWARE = {f"{number}.bin": b"data" for number in PROGRAMMED}


def make_lane_pack():
    pack = make_pack()
    first = replace(pack.units[0], id=UnitId(NAMES[1]), network="a")
    others = tuple(
        ControlUnit(
            id=UnitId(NAMES[number]),
            title=NAMES[number],
            address=Address(number),
            network=network,
            software_blocks=(make_block(f"{number}.bin"),) if number in PROGRAMMED else (),
        )
        for number, network in NETWORKS.items()
        if number > 1
    )
    return replace(pack, units=(first, *others), side_by_side=SideBySide(most_units=3))


def make_row():
    """List, records, resets, two downloads, codes cleared: in a row."""
    more = {"identifier": RECORD, "before": OLD, "after": NEW, "seconds": 2.0}
    steps = [
        _step(
            StepKind.WRITE_OPTION_LIST, 1, identifier=LIST, before=b"old list", after=b"new list"
        )
    ]
    steps += [_step(StepKind.WRITE_RECORD, number, **more) for number in range(2, 7)]
    steps += [_step(StepKind.RESET, number, seconds=3.0) for number in (1, 2, 3, 6)]
    steps += [
        _step(
            StepKind.PROGRAM,
            number,
            software_file=f"{number}.bin",
            software_before="2.0",
            software_after="2.3",
            memory_address=0x1000,
            routine_check=0x0202,
            session=2,
            seconds=40.0,
            current_a=5.0,
        )
        for number in PROGRAMMED
    ]
    return [*steps, *(_step(StepKind.CLEAR_FAULTS, number, seconds=2.0) for number in NETWORKS)]


def _step(kind, number, **more):
    return replace(make_step(0, kind, number, NAMES[number], **more), network=NETWORKS[number])


def make_lane_plan(pack):
    ordered = order_steps(pack, make_row(), PlanPurpose.RETROFIT)
    return replace(
        make_plan(),
        steps=ordered.steps,
        order=ordered.order,
        identities=tuple((UnitId(NAMES[number]), f"S{number}") for number in NETWORKS),
    )


def make_lane_preparation(plan):
    return replace(
        make_preparation(plan),
        plan_digest=compute_digest(plan),
        identities=tuple(
            Identity(
                unit=UnitId(name),
                address=Address(number),
                serial=f"S{number}",
                hardware="H",
                software="2.0",
            )
            for number, name in NAMES.items()
        ),
    )


def make_lane_car():
    units = {
        number: ToyUnit(
            memory={
                VIN_IDENTIFIER: VIN.encode(),
                SERIAL_IDENTIFIER: f"S{number}".encode(),
                SOFTWARE_IDENTIFIER: b"2.0",
                HARDWARE_IDENTIFIER: b"H",
                RECORD: OLD,
            }
        )
        for number in NETWORKS
    }
    units[1].memory[LIST] = b"old list"
    return ToyCar(units=units)


class SwitchingCourier(ToyCourier):
    """Lets the other lanes go on before and after the car acts, as dice say."""

    def __init__(self, car, schedule, dice, torn):
        super().__init__(car, schedule)
        self._dice = dice
        self._torn = torn

    async def carry(self, ask):
        try:
            await self._switch()
            outcome = await super().carry(ask)
            await self._switch()
        except asyncio.CancelledError:
            self._torn.append(ask)
            raise
        return outcome

    async def _switch(self):
        for _ in range(self._dice.randrange(4)):
            await asyncio.sleep(0)


class SwitchingConnection(ToyConnection):
    """Makes couriers whose lanes interleave; ``torn`` are the asks that were torn away."""

    def __init__(self, car, schedule, seed):
        super().__init__(car, schedule)
        self._dice = random.Random(seed)
        self.torn = []

    async def connect(self):
        self.made += 1
        return SwitchingCourier(self.car, self.schedule, self._dice, self.torn)


async def switch(_seconds):
    await asyncio.sleep(0)
