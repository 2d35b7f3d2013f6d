"""One whole invented job as records: a second-generation towing control unit in an older Merle.

Everything here is made up. The digests are computed, so the chain holds whatever the records'
shapes become; the figures in it (currents, volts, seconds) are plausible, not measured.
"""

import hashlib
from dataclasses import dataclass

from donorfit.records.change_record import ChangeRecord, StepResult, StepState
from donorfit.records.encoding import compute_digest
from donorfit.records.finding import Finding, Severity
from donorfit.records.fit_report import FitLine, FitReport, Subject, Verdict
from donorfit.records.plan import (
    ExpectedFault,
    FaultPhase,
    FieldEdit,
    FieldVerdict,
    OpenQuestion,
    OptionChange,
    Plan,
    PlannedCaution,
    PlannedCheck,
    PlanPurpose,
    RecordEdit,
    Step,
    StepKind,
    SupplyForecast,
    WireOrder,
)
from donorfit.records.preparation import Backup, Identity, Preparation, WakeCheck
from donorfit.records.proof import CheckResult, FaultComparison, FaultVerdict, Proof, ReadBack
from donorfit.records.survey import (
    FaultRead,
    OptionListRead,
    RecordRead,
    Survey,
    SurveyKind,
    UnitSurvey,
)
from donorfit.vehicle.control_unit import ControlUnit, System
from donorfit.vehicle.donor import DonorModule
from donorfit.vehicle.identity import (
    Address,
    BuildMonth,
    DataIdentifier,
    FaultCode,
    OptionName,
    UnitId,
)
from donorfit.vehicle.layout import (
    Choice,
    ConfigurationRecord,
    Field,
    FieldKind,
    Layout,
    Scale,
)
from donorfit.vehicle.pack import Pack
from donorfit.vehicle.rules import RuleBase
from donorfit.vehicle.vin import compute_check_digit

MARCH_2020 = BuildMonth.parse("2020-03")
JULY_2021 = BuildMonth.parse("2021-07")


def complete_vin(pattern: str) -> str:
    """Put the right check digit into the ninth place."""
    return pattern[:8] + compute_check_digit(pattern) + pattern[9:]


HOST_VIN = complete_vin("ZZ9MR12A0LD000314")
DONOR_VIN = complete_vin("ZZ9MR22A0ND000271")

UNITS = (
    ("gateway", "Gateway", 0x1010, "can_body", System.ORDINARY),
    ("body", "Body control unit", 0x1020, "can_body", System.ORDINARY),
    ("lighting", "Lighting control unit", 0x1031, "can_body", System.LIGHTING),
    ("park_distance", "Park distance control unit", 0x1042, "can_comfort", System.ORDINARY),
    ("rear_camera", "Rear camera control unit", 0x1053, "eth_camera", System.ORDINARY),
    ("tow_control", "Towing control unit", 0x1071, "can_comfort", System.ORDINARY),
    ("brake", "Brake control unit", 0x1080, "can_chassis", System.BRAKING),
    ("restraint", "Restraint control unit", 0x1081, "can_chassis", System.RESTRAINT),
    ("steering", "Steering control unit", 0x1082, "can_chassis", System.STEERING),
    ("climate", "Climate control unit", 0x1061, "can_comfort", System.ORDINARY),
    ("seat", "Seat control unit", 0x1062, "can_comfort", System.ORDINARY),
    ("amplifier", "Sound amplifier", 0x1091, "ring", System.ORDINARY),
    ("media_source", "Media source", 0x1090, "ring", System.ORDINARY),
    ("tuner", "Tuner", 0x1092, "ring", System.ORDINARY),
    ("charger_12v", "12 V charger", 0x10A0, "can_body", System.ORDINARY),
)
SOFTWARE = {"gateway": "4.2.0", "tow_control": "2.1.3", "body": "3.8.1"}

OPTIONS = (
    ("tow_coupling", "Towing coupling, swivelling"),
    ("tow_socket_13", "Trailer socket, 13 poles"),
    ("tow_electronics_2", "Towing electronics, second generation"),
    ("trailer_view", "Trailer view in the rear camera"),
    ("amplifier_basic", "Sound amplifier, six channels"),
    ("amplifier_plus", "Sound amplifier, twelve channels"),
    ("bumper_plain", "Rear bumper without cut-out"),
    ("bumper_cutout", "Rear bumper with cut-out"),
    ("tow_preparation_1", "Towing preparation, first generation"),
    ("park_distance_rear", "Park distance sensors at the rear"),
    ("rear_camera_std", "Rear camera"),
    ("led_rear_lamps", "LED rear lamps"),
    ("climate_two_zones", "Climate control with two zones"),
    ("seat_heating_front", "Heated front seats"),
)


