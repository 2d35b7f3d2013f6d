"""A small invented car family with a towing module, for the fit check's tests."""

from dataclasses import replace
from types import SimpleNamespace

import pytest

from donorfit.equipment.read_uvl import read_uvl
from donorfit.records.survey import Survey, SurveyKind, UnitSurvey
from donorfit.vehicle.control_unit import ControlUnit, SoftwareBlock, System
from donorfit.vehicle.donor import Companion, DonorModule, NeededSignal
from donorfit.vehicle.identity import Address, BuildMonth, SoftwareVersion, UnitId
from donorfit.vehicle.network import (
    Cavity,
    Connector,
    Message,
    Network,
    NetworkKind,
    OpticalRing,
    PinFunction,
    RingHop,
    Signal,
)
from donorfit.vehicle.pack import Pack, SupplyWindow

HOST_VIN = "ZZ9DF17A7SD000042"
DONOR_VIN = "ZZ9DF17A4TH000137"

RULES = """features
    Car
        optional
            towing {title 'Towing coupling'}
            swivel {title 'Swivelling coupling', valid_from '2021-07'}
            trailer_camera
            old_amplifier
            brake_assist
constraints
    towing => swivel
    !(towing & old_amplifier)
"""


def find_month(text: str) -> BuildMonth:
    return BuildMonth.parse(text)


def make_signal(name: str) -> Signal:
    return Signal(
        name=name,
        first_bit=0,
        bit_length=8,
        big_endian=False,
        signed=False,
        factor=1.0,
        offset=0.0,
    )


def make_message(
    name: str, number: int, cycle_ms: int | None, sender: str, *signals: str
) -> Message:
    return Message(
        name=name,
        frame_id=number,
        extended=False,
        length_bytes=8,
        cycle_ms=cycle_ms,
        senders=(sender,),
        receivers=(),
        signals=tuple(make_signal(each) for each in signals),
    )


BODY_NETWORK = Network(
    name="can_body",
    kind=NetworkKind.CAN,
    bit_rate=125_000,
    messages=(
        make_message("Lights", 0x100, 20, "body", "TurnLeft"),
        make_message("Speed", 0x110, 20, "brake", "VehicleSpeed"),
        make_message("Trailer", 0x200, 100, "tow_control", "TrailerThere"),
    ),
)

HOST_PLUG = Connector(
    id="host_plug",
    title="rear plug",
    shape="12-way",
    cavities=(
        Cavity(number=1, function=PinFunction.SUPPLY, current_a=20.0),
        Cavity(number=2, function=PinFunction.GROUND, current_a=20.0),
        Cavity(number=3, function=PinFunction.CAN_HIGH, detail="can_body"),
        Cavity(number=4, function=PinFunction.CAN_LOW, detail="can_body"),
    ),
)
MODULE_PLUG = replace(HOST_PLUG, id="module_plug", title="module's plug")

UNITS = (
    ControlUnit(id=UnitId("body"), title="Body unit", address=Address(0x1001), network="can_body"),
    ControlUnit(
        id=UnitId("brake"),
        title="Brake unit",
        address=Address(0x1002),
        network="can_body",
        system=System.BRAKING,
        present_option="brake_assist",
    ),
    ControlUnit(
        id=UnitId("tow_control"),
        title="Towing control unit",
        address=Address(0x1071),
        network="can_body",
        present_option="towing",
        software_blocks=(
            SoftwareBlock(
                version=SoftwareVersion.parse("2.1"),
                file="tow_2_1.bin",
                sha256="00",
                memory_address=0,
                size_bytes=16,
                hardware=("H2",),
                routine_check=0x0202,
                seconds=600.0,
            ),
        ),
    ),
    ControlUnit(id=UnitId("media"), title="Media source", address=Address(0x1003), network="ring"),
    ControlUnit(id=UnitId("tuner"), title="Tuner", address=Address(0x1004), network="ring"),
)

MODULE = DonorModule(
    id="tow_2",
    title="Towing module",
    unit=UnitId("tow_control"),
    hardware=("H2",),
    options_on=("trailer_camera",),
    month_from=find_month("2019-01"),
    software_from=SoftwareVersion.parse("2.0"),
    companions=(Companion(unit=UnitId("brake"), reason="the trailer is not held steady"),),
    signals=(
        NeededSignal(
            network="can_body",
            message="Lights",
            signal="TurnLeft",
            longest_gap_ms=100,
            effect="the trailer's indicator stays dark",
        ),
    ),
    connector="module_plug",
    host_connector="host_plug",
    supply_current_a=15.0,
)

PACK = Pack(
    id="invented",
    title="Invented family",
    version="1",
    family_from=find_month("2018-01"),
    family_before=find_month("2024-01"),
    wmi=("ZZ9",),
    gateway=Address(0x1010),
    rules=read_uvl(RULES, file="invented.uvl"),
    units=UNITS,
    networks=(BODY_NETWORK,),
    ring=OpticalRing(
        name="ring",
        master=UnitId("media"),
        hops=(
            RingHop(source=UnitId("media"), target=UnitId("tuner"), length_m=4.0),
            RingHop(source=UnitId("tuner"), target=UnitId("media"), length_m=4.0),
        ),
    ),
    connectors=(HOST_PLUG, MODULE_PLUG),
    modules=(MODULE,),
    supply=SupplyWindow(
        lowest_volts=12.5,
        highest_volts=14.5,
        unit=UnitId("body"),
        identifier=0x0100,
        volts_per_bit=0.1,
        base_current_a=8.0,
        battery_ah=70.0,
    ),
    digest="d" * 64,
)


def read_unit(unit: str, *, answered: bool = True, **facts: str) -> UnitSurvey:
    return UnitSurvey(unit=UnitId(unit), address=Address(0), answered=answered, **facts)


HOST = Survey(
    kind=SurveyKind.CAR,
    pack="invented",
    pack_digest="d" * 64,
    taken_at="2026-01-01T10:00:00+00:00",
    vin=HOST_VIN,
    month=find_month("2020-03"),
    options=("Car", "brake_assist", "old_amplifier"),
    units=(
        read_unit("body"),
        read_unit("brake"),
        read_unit("tow_control", answered=False),
        read_unit("media"),
        read_unit("tuner"),
    ),
    supply_volts=13.2,
)

BENCH = Survey(
    kind=SurveyKind.BENCH,
    pack="invented",
    pack_digest="d" * 64,
    taken_at="2026-01-01T09:00:00+00:00",
    vin="",
    month=None,
    options=(),
    units=(read_unit("tow_control", hardware="H2", software="2.0", vin=""),),
)


def change_module(**facts: object) -> Pack:
    return replace(PACK, modules=(replace(MODULE, **facts),))


@pytest.fixture
def invented() -> SimpleNamespace:
    """The invented family and what is needed to vary it."""
    return SimpleNamespace(
        pack=PACK,
        host=HOST,
        bench=BENCH,
        host_vin=HOST_VIN,
        donor_vin=DONOR_VIN,
        change_module=change_module,
        read_unit=read_unit,
        find_month=find_month,
        body_network=BODY_NETWORK,
        units=UNITS,
        module=MODULE,
    )
