"""A small invented car family and one car of it, for the tests of the plan."""

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import pytest

from donorfit.configuration import derive_bytes, encode_option_list
from donorfit.equipment import read_uvl
from donorfit.records.encoding import compute_digest
from donorfit.records.fit_report import FitReport, Verdict
from donorfit.records.plan import Plan
from donorfit.records.survey import (
    FaultRead,
    OptionListRead,
    RecordRead,
    Survey,
    SurveyKind,
    UnitSurvey,
)
from donorfit.stages.plan import PlanChoices, make_plan
from donorfit.vehicle.control_unit import (
    ControlUnit,
    KeeperRole,
    ListEncoding,
    OptionListStore,
    SoftwareBlock,
    System,
)
from donorfit.vehicle.donor import Companion, DonorModule, HandCheck
from donorfit.vehicle.expression import Facts, parse_condition
from donorfit.vehicle.fault import Cause, CauseKind, KnownFault
from donorfit.vehicle.identity import (
    Address,
    BuildMonth,
    DataIdentifier,
    FaultCode,
    OptionName,
    SoftwareVersion,
    UnitId,
)
from donorfit.vehicle.layout import (
    Checksum,
    Choice,
    ConfigurationRecord,
    DerivationRule,
    Field,
    FieldKind,
    Layout,
)
from donorfit.vehicle.pack import Pack, SupplyWindow

RULES = """features
\tcar {abstract true}
\t\toptional
\t\t\ttow {title 'Towing coupling', code 'T001', bit 0}
\t\t\ttow_2 {title 'Towing unit, second generation', code 'T002', bit 1, valid_from '2021-07'}
\t\t\tbumper_plain {title 'Bumper without cut-out', code 'B001', bit 2}
\t\t\tamp {title 'Amplifier', code 'A001', bit 3}
\t\t\tseat {title 'Seat heating', code 'S001', bit 4}
\t\t\tcamera {title 'Rear camera', code 'C001', bit 5}
constraints
\ttow_2 => tow
\ttow => !bumper_plain
"""

HOST, OTHER = "ZZ9DF17A7SD000042", "ZZ9DF17A4TH000137"
MARCH_2020 = BuildMonth.parse("2020-03")
ON_OFF = (Choice(raw=0, name="off"), Choice(raw=1, name="on"), Choice(raw=2, name="late"))


def name(text: str) -> OptionName:
    return OptionName(text)


def make_field(id_: str, byte: int, *rules: tuple[str, int], **more: object) -> Field:
    return Field(
        name=id_,
        title=id_.replace("_", " ").capitalize(),
        first_bit=8 * byte + 7,
        bit_length=8,
        rules=tuple(
            DerivationRule(condition=parse_condition(when), raw=raw) for when, raw in rules
        ),
        **more,  # type: ignore[arg-type]
    )


TRAILER = (("tow_2", 1), ("always", 0))


def make_record(
    identifier: int, title: str, *layouts: Layout, **more: object
) -> ConfigurationRecord:
    return ConfigurationRecord(
        name=title,
        identifier=DataIdentifier(identifier),
        layouts=layouts,
        **more,  # type: ignore[arg-type]
    )


BODY = make_record(
    0x0601,
    "Body",
    Layout(
        length_bytes=4,
        fields=(
            make_field("trailer", 0, *TRAILER, choices=ON_OFF, same_fact="trailer"),
            make_field("blinks", 1, ("always", 3)),
            make_field("learnt", 2, kind=FieldKind.PER_CAR),
        ),
        checksum=Checksum(algorithm="crc8-sae-j1850", byte=3, first_byte=0, last_byte=2),
    ),
)
LIGHTING = make_record(
    0x0602,
    "Lamps",
    Layout(
        length_bytes=3,
        fields=(make_field("trailer", 0, *TRAILER, choices=ON_OFF, same_fact="trailer"),),
        software_before=SoftwareVersion.parse("3.0"),
    ),
    Layout(
        length_bytes=4,
        fields=(
            make_field("trailer", 1, *TRAILER, choices=ON_OFF, same_fact="trailer"),
            make_field("glow", 3, ("always", 7)),
        ),
        software_from=SoftwareVersion.parse("3.0"),
    ),
)
TOWING = make_record(
    0x0701,
    "Towing",
    Layout(
        length_bytes=3,
        fields=(
            make_field("camera", 0, ("camera", 1), ("always", 0)),
            make_field("sway", 1, ("month >= 2021-07", 4), ("always", 2)),
        ),
    ),
)
BRAKE = make_record(
    0x0801,
    "Stability",
    Layout(length_bytes=1, fields=(make_field("trailer_sway", 0, *TRAILER),)),
)
SEAT = make_record(
    0x0901,
    "Seats",
    Layout(length_bytes=1, fields=(make_field("heating", 0, ("seat", 1), ("always", 0)),)),
)