def _option(name: str) -> OptionName:
    return OptionName(name)


def _switch(name: str, title: str, bit: int, off: str = "off", on: str = "on") -> Field:
    return Field(
        name=name,
        title=title,
        first_bit=bit,
        bit_length=1,
        choices=(Choice(raw=0, name=off), Choice(raw=1, name=on)),
    )


RECORDS: dict[str, tuple[int, str, int, tuple[Field, ...]]] = {
    "gateway": (
        0x2F10,
        "Expected control units",
        8,
        (
            _switch("expects_tow_control", "Expects the towing control unit", 5),
            _switch("expects_amplifier", "Expects the sound amplifier", 6),
            Field(
                name="sleep_delay",
                title="Time until the networks sleep",
                first_bit=23,
                bit_length=8,
                scale=Scale(factor=10.0, offset=0.0, unit="s"),
            ),
            Field(name="check_byte", title="Check byte", first_bit=63, bit_length=8),
        ),
    ),
    "lighting": (
        0x2F31,
        "Rear lamps",
        12,
        (
            _switch("trailer_lamps", "Lamps on the trailer are driven", 0),
            Field(
                name="rear_fog_mode",
                title="Rear fog lamp with a trailer",
                first_bit=9,
                bit_length=2,
                choices=(
                    Choice(raw=0, name="always lit"),
                    Choice(raw=1, name="off with trailer"),
                    Choice(raw=2, name="left to the trailer"),
                ),
            ),
            Field(
                name="indicator_taps",
                title="Blinks for one tap of the indicator",
                first_bit=26,
                bit_length=3,
            ),
            _switch("welcome_light", "Lamps greet when unlocking", 30),
            Field(name="check_byte", title="Check byte", first_bit=95, bit_length=8),
        ),
    ),
    "park_distance": (
        0x2F42,
        "Rear sensing",
        6,
        (
            _switch("mute_with_trailer", "Silent with a trailer", 3),
            Field(
                name="first_tone_distance",
                title="Distance of the first tone",
                first_bit=15,
                bit_length=8,
                scale=Scale(factor=5.0, offset=0.0, unit="cm"),
            ),
            Field(name="tone_volume", title="Volume of the tone", first_bit=23, bit_length=4),
        ),
    ),
    "rear_camera": (
        0x2F53,
        "Views",
        4,
        (
            _switch("trailer_view", "Trailer view offered", 2, "no", "yes"),
            _switch("guide_lines", "Guide lines shown", 9, "no", "yes"),
        ),
    ),
    "tow_control": (
        0x2F71,
        "Towing",
        16,
        (
            Field(
                name="socket_type",
                title="Socket",
                first_bit=3,
                bit_length=4,
                choices=(Choice(raw=0, name="none"), Choice(raw=3, name="13 poles")),
            ),
            _switch("swivel_motor", "Swivelling coupling", 7, "no", "yes"),
            Field(
                name="learnt_lamps",
                title="Lamps learnt",
                first_bit=71,
                bit_length=16,
                kind=FieldKind.PER_CAR,
            ),
        ),
    ),
}


def build_pack() -> Pack:
    """The part of the family's pack that this job needs."""
    units = tuple(
        ControlUnit(
            id=UnitId(name),
            title=title,
            address=Address(address),
            network=network,
            system=system,
            records=_build_configuration_records(name),
        )
        for name, title, address, network, system in UNITS
    )
    names = (_option("merle"), *(_option(name) for name, _ in OPTIONS))
    rules = RuleBase(
        file="options.uvl",
        names=names,
        lines=tuple(range(2, len(names) + 2)),
        parents=(-1, *(0 for _ in OPTIONS)),
        group_of=(-1, *(0 for _ in OPTIONS)),
        attributes=tuple((at + 1, (("title", title),)) for at, (_, title) in enumerate(OPTIONS)),
    )
    return Pack(
        id="merle",
        title="Merle, 2018 to 2024",
        version="1.0",
        family_from=BuildMonth.parse("2018-01"),
        family_before=BuildMonth.parse("2025-01"),
        wmi=("ZZ9",),
        gateway=Address(0x1010),
        rules=rules,
        units=units,
        modules=(
            DonorModule(
                id="tow_control_2",
                title="Towing control unit, second generation",
                unit=UnitId("tow_control"),
                hardware=("TC2-04",),
            ),
        ),
        digest=hashlib.sha256(b"merle pack of this test").hexdigest(),
    )


