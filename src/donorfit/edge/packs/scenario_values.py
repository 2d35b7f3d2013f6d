"""From the shapes of a scenario file to the simulator's frozen values."""

from typing import TYPE_CHECKING

from donorfit.errors import Mistake
from donorfit.simulator import causes, scenario
from donorfit.simulator.option_list import OptionBits, write_list
from donorfit.vehicle.can_identifiers import CanIdentifiers
from donorfit.vehicle.expression import parse_condition
from donorfit.vehicle.identity import Address, BuildMonth, DataIdentifier, FaultCode, UnitId

if TYPE_CHECKING:
    from donorfit.edge.packs import scenario_fault_shapes as fault_shapes
    from donorfit.edge.packs import scenario_shapes as shapes
    from donorfit.edge.packs.toml_lines import Path, TomlText


def build_scenario(
    text: "TomlText", shape: "shapes.ScenarioShape"
) -> tuple[scenario.Scenario, tuple[Mistake, ...]]:
    """The scenario, and option lists that cannot be written as their keeper stores them."""
    bits = tuple(sorted(shape.option_bits.items()))
    late: list[Mistake] = []
    units: list[scenario.UnitTruth] = []
    for place, unit in enumerate(shape.unit):
        keeper = None
        if unit.keeper is not None:
            path: Path = ("unit", place, "keeper", "options")
            try:
                keeper = _build_keeper(unit.keeper, bits)
            except ValueError as error:
                late.append(text.mistake(path, str(error), "mend the list, or its length"))
        units.append(_build_unit(shape, unit, keeper))
    car = shape.car
    return (
        scenario.Scenario(
            title=shape.title,
            kind=scenario.ScenarioKind(shape.kind),
            vin=car.vin.encode("ascii"),
            gateway=Address(car.gateway),
            units=tuple(units),
            eid=car.eid,
            gid=car.gid,
            functional_address=Address(car.functional_address),
            testers=tuple(Address(each) for each in car.testers),
            max_connections=car.max_connections,
            when_absent=scenario.WhenAbsent(car.when_absent),
            timing=scenario.Timing(**shape.timing.model_dump()),
            supply=scenario.SupplyTruth(**shape.supply.model_dump()),
            option_bits=bits,
            messages=tuple(_build_message(each) for each in shape.message),
            disturbances=tuple(_build_disturbance(each) for each in shape.disturbance),
        ),
        tuple(late),
    )


def _build_keeper(keeper: "shapes.KeeperShape", bits: OptionBits) -> scenario.KeeperTruth:
    encoding = scenario.KeeperEncoding(keeper.encoding)
    content = keeper.bytes
    if content is None:
        content = write_list(
            BuildMonth.parse(keeper.build_month or ""),
            frozenset(keeper.options or ()),
            encoding=encoding,
            length_bytes=keeper.length_bytes,
            bits=bits,
        )
    return scenario.KeeperTruth(
        master=keeper.role == "master",
        identifier=DataIdentifier(keeper.identifier),
        encoding=encoding,
        content=content,
        session=keeper.session,
        security_level=keeper.security_level,
    )


def _build_unit(
    shape: "shapes.ScenarioShape",
    unit: "shapes.UnitShape",
    keeper: scenario.KeeperTruth | None,
) -> scenario.UnitTruth:
    vins = {"car": shape.car.vin.encode("ascii"), "none": scenario.NEUTRAL_VIN}
    security = {
        **shape.security.model_dump(exclude_none=True),
        **unit.security.model_dump(exclude_none=True),
    }
    reading = unit.supply_reading
    return scenario.UnitTruth(
        id=UnitId(unit.id),
        address=Address(unit.address),
        vin=vins.get(unit.vin) or unit.vin.encode("ascii"),
        title=unit.title,
        fitted=unit.fitted,
        vin_writing=scenario.VinWriting(unit.vin_writable),
        serial=unit.serial,
        hardware=unit.hardware,
        software=unit.software,
        part=unit.part,
        supply_current_a=unit.supply_current_a,
        write_s=unit.write_s,
        reset_s=unit.reset_s,
        max_block_length=unit.max_block_length,
        lowest_volts=unit.lowest_volts,
        highest_volts=unit.highest_volts,
        availability_mask=unit.availability_mask,
        data=tuple((DataIdentifier(int(key, 16)), content) for key, content in unit.data.items()),
        supply_reading=None
        if reading is None
        else scenario.SupplyReading(
            identifier=DataIdentifier(reading.identifier), volts_per_bit=reading.volts_per_bit
        ),
        security=scenario.SecurityTruth(**security),
        keeper=keeper,
        records=tuple(_build_record(each) for each in unit.record),
        blocks=tuple(_build_block(each) for each in unit.software_block),
        faults=tuple(_build_fault(UnitId(unit.id), each) for each in unit.fault),
        can=build_can(unit.can) if unit.can else None,
    )


