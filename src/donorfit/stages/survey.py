"""Survey: read everything that matters from one car, or from one module on the bench."""

from collections.abc import Generator
from dataclasses import dataclass, replace
from typing import Any

from donorfit.configuration import (
    check_option_list,
    compare_option_lists,
    decode_option_list,
)
from donorfit.diagnostics.conversation import Together
from donorfit.diagnostics.negative_response import AUTHENTICATION_WANTED, AUTHENTICATION_WORDS
from donorfit.diagnostics.readings import (
    Missing,
    read_faults,
    read_identifier,
    read_supply,
    read_text,
)
from donorfit.records.finding import Finding, Severity
from donorfit.records.survey import (
    FaultRead,
    OptionListRead,
    RecordRead,
    Survey,
    SurveyKind,
    UnitSurvey,
)
from donorfit.vehicle.control_unit import (
    HARDWARE_IDENTIFIER,
    PART_IDENTIFIER,
    SERIAL_IDENTIFIER,
    SOFTWARE_IDENTIFIER,
    VIN_IDENTIFIER,
    ControlUnit,
)
from donorfit.vehicle.fault_code import write_fault_code
from donorfit.vehicle.identity import CheckDigit
from donorfit.vehicle.pack import Pack
from donorfit.vehicle.vin import VIN_LENGTH, describe_vin_mistake, judge_check_digit