def _build_configuration_records(name: str) -> tuple[ConfigurationRecord, ...]:
    if name not in RECORDS:
        return ()
    identifier, title, length, fields = RECORDS[name]
    return (
        ConfigurationRecord(
            name=title,
            identifier=DataIdentifier(identifier),
            layouts=(Layout(length_bytes=length, fields=fields),),
        ),
    )


BEFORE = {
    "gateway": bytes.fromhex("4100060000000A91"),
    "lighting": bytes.fromhex("820000450011C00000000037"),
    "park_distance": bytes.fromhex("011E07000000"),
    "rear_camera": bytes.fromhex("13020000"),
    "tow_control": bytes.fromhex("00000000000000005A3C000000000000"),
}
AFTER = {
    "gateway": bytes.fromhex("6100060000000AD4"),
    "lighting": bytes.fromhex("830100450011C00000000052"),
    "park_distance": bytes.fromhex("091E07000000"),
    "rear_camera": bytes.fromhex("17020000"),
    "tow_control": bytes.fromhex("83000000000000005A3C000000000000"),
}
LIST_BEFORE = bytes.fromhex("2003") + b"A012B011C021D031P041R051S061T009" + bytes(14)
LIST_AFTER = bytes.fromhex("2107") + b"A012B012C021D031P041R051S061T042T043T044V053" + bytes(2)

OPTIONS_BEFORE = (
    "amplifier_basic",
    "amplifier_plus",
    "bumper_plain",
    "climate_two_zones",
    "led_rear_lamps",
    "park_distance_rear",
    "rear_camera_std",
    "seat_heating_front",
    "tow_preparation_1",
)
OPTIONS_AFTER = (
    "amplifier_plus",
    "bumper_cutout",
    "climate_two_zones",
    "led_rear_lamps",
    "park_distance_rear",
    "rear_camera_std",
    "seat_heating_front",
    "tow_coupling",
    "tow_electronics_2",
    "tow_socket_13",
    "trailer_view",
)

FAULTS_BEFORE = (
    ("gateway", 0xD40087, 0x2F, "Control unit present but not declared: towing"),
    ("gateway", 0xD41255, 0x2F, "Option list contradicts itself"),
    ("lighting", 0xB11A87, 0x2F, "Message of the towing control unit missing"),
    ("lighting", 0xB12055, 0x2F, "Configuration disagrees with the option list"),
    ("park_distance", 0xB14487, 0x2F, "Message of the towing control unit missing"),
    ("rear_camera", 0xB15355, 0x2F, "Configuration disagrees with the option list"),
    ("tow_control", 0xB17155, 0x2F, "Not configured"),
    ("tow_control", 0xB17256, 0x2F, "Build month older than this unit"),
    ("brake", 0xC20064, 0x2F, "Trailer message not plausible"),
    ("amplifier", 0xB19155, 0x2F, "Declared amplifier is not this one"),
    ("climate", 0xB16013, 0x28, "Air quality sensor: open circuit"),
)


def build_survey() -> Survey:
    """The host as it was read."""
    return Survey(
        kind=SurveyKind.CAR,
        pack="merle",
        pack_digest=build_pack().digest,
        taken_at="2026-11-21T09:12:40+01:00",
        vin=HOST_VIN,
        month=MARCH_2020,
        options=tuple(map(_option, OPTIONS_BEFORE)),
        fitted=(_option("tow_coupling"), _option("bumper_cutout"), _option("tow_socket_13")),
        units=tuple(_survey_unit(name, address) for name, _, address, _, _ in UNITS),
        supply_volts=12.58,
        findings=(
            Finding(
                id="left-over-option",
                severity=Severity.WARNING,
                what="Two sound amplifiers are declared, one answers",
                where="gateway, option amplifier_basic",
                why="An earlier retrofit added amplifier_plus and left amplifier_basic behind.",
                evidence=("gateway 0xF1A0: 2003 41303132 ...", "amplifier: hardware AM2-01"),
                next_step="Take amplifier_basic out of the option list; the plan does so.",
            ),
            Finding(
                id="keepers-disagree",
                severity=Severity.NOTE,
                what="The copy in the body control unit lacks amplifier_plus",
                where="body 0xF1A1, bit 41",
                next_step="Both keepers are written together.",
            ),
        ),
    )