UNITS = (
    ControlUnit(
        id=UnitId("gateway"),
        title="Gateway",
        address=Address(0x1010),
        network="can_body",
        option_list=OptionListStore(
            role=KeeperRole.MASTER,
            identifier=DataIdentifier(0x1001),
            encoding=ListEncoding.CODES,
            length_bytes=34,
            security_level=1,
        ),
    ),
    ControlUnit(
        id=UnitId("body"),
        title="Body unit",
        address=Address(0x1020),
        network="can_body",
        records=(BODY,),
        option_list=OptionListStore(
            role=KeeperRole.COPY,
            identifier=DataIdentifier(0x1002),
            encoding=ListEncoding.BITS,
            length_bytes=4,
        ),
    ),
    ControlUnit(
        id=UnitId("lighting"),
        title="Lighting unit",
        address=Address(0x1030),
        network="can_body",
        system=System.LIGHTING,
        records=(LIGHTING,),
        software_blocks=tuple(
            SoftwareBlock(
                version=SoftwareVersion.parse(version),
                file=f"lighting_{version}.bin",
                sha256="00" * 32,
                memory_address=0x10000,
                size_bytes=1024,
                hardware=hardware,
                routine_check=0x0202,
                seconds=40.0,
            )
            for version, hardware in (("3.2", ("L2",)), ("3.0", ("L1", "L2")), ("2.9", ("L1",)))
        ),
    ),
    ControlUnit(
        id=UnitId("tow_control"),
        title="Towing unit",
        address=Address(0x1071),
        network="can_body",
        present_option=name("tow_2"),
        records=(TOWING,),
    ),
    ControlUnit(
        id=UnitId("brake"),
        title="Brake unit",
        address=Address(0x1080),
        network="can_chassis",
        system=System.BRAKING,
        records=(BRAKE,),
    ),
    ControlUnit(
        id=UnitId("amplifier"),
        title="Amplifier",
        address=Address(0x1090),
        network="ring",
        present_option=name("amp"),
    ),
    ControlUnit(
        id=UnitId("seats"),
        title="Seat unit",
        address=Address(0x10A0),
        network="can_body",
        records=(SEAT,),
    ),
)


def make_fault(unit: str, code: int, kind: CauseKind, subject: str = "") -> KnownFault:
    return KnownFault(
        unit=UnitId(unit),
        code=FaultCode(code),
        title=f"{kind.value} {subject}",
        causes=(Cause(kind=kind, subject=subject),),
    )


MODULE = DonorModule(
    id="tow_2_module",
    title="Towing unit, second generation",
    unit=UnitId("tow_control"),
    hardware=("TC2",),
    options_on=(name("tow_2"),),
    companions=(
        Companion(
            unit=UnitId("lighting"),
            reason="drives the lamps",
            software_from=SoftwareVersion.parse("2.0"),
        ),
    ),
    hand_checks=(HandCheck(id="lamps", text="All trailer lamps light."),),
)


def make_pack() -> Pack:
    rules = read_uvl(RULES, file="rules.uvl")
    coded = [(rules.names[place], dict(pairs)) for place, pairs in rules.attributes]
    return Pack(
        id="test",
        title="Test family",
        version="1",
        family_from=BuildMonth.parse("2018-01"),
        family_before=BuildMonth.parse("2025-01"),
        wmi=("ZZ9",),
        gateway=Address(0x1010),
        rules=rules,
        units=UNITS,
        modules=(MODULE,),
        faults=(
            make_fault("gateway", 0xD00001, CauseKind.UNIT_NOT_DECLARED, "tow_control"),
            make_fault("body", 0x900002, CauseKind.CONFIGURATION_DISAGREES),
            make_fault("brake", 0x400003, CauseKind.UNIT_NOT_DECLARED, "tow_2"),
            make_fault("seats", 0x900004, CauseKind.PART_ITSELF, "mat"),
            make_fault("gateway", 0xD00005, CauseKind.SUPPLY_LOW),
        ),
        supply=SupplyWindow(
            lowest_volts=12.0,
            highest_volts=14.8,
            unit=UnitId("body"),
            identifier=DataIdentifier(0xD010),
            volts_per_bit=0.001,
            base_current_a=15.0,
            battery_ah=70.0,
        ),
        option_codes=tuple((n, str(a["code"])) for n, a in coded if "code" in a),
        option_bits=tuple((n, int(str(a["bit"]))) for n, a in coded if "bit" in a),
        digest="ab" * 32,
    )