_IDENTITY = (
    ("serial", SERIAL_IDENTIFIER, "read serial number"),
    ("hardware", HARDWARE_IDENTIFIER, "read hardware number"),
    ("part", PART_IDENTIFIER, "read part number"),
    ("software", SOFTWARE_IDENTIFIER, "read software version"),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Read:
    """One unit's survey, and the supply where it is the unit that measures it."""

    unit: UnitSurvey
    supply_volts: float | None


def survey_car(pack: Pack, taken_at: str) -> Generator[Together, Any, Survey]:
    """Read every control unit of the pack, side by side.

    Args:
        pack: the car family.
        taken_at: ISO 8601 time with offset, written into the survey.
    """
    reads: tuple[_Read, ...] = yield Together(
        tuple((unit.id, survey_unit(pack, unit)) for unit in pack.units)
    )
    units = tuple(read.unit for read in reads)
    master = next((unit for unit in pack.list_keepers()), None)
    keeper = next((unit for unit in units if master is not None and unit.unit == master.id), None)
    stored = keeper.option_list if keeper is not None else None
    supplies = [read.supply_volts for read in reads if read.supply_volts is not None]
    survey = Survey(
        kind=SurveyKind.CAR,
        pack=pack.id,
        pack_digest=pack.digest,
        taken_at=taken_at,
        vin=_choose_vin(pack, units, keeper),
        month=stored.month if stored else None,
        options=stored.options if stored else (),
        units=units,
        supply_volts=supplies[0] if supplies else None,
    )
    return replace(survey, findings=list_findings(pack, survey))


def survey_bench(pack: Pack, unit: ControlUnit, taken_at: str) -> Generator[Any, Any, Survey]:
    """Read one module alone on the bench."""
    reads: tuple[_Read, ...] = yield Together(((unit.id, survey_unit(pack, unit)),))
    read = reads[0].unit
    return Survey(
        kind=SurveyKind.BENCH,
        pack=pack.id,
        pack_digest=pack.digest,
        taken_at=taken_at,
        vin=read.vin,
        month=read.option_list.month if read.option_list else None,
        options=(),
        units=(read,),
        supply_volts=reads[0].supply_volts,
    )


def survey_unit(pack: Pack, unit: ControlUnit) -> Generator[Any, Any, _Read]:
    """Read one control unit: identity, option list, configuration records, fault codes."""
    refusals: list[str] = []
    codes: set[int] = set()

    def keep(value: Any, what: str) -> Any:
        if isinstance(value, Missing):
            codes.add(value.code)
            refusals.append(f"{what}: {value.why}")
            return None
        return value

    vin = yield from read_text(unit, VIN_IDENTIFIER, "read VIN")
    if isinstance(vin, Missing) and not vin.answered:
        absent = UnitSurvey(
            unit=unit.id, address=unit.address, answered=False, refusals=(f"VIN: {vin.why}",)
        )
        return _Read(unit=absent, supply_volts=None)
    texts = {"vin": keep(vin, "VIN") or ""}
    for name, identifier, what in _IDENTITY:
        texts[name] = keep((yield from read_text(unit, identifier, what)), what) or ""
    option_list = yield from _read_option_list(pack, unit, refusals)
    records = []
    for record in unit.records:
        data = keep(
            (yield from read_identifier(unit, record.identifier, f"read {record.name}")),
            record.name,
        )
        if data is not None:
            records.append(RecordRead(identifier=record.identifier, data=data))
    report = keep((yield from read_faults(unit)), "fault codes")
    supply_volts = None
    if pack.supply is not None and pack.supply.unit == unit.id:
        supply_volts = keep(
            (yield from read_supply(unit, pack.supply.identifier, pack.supply.volts_per_bit)),
            "supply",
        )
    return _Read(
        unit=UnitSurvey(
            unit=unit.id,
            address=unit.address,
            answered=True,
            option_list=option_list,
            records=tuple(records),
            faults=tuple(
                FaultRead(code=fault.code, status=int(fault.status)) for fault in report.faults
            )
            if report
            else (),
            fault_availability=int(report.availability) if report else 0,
            refusals=tuple(refusals),
            wants_authentication=not codes.isdisjoint(AUTHENTICATION_WANTED),
            **texts,
        ),
        supply_volts=supply_volts,
    )


def _read_option_list(
    pack: Pack, unit: ControlUnit, refusals: list[str]
) -> Generator[Any, Any, OptionListRead | None]:
    store = unit.option_list
    if store is None:
        return None
    data = yield from read_identifier(unit, store.identifier, "read option list")
    if isinstance(data, Missing):
        refusals.append(f"option list: {data.why}")
        return None
    return decode_option_list(store, pack, data)


def _choose_vin(pack: Pack, units: tuple[UnitSurvey, ...], keeper: UnitSurvey | None) -> str:
    """The car's VIN: what the keeper says, else the gateway, else the first unit that says one."""
    gateway = next((unit for unit in units if unit.address == pack.gateway), None)
    for unit in (keeper, gateway, *units):
        if unit is not None and len(unit.vin) == VIN_LENGTH:
            return unit.vin
    return ""


def list_findings(pack: Pack, survey: Survey) -> tuple[Finding, ...]:
    """Doubts and contradictions that show in a survey of a car by itself."""
    return (
        *_check_kind(pack, survey),
        *_check_vin(pack, survey),
        *_check_lists(pack, survey),
        *_check_presence(pack, survey),
        *_check_authentication(survey),
        *_check_refusals(survey),
    )


def _check_kind(pack: Pack, survey: Survey) -> list[Finding]:
    """Whether this may be a donor module alone on the bench that was taken for a car."""
    answered = [unit.unit for unit in survey.units if unit.answered]
    modules = [module for module in pack.modules if [module.unit] == answered]
    if survey.kind is not SurveyKind.CAR or len(survey.units) == 1 or not modules:
        return []
    unit = pack.find_unit(modules[0].unit)
    return [
        Finding(
            id="module-not-car",
            severity=Severity.BLOCKING,
            what=f"Only {unit.title if unit else answered[0]} answers, of "
            f"{len(survey.units)} control units: this looks like a module alone on the bench, "
            "not like a car.",
            where=answered[0],
            next_step=f"For the module: donorfit survey JOB --bench "
            f"{' or '.join(module.id for module in modules)}. For a car: see that ignition and "
            "gateway are on, then survey again.",
        )
    ]


def _check_vin(pack: Pack, survey: Survey) -> list[Finding]:
    findings = []
    mistake = describe_vin_mistake(survey.vin)
    if mistake:
        findings.append(
            Finding(
                id="vin-unreadable",
                severity=Severity.BLOCKING,
                what="The car's VIN could not be read.",
                why=mistake,
                next_step="Check that ignition and gateway are on, then survey again.",
            )
        )
    elif judge_check_digit(survey.vin) is CheckDigit.WRONG:
        findings.append(
            Finding(
                id="vin-check-digit",
                severity=Severity.WARNING,
                what=f"The check digit of {survey.vin} is wrong.",
                why="Numbers that begin with 1 to 5 have to carry it in the ninth place.",
                next_step="Compare it with the number on the car.",
            )
        )
    if not mistake and pack.wmi and not survey.vin.startswith(pack.wmi):
        findings.append(
            Finding(
                id="other-family",
                severity=Severity.BLOCKING,
                what=f"The car {survey.vin} is not of the family that this pack describes.",
                why=f"VINs of {pack.title} begin with {' or '.join(pack.wmi)}.",
                next_step="Use the pack of this car's family.",
            )
        )
    findings.extend(
        Finding(
            id="other-vin",
            severity=Severity.WARNING,
            what=f"Unit {unit.unit} carries another VIN: {unit.vin}.",
            where=unit.unit,
            why=f"The car is {survey.vin}.",
            next_step="Ask where the unit comes from; rules on used parts may apply.",
        )
        for unit in survey.units
        if unit.answered and unit.vin and survey.vin and unit.vin != survey.vin
    )
    return findings


def _check_lists(pack: Pack, survey: Survey) -> list[Finding]:
    findings: list[Finding] = []
    read = []
    for keeper in pack.list_keepers():
        store, unit = keeper.option_list, survey.find_unit(keeper.id)
        held = unit.option_list if unit else None
        if store is None:
            continue
        if held is None:
            findings.append(
                Finding(
                    id="keeper-silent",
                    severity=Severity.BLOCKING,
                    what=f"The option list in {keeper.title} could not be read.",
                    where=keeper.id,
                    next_step="Nothing can be planned without it.",
                )
            )
            continue
        read.append((keeper.id, store, held))
        findings += check_option_list(keeper.id, store, held)
    return [*findings, *compare_option_lists(read)]


def _check_presence(pack: Pack, survey: Survey) -> list[Finding]:
    findings = []
    for unit in pack.units:
        read = survey.find_unit(unit.id)
        if unit.present_option is None or read is None:
            continue
        declared = unit.present_option in survey.options
        if read.answered and not declared:
            findings.append(
                Finding(
                    id="fitted-not-declared",
                    severity=Severity.WARNING,
                    what=f"{unit.title} answers, but {unit.present_option} is not declared.",
                    where=unit.id,
                    evidence=tuple(write_fault_code(fault.code) for fault in read.faults),
                )
            )
        elif declared and not read.answered:
            findings.append(
                Finding(
                    id="declared-not-answering",
                    severity=Severity.WARNING,
                    what=f"{unit.present_option} is declared, but {unit.title} does not answer.",
                    where=unit.id,
                    next_step="Check whether it is fitted, supplied and awake.",
                )
            )
    return findings


def _check_authentication(survey: Survey) -> list[Finding]:
    return [
        Finding(
            id="authentication-wanted",
            severity=Severity.WARNING,
            what=f"Unit {unit.unit} asks for authentication before it says everything.",
            where=unit.unit,
            why=AUTHENTICATION_WORDS,
            next_step="Plan nothing that writes to this unit; ask a workshop that the maker "
            "admits.",
        )
        for unit in survey.units
        if unit.wants_authentication
    ]


def _check_refusals(survey: Survey) -> list[Finding]:
    return [
        Finding(
            id="partly-read",
            severity=Severity.NOTE,
            what=f"Unit {unit.unit} did not say everything.",
            where=unit.unit,
            evidence=unit.refusals,
        )
        for unit in survey.units
        if unit.answered and unit.refusals
    ]