def _survey_unit(name: str, address: int) -> UnitSurvey:
    records: tuple[RecordRead, ...] = ()
    if name in BEFORE:
        records = (RecordRead(identifier=DataIdentifier(RECORDS[name][0]), data=BEFORE[name]),)
    option_list = None
    if name == "gateway":
        option_list = OptionListRead(
            identifier=DataIdentifier(0xF1A0),
            data=LIST_BEFORE,
            month=MARCH_2020,
            options=tuple(map(_option, OPTIONS_BEFORE)),
            unknown=("Z777",),
        )
    return UnitSurvey(
        unit=UnitId(name),
        address=Address(address),
        answered=name != "seat",
        vin="" if name in {"seat", "tow_control"} else HOST_VIN,
        serial="" if name == "seat" else f"{name[:2].upper()}-20{address:05d}",
        hardware="TC2-04" if name == "tow_control" else f"{name[:2].upper()}1-02",
        part=f"MR {address:04X} 210",
        software=SOFTWARE.get(name, "1.4.0"),
        option_list=option_list,
        records=records,
        faults=tuple(
            FaultRead(code=FaultCode(code), status=status)
            for unit, code, status, _ in FAULTS_BEFORE
            if unit == name
        ),
        fault_availability=0x7F,
        refusals=("0x22 0x2F82: 0x33 securityAccessDenied",) if name == "steering" else (),
    )


def build_bench() -> Survey:
    """The module alone on the bench, neutral."""
    return Survey(
        kind=SurveyKind.BENCH,
        pack="merle",
        pack_digest=build_pack().digest,
        taken_at="2026-11-20T17:40:02+01:00",
        vin="",
        month=None,
        options=(),
        units=(
            UnitSurvey(
                unit=UnitId("tow_control"),
                address=Address(0x1071),
                answered=True,
                serial="TO-2004209",
                hardware="TC2-04",
                part="MR 1071 210",
                software="2.1.3",
                records=(
                    RecordRead(identifier=DataIdentifier(0x2F71), data=BEFORE["tow_control"]),
                ),
                fault_availability=0x7F,
            ),
        ),
        supply_volts=12.9,
    )


def build_report(survey: Survey, bench: Survey | None) -> FitReport:
    """Requirement by requirement."""
    return FitReport(
        pack_digest=survey.pack_digest,
        survey_digest=compute_digest(survey),
        bench_digest="" if bench is None else compute_digest(bench),
        module="tow_control_2",
        verdict=Verdict.AFTER_CHANGE,
        as_it_stands=False,
        lines=(
            FitLine(
                subject=Subject.IDENTITY,
                title="The module carries no other car's VIN",
                verdict=Verdict.MET,
                reason="Its VIN is empty: it has been made neutral.",
                evidence=("tow_control 0xF190: FF x 17",),
            ),
            FitLine(
                subject=Subject.HARDWARE,
                title="Hardware TC2-04 is known",
                verdict=Verdict.MET,
                reason="The pack describes this hardware number.",
            ),
            FitLine(
                subject=Subject.OPTIONS,
                title="tow_electronics_2, tow_socket_13 and tow_coupling declared",
                verdict=Verdict.AFTER_CHANGE,
                reason="None of the three is declared; tow_preparation_1 excludes them.",
                change="Add five options, take three out.",
                evidence=("options.uvl:214", "options.uvl:231"),
            ),
            FitLine(
                subject=Subject.BUILD_MONTH,
                title="Built 2021-07 or later",
                verdict=Verdict.AFTER_CHANGE,
                reason="tow_electronics_2 exists from 2021-07 on; the car declares 2020-03.",
                change="Declare 2021-07, the nearest possible month.",
            ),
            FitLine(
                subject=Subject.SOFTWARE,
                title="Gateway software 4.3 or newer",
                verdict=Verdict.AFTER_CHANGE,
                reason="Software 4.2.0 does not pass the trailer message on.",
                change="Program gateway software 4.3.1 from the pack.",
            ),
            FitLine(
                subject=Subject.SIGNAL,
                title="Message RearLampState every 100 ms",
                verdict=Verdict.MET,
                reason="Present on can_body with a cycle of 50 ms, passed on by the gateway.",
            ),
            FitLine(
                subject=Subject.COMPANION,
                title="Brake control unit takes part in trailer stabilisation",
                verdict=Verdict.UNKNOWN,
                reason="Units of the braking system are read, never written; a licensed "
                "workshop has to enable it.",
            ),
            FitLine(
                subject=Subject.SUPPLY,
                title="20 A fused supply at the rear",
                verdict=Verdict.AFTER_CHANGE,
                reason="The host's harness has no supply in this place.",
                change="Run 2.5 mm2 with a 20 A fuse over 4.2 m.",
            ),
        ),
        findings=(
            Finding(
                id="fails-as-it-stands",
                severity=Severity.WARNING,
                what="Plugged in without the changes the module stays silent",
                why="The gateway does not expect it and drops its messages.",
                next_step="Make the plan.",
            ),
        ),
    )