def build_can(can: "shapes.CanShape") -> CanIdentifiers:
    """The identifiers that a shape describes."""
    return CanIdentifiers(
        wide=can.identifier_bits == 29,  # noqa: PLR2004 - the standard's long identifiers
        **can.model_dump(exclude={"identifier_bits"}),
    )


def _build_record(record: "shapes.RecordShape") -> scenario.RecordTruth:
    checksum = record.checksum
    return scenario.RecordTruth(
        identifier=DataIdentifier(record.identifier),
        content=record.bytes,
        session=record.session,
        security_level=record.security_level,
        writable=record.writable,
        kept_bytes=record.kept_bytes,
        checksum=None if checksum is None else scenario.ChecksumTruth(**checksum.model_dump()),
        allowed=tuple(
            scenario.AllowedValues(byte=each.byte, values=each.values, mask=each.mask)
            for each in record.allowed
        ),
    )


def _build_block(block: "shapes.SoftwareBlockShape") -> scenario.BlockTruth:
    return scenario.BlockTruth(
        records=tuple((DataIdentifier(each.identifier), each.bytes) for each in block.record),
        segments=tuple(scenario.SegmentTruth(**each.model_dump()) for each in block.segments),
        **block.model_dump(exclude={"record", "segments"}),
    )


def _build_fault(unit: UnitId, fault: "fault_shapes.FaultShape") -> scenario.FaultTruth:
    return scenario.FaultTruth(
        code=FaultCode(fault.code),
        cause=_build_cause(unit, fault.cause),
        title=fault.title,
        monitor_s=fault.monitor_s,
        runs=scenario.MonitorRuns(fault.runs),
        confirm_cycles=fault.confirm_cycles,
        warning=fault.warning,
        status=fault.status,
    )


def _build_cause(unit: UnitId, cause: "fault_shapes.CauseShape") -> causes.Cause:  # noqa: C901, PLR0911 - one a kind
    match cause.kind:
        case "unit not declared":
            return causes.UnitNotDeclared(unit=UnitId(cause.unit), option=cause.option)
        case "unit missing":
            return causes.UnitMissing(unit=UnitId(cause.unit), option=cause.option)
        case "lists disagree":
            return causes.ListsDisagree()
        case "option contradicts":
            return causes.OptionContradicts(when=parse_condition(cause.when))
        case "month disagrees":
            return causes.MonthDisagrees(
                month_from=_read_month(cause.month_from),
                month_before=_read_month(cause.month_before),
            )
        case "configuration disagrees":
            demands = tuple(_build_demand(unit, each) for each in cause.demand)
            return causes.ConfigurationDisagrees(demands=demands)
        case "message missing":
            return causes.MessageMissing(messages=cause.messages)
        case "supply low":
            return causes.SupplyLow(below_volts=cause.below_volts)
        case "another car's vin":
            return causes.OtherCarsVin(neutral_fails=cause.neutral_fails)
        case "ring break":
            return causes.RingBreak(units=tuple(UnitId(each) for each in cause.units))
        case "stored":
            return causes.Stored()


def _build_demand(unit: UnitId, demand: "fault_shapes.DemandShape") -> causes.Demand:
    return causes.Demand(
        unit=UnitId(demand.unit or unit),
        identifier=DataIdentifier(demand.identifier),
        byte=demand.byte,
        value=demand.value,
        mask=demand.mask,
        when=parse_condition(demand.when),
    )


def _read_month(text: str | None) -> BuildMonth | None:
    return None if text is None else BuildMonth.parse(text)


def _build_message(message: "shapes.MessageShape") -> scenario.SentMessage:
    return scenario.SentMessage(
        name=message.name,
        sender=UnitId(message.sender),
        sent_when=tuple(
            scenario.ByteTest(
                unit=UnitId(each.unit or message.sender),
                identifier=DataIdentifier(each.identifier),
                byte=each.byte,
                value=each.value,
                mask=each.mask,
            )
            for each in message.sent_when
        ),
    )


def _build_disturbance(disturbance: "shapes.DisturbanceShape") -> scenario.Disturbance:
    kind = scenario.DisturbanceKind(disturbance.kind)
    given = disturbance.model_dump(exclude_none=True, exclude={"kind", "unit"})
    if kind is scenario.DisturbanceKind.DROP_CONNECTION:
        given.setdefault("executed", True)
    return scenario.Disturbance(unit=UnitId(disturbance.unit), kind=kind, **given)