@dataclass(frozen=True)
class World:
    """A pack, a car and what is asked; methods give changed copies."""

    pack: Pack
    survey: Survey
    bench: Survey | None = None
    verdict: Verdict = Verdict.AFTER_CHANGE
    choices: PlanChoices = field(default_factory=PlanChoices)

    def report(self) -> FitReport:
        return FitReport(
            pack_digest=self.pack.digest,
            survey_digest=compute_digest(self.survey),
            bench_digest="" if self.bench is None else compute_digest(self.bench),
            module=self.pack.modules[0].id,
            verdict=self.verdict,
            as_it_stands=False,
            lines=(),
        )

    def plan(self) -> Plan:
        return make_plan(self.pack, self.survey, self.report(), self.bench, self.choices)

    def with_unit(self, unit: str, **more: object) -> "World":
        units = tuple(
            replace(each, **more) if each.unit == unit else each  # type: ignore[arg-type]
            for each in self.survey.units
        )
        return replace(self, survey=replace(self.survey, units=units))

    def with_bytes(self, unit: str, data: str) -> "World":
        read = self.survey.find_unit(UnitId(unit))
        assert read is not None
        return self.with_unit(
            unit, records=(replace(read.records[0], data=bytes.fromhex(data)), *read.records[1:])
        )

    def with_module(self, **more: object) -> "World":
        module = replace(self.pack.modules[0], **more)  # type: ignore[arg-type]
        return replace(self, pack=replace(self.pack, modules=(module,)))

    def with_pack_unit(self, unit: str, **more: object) -> "World":
        units = tuple(
            replace(each, **more) if each.id == unit else each  # type: ignore[arg-type]
            for each in self.pack.units
        )
        return replace(self, pack=replace(self.pack, units=units))

    def with_answers(self, **answers: str) -> "World":
        given = tuple((key.replace("__", "-"), answer) for key, answer in answers.items())
        return replace(self, choices=replace(self.choices, answers=given))


SOFTWARE = {"lighting": "2.5", "tow_control": "1.1"}
FAULTS = {
    "gateway": ((0xD00001, 0x2F),),
    "body": ((0x900002, 0x2F),),
    "brake": ((0x400003, 0x2F),),
    "seats": ((0x900004, 0x28),),
}


def make_unit_survey(pack: Pack, unit: ControlUnit, options: tuple[OptionName, ...]) -> UnitSurvey:
    answered = unit.id != "amplifier"
    software = SOFTWARE.get(unit.id, "1.0")
    facts = Facts(
        options=frozenset(options), month=MARCH_2020, software=SoftwareVersion.parse(software)
    )
    records = []
    for record in unit.records:
        layout = record.choose_layout(facts.software)
        assert layout is not None
        start = bytes([0x55] * layout.length_bytes)
        records.append(
            RecordRead(identifier=record.identifier, data=derive_bytes(layout, facts, start))
        )
    held = None
    if unit.option_list is not None:
        data = encode_option_list(unit.option_list, pack, month=MARCH_2020, options=options)
        held = OptionListRead(
            identifier=unit.option_list.identifier, data=data, month=MARCH_2020, options=options
        )
    return UnitSurvey(
        unit=unit.id,
        address=unit.address,
        answered=answered,
        vin=HOST if answered and unit.id != "tow_control" else "",
        serial=f"S-{unit.id}" if answered else "",
        hardware="L1" if unit.id == "lighting" else "H1",
        software=software if answered else "",
        option_list=held,
        records=tuple(records) if answered else (),
        faults=tuple(
            FaultRead(code=FaultCode(code), status=status)
            for code, status in FAULTS.get(unit.id, ())
        ),
        fault_availability=0xFF,
    )


def make_world() -> World:
    pack = make_pack()
    options = tuple(map(name, ("amp", "bumper_plain", "seat")))
    return World(
        pack=pack,
        survey=Survey(
            kind=SurveyKind.CAR,
            pack=pack.id,
            pack_digest=pack.digest,
            taken_at="2026-01-01T00:00:00+00:00",
            vin=HOST,
            month=MARCH_2020,
            options=options,
            units=tuple(make_unit_survey(pack, unit, options) for unit in pack.units),
            supply_volts=13.4,
        ),
    )


@pytest.fixture
def world() -> World:
    """The ordinary case: the towing unit is there, not declared; the amplifier is declared, gone."""
    return make_world()


@pytest.fixture
def make_bench() -> Callable[[World, str], Survey]:
    """Make a bench survey of the module with some VIN in it."""

    def make(world: World, vin: str) -> Survey:
        unit = UnitSurvey(
            unit=UnitId("tow_control"), address=Address(0x1071), answered=True, vin=vin
        )
        return replace(world.survey, kind=SurveyKind.BENCH, vin=vin, options=(), units=(unit,))

    return make