def _field(
    name: str,
    title: str,
    values: tuple[int | None, int | None, int | None, int | None],
    verdict: FieldVerdict,
    reason: str = "",
) -> FieldEdit:
    base, current, target, result = values
    return FieldEdit(
        name=name,
        title=title,
        base=base,
        current=current,
        target=target,
        result=result,
        verdict=verdict,
        reason=reason,
    )


def _build_edits() -> tuple[RecordEdit, ...]:
    applied, kept = FieldVerdict.APPLIED, FieldVerdict.KEPT
    owner = "The owner set this; the old and the new option list both derive the same value."
    fields = {
        "gateway": (
            _field(
                "expects_tow_control",
                "Expects the towing control unit",
                (0, 0, 1, 1),
                applied,
                "tow_electronics_2",
            ),
            _field(
                "expects_amplifier",
                "Expects the sound amplifier",
                (1, 1, 1, 1),
                FieldVerdict.UNCHANGED,
            ),
            _field("sleep_delay", "Time until the networks sleep", (12, 6, 12, 6), kept, owner),
            _field("check_byte", "Check byte", (None, 0x91, None, 0xD4), FieldVerdict.RECOMPUTED),
        ),
        "lighting": (
            _field(
                "trailer_lamps",
                "Lamps on the trailer are driven",
                (0, 0, 1, 1),
                applied,
                "tow_socket_13",
            ),
            _field(
                "rear_fog_mode",
                "Rear fog lamp with a trailer",
                (0, 0, 1, 1),
                applied,
                "tow_socket_13 & month >= 2021-07",
            ),
            _field(
                "indicator_taps", "Blinks for one tap of the indicator", (3, 5, 3, 5), kept, owner
            ),
            _field("welcome_light", "Lamps greet when unlocking", (0, 1, 0, 1), kept, owner),
            _field("check_byte", "Check byte", (None, 0x37, None, 0x52), FieldVerdict.RECOMPUTED),
        ),
        "park_distance": (
            _field(
                "mute_with_trailer", "Silent with a trailer", (0, 0, 1, 1), applied, "tow_coupling"
            ),
            _field(
                "first_tone_distance", "Distance of the first tone", (40, 30, 40, 30), kept, owner
            ),
            _field("tone_volume", "Volume of the tone", (4, 7, 4, 7), kept, owner),
        ),
        "rear_camera": (
            _field("trailer_view", "Trailer view offered", (0, 0, 1, 1), applied, "trailer_view"),
            _field("guide_lines", "Guide lines shown", (0, 1, 1, 1), FieldVerdict.ALREADY),
        ),
        "tow_control": (
            _field("socket_type", "Socket", (0, 0, 3, 3), applied, "tow_socket_13"),
            _field("swivel_motor", "Swivelling coupling", (0, 0, 1, 1), applied, "tow_coupling"),
            _field(
                "learnt_lamps",
                "Lamps learnt",
                (None, 0x5A3C, None, 0x5A3C),
                kept,
                "A learnt value of this very unit.",
            ),
        ),
    }
    return tuple(
        RecordEdit(
            unit=UnitId(unit),
            identifier=DataIdentifier(RECORDS[unit][0]),
            record=RECORDS[unit][1],
            before=BEFORE[unit],
            after=AFTER[unit],
            fields=of_unit,
        )
        for unit, of_unit in fields.items()
    )


def _build_steps() -> tuple[Step, ...]:
    place = {name: (address, network) for name, _, address, network, _ in UNITS}
    rows: list[tuple[StepKind, str, str, float, float, dict[str, object]]] = [
        (
            StepKind.WRITE_OPTION_LIST,
            "gateway",
            "Write the option list and build month 2021-07",
            4.0,
            18.0,
            {
                "identifier": DataIdentifier(0xF1A0),
                "before": LIST_BEFORE,
                "after": LIST_AFTER,
                "security_level": 3,
                "safe_after": False,
            },
        ),
        (
            StepKind.WRITE_OPTION_LIST,
            "body",
            "Write the copy of the option list",
            4.0,
            18.0,
            {
                "identifier": DataIdentifier(0xF1A1),
                "before": bytes.fromhex("200300A1404000"),
                "after": bytes.fromhex("2107008E465C01"),
                "security_level": 3,
            },
        ),
    ]
    rows += [
        (
            StepKind.WRITE_RECORD,
            name,
            f"Write {RECORDS[name][1].lower()}",
            2.5,
            18.0,
            {
                "identifier": DataIdentifier(RECORDS[name][0]),
                "before": BEFORE[name],
                "after": AFTER[name],
            },
        )
        for name in BEFORE
    ]
    rows += [
        (StepKind.RESET, name, "Reset", 6.0, 20.0, {})
        for name in ("body", "lighting", "park_distance", "rear_camera", "tow_control")
    ]
    rows.append(
        (
            StepKind.PROGRAM,
            "gateway",
            "Program software 4.3.1",
            420.0,
            26.0,
            {
                "session": 2,
                "security_level": 17,
                "software_file": "gateway_4_3_1.bin",
                "software_sha256": hashlib.sha256(b"software").hexdigest(),
                "software_before": "4.2.0",
                "software_after": "4.3.1",
                "memory_address": 0x00080000,
                "routine_check": 0x0202,
                "safe_after": True,
            },
        )
    )
    rows += [
        (StepKind.CLEAR_FAULTS, name, "Clear fault codes", 1.5, 18.0, {})
        for name in ("gateway", "lighting", "park_distance", "rear_camera", "tow_control")
    ]
    return tuple(
        Step(
            id=f"s{number:02d}",
            kind=kind,
            unit=UnitId(unit),
            address=Address(place[unit][0]),
            network=place[unit][1],
            what=what,
            seconds=seconds,
            current_a=current,
            **more,  # type: ignore[arg-type]
        )
        for number, (kind, unit, what, seconds, current, more) in enumerate(rows, start=1)
    )


def _build_supply() -> SupplyForecast:
    points = []
    for minute in range(24):
        current = 26.0 if 8 <= minute < 16 else 18.0
        held = 13.5 if current < 20 else 13.3
        alone = 12.55 - 0.016 * minute - (current - 18.0) * 0.022
        points.append((float(minute), current, held, round(alone, 3)))
    return SupplyForecast(
        minutes=23.0,
        charge_ah=8.1,
        peak_current_a=26.0,
        support_current_a=30.0,
        lowest_volts=13.3,
        lowest_volts_unsupported=12.15,
        window_low_volts=12.5,
        window_high_volts=14.8,
        holds=True,
        source="battery table BCI, flooded, 26.7 degC",
        points=tuple(points),
    )


def build_plan(survey: Survey, report: FitReport) -> Plan:
    """What is to be changed."""
    changes = (
        ("amplifier_basic", False, "Only one amplifier may be declared (options.uvl:188)."),
        ("bumper_plain", False, "The bumper with cut-out is fitted."),
        ("tow_preparation_1", False, "It excludes tow_electronics_2 (options.uvl:214)."),
        ("bumper_cutout", True, "It is fitted, and tow_coupling needs it (options.uvl:219)."),
        ("tow_coupling", True, "It is fitted."),
        ("tow_electronics_2", True, "The module needs it."),
        ("tow_socket_13", True, "The module needs it."),
        ("trailer_view", True, "rear_camera_std brings it with tow_electronics_2."),
    )
    return Plan(
        purpose=PlanPurpose.RETROFIT,
        pack_digest=survey.pack_digest,
        survey_digest=compute_digest(survey),
        report_digest=compute_digest(report),
        module="tow_control_2",
        vin=survey.vin,
        identities=tuple(
            (unit.unit, unit.serial) for unit in survey.units if unit.unit in {*BEFORE, "body"}
        ),
        month_before=MARCH_2020,
        month_after=JULY_2021,
        month_reason="tow_electronics_2 may be declared from 2021-07 on; this is the nearest "
        "possible month.",
        options_before=survey.options,
        options_after=tuple(map(_option, OPTIONS_AFTER)),
        option_changes=tuple(
            OptionChange(option=_option(name), declared=declared, reasons=(reason,))
            for name, declared, reason in changes
        ),
        edits=_build_edits(),
        steps=_build_steps(),
        supply=_build_supply(),
        seconds=478.0,
        expected_faults=(
            ExpectedFault(
                unit=UnitId("gateway"),
                code=FaultCode(0xD40087),
                title="Control unit present but not declared: towing",
                phase=FaultPhase.GONE_AFTER,
                cause="tow_electronics_2 is not declared yet.",
            ),
            ExpectedFault(
                unit=UnitId("rear_camera"),
                code=FaultCode(0xB15355),
                title="Configuration disagrees with the option list",
                phase=FaultPhase.DURING,
                cause="The option list is written before the record.",
            ),
        ),
        cautions=(
            PlannedCaution(
                id="trailer-stability",
                text="Trailer stabilisation belongs to the braking system. It may apply that only "
                "a licensed workshop may enable and test it; until then it stays off.",
                jurisdictions=("everywhere",),
                source="common practice, no source",
                seen="2026-11-20",
                because="the brake control unit is a companion of the module",
            ),
            PlannedCaution(
                id="lighting-approval",
                text="Lamp functions may be part of the car's approval. Check the rule where the "
                "car is registered before driving with a trailer.",
                jurisdictions=("EU", "US"),
                source="common practice, no source",
                seen="2026-11-20",
                because="the lighting control unit is written",
            ),
        ),
        wires=(
            WireOrder(
                host_cavity="rear distributor 4",
                module_cavity="1",
                purpose="supply",
                cross_section_mm2=2.5,
                fuse_a=20.0,
                length_m=4.2,
            ),
            WireOrder(
                host_cavity="body earth point 3",
                module_cavity="2",
                purpose="earth",
                cross_section_mm2=2.5,
                fuse_a=0.0,
                length_m=0.6,
            ),
            WireOrder(
                host_cavity="comfort network 7",
                module_cavity="9",
                purpose="CAN high of can_comfort",
                cross_section_mm2=0.35,
                fuse_a=0.0,
                length_m=1.8,
                note="twisted with cavity 10",
            ),
        ),
        checks=(
            PlannedCheck(id="lamps", text="Every lamp of the trailer lights, one by one."),
            PlannedCheck(id="silent", text="Park distance is silent with a trailer plugged in."),
            PlannedCheck(id="view", text="The trailer view can be chosen in the rear camera."),
        ),
        questions=(
            OpenQuestion(
                id="sleep_delay",
                text="The networks sleep after 60 s instead of 120 s. Keep it?",
                choices=("keep", "derive"),
                chosen="keep",
            ),
        ),
        findings=(
            Finding(
                id="read-only-unit",
                severity=Severity.WARNING,
                what="The brake control unit's record would change and is not written",
                where="brake 0x2F82",
                why="Units of the braking system are read, never written.",
                next_step="Have a licensed workshop enable trailer stabilisation.",
            ),
        ),
    )


def build_preparation(plan: Plan, survey: Survey) -> Preparation:
    """Backups, supply, identities."""
    writes = [step for step in plan.steps if step.before]
    return Preparation(
        plan_digest=compute_digest(plan),
        vin=plan.vin,
        prepared_at="2026-11-21T09:31:05+01:00",
        backups=tuple(
            Backup(
                unit=step.unit,
                address=step.address,
                identifier=step.identifier,
                data=step.before,
                sha256=hashlib.sha256(step.before).hexdigest(),
            )
            for step in writes
        ),
        identities=tuple(
            Identity(
                unit=unit.unit,
                address=unit.address,
                serial=unit.serial,
                hardware=unit.hardware,
                software=unit.software,
            )
            for unit in survey.units
            if unit.unit in {*BEFORE, "body"}
        ),
        wake_checks=(
            WakeCheck(id="ignition", text="Ignition on", met=True, shown_by="read: body 0x2001"),
            WakeCheck(id="bonnet", text="Bonnet open", met=True, shown_by="read: body 0x2003"),
            WakeCheck(id="lamps", text="All lamps off", met=True, shown_by="asked: yes"),
        ),
        supply_volts=13.52,
        support_current_a=50.0,
        ready=True,
        cautions_confirmed=tuple(caution.id for caution in plan.cautions),
    )


def build_change(plan: Plan, preparation: Preparation) -> ChangeRecord:
    """Everything done; one step looked again after a lost link."""
    notes = {
        "s03": (StepState.DONE, "busy at first (0x21), then accepted", 0),
        "s04": (StepState.DONE, "link lost, read back: written", 1),
        "s07": (StepState.ALREADY, "read back: the new bytes are there", 1),
        "s13": (StepState.DONE, "check of the block agreed", 0),
    }
    return ChangeRecord(
        plan_digest=compute_digest(plan),
        preparation_digest=compute_digest(preparation),
        vin=plan.vin,
        steps=tuple(
            StepResult(
                step=step.id,
                unit=step.unit,
                what=step.what,
                state=notes.get(step.id, (StepState.DONE, "", 0))[0],
                detail=notes.get(step.id, (StepState.DONE, "", 0))[1],
                looked_again=notes.get(step.id, (StepState.DONE, "", 0))[2],
            )
            for step in plan.steps
        ),
        finished=True,
        changed=tuple(dict.fromkeys(str(step.unit) for step in plan.steps)),
    )


def build_proof(plan: Plan, change: ChangeRecord) -> Proof:
    """Read back, compared, ticked."""
    verdicts = {
        0xB16013: (0x28, FaultVerdict.OLD, "It has nothing to do with this work."),
        0xC20064: (0x2F, FaultVerdict.EXPECTED, "Until a workshop enables stabilisation."),
        0xB17256: (0x50, FaultVerdict.NOT_TESTED, "The monitor has not run since clearing."),
    }
    faults = [
        FaultComparison(
            unit=UnitId(unit),
            code=FaultCode(code),
            title=title,
            status_before=status,
            status_after=verdicts.get(code, (None, FaultVerdict.GONE, ""))[0],
            verdict=verdicts.get(code, (None, FaultVerdict.GONE, ""))[1],
            explanation=verdicts.get(code, (None, FaultVerdict.GONE, "Its cause is removed."))[2],
        )
        for unit, code, status, title in FAULTS_BEFORE
    ]
    return Proof(
        plan_digest=compute_digest(plan),
        change_digest=compute_digest(change),
        vin=plan.vin,
        proved_at="2026-11-21T09:58:47+01:00",
        read_backs=tuple(
            ReadBack(
                unit=step.unit,
                identifier=step.identifier,
                expected=step.after,
                read=step.after,
                equal=True,
            )
            for step in plan.steps
            if step.after
        ),
        faults=tuple(faults),
        checks=(
            CheckResult(id="lamps", text=plan.checks[0].text, answer="yes"),
            CheckResult(id="silent", text=plan.checks[1].text, answer="yes"),
            CheckResult(id="view", text=plan.checks[2].text, answer="open"),
        ),
        proved=True,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class TowingJob:
    """All records of the job."""

    pack: Pack
    survey: Survey
    bench: Survey
    report: FitReport
    plan: Plan
    preparation: Preparation
    change: ChangeRecord
    proof: Proof


def build_job() -> TowingJob:
    """The whole chain, digests and all."""
    survey, bench = build_survey(), build_bench()
    report = build_report(survey, bench)
    plan = build_plan(survey, report)
    preparation = build_preparation(plan, survey)
    change = build_change(plan, preparation)
    return TowingJob(
        pack=build_pack(),
        survey=survey,
        bench=bench,
        report=report,
        plan=plan,
        preparation=preparation,
        change=change,
        proof=build_proof(plan, change),
    )
