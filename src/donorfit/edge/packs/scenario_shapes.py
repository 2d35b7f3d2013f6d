"""Shapes of a scenario file: what each key may hold. Slow to import; only readers load it.

What the keys mean says ``docs/scenario-format.md``; checks across keys are in
:mod:`donorfit.edge.packs.scenario_checks`.
"""

from typing import Annotated, Any, Literal

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    WithJsonSchema,
)

from donorfit.diagnostics.fault_codes import parse_fault_code
from donorfit.simulator.checksums import ALGORITHMS
from donorfit.simulator.option_list import CODE_BYTES
from donorfit.vehicle.expression import parse_condition
from donorfit.vehicle.identity import BuildMonth
from donorfit.vehicle.vin import describe_vin_mistake

MOST_UNITS = 500
MOST_SECONDS = 86_400.0
_MOST_OPTIONS = 16_000
_MOST_BYTES = 0xFFFF


def _read_hex(value: Any) -> Any:
    if not isinstance(value, str):
        return value
    try:
        return bytes.fromhex(value)
    except ValueError as error:
        message = "bytes are written as hex pairs, such as '00 1F A0'"
        raise ValueError(message) from error


def _read_fault_code(value: Any) -> Any:
    return parse_fault_code(value) if isinstance(value, str) else value


def _check_ascii(value: str) -> str:
    if not value.isascii() or not value.isprintable():
        message = "only printing ASCII characters"
        raise ValueError(message)
    return value


def _check_code(value: str) -> str:
    if len(value) != CODE_BYTES or not value.isascii() or not value.isalnum():
        message = f"an option code has {CODE_BYTES} ASCII letters or digits"
        raise ValueError(message)
    return value


def _check_condition(value: str) -> str:
    parse_condition(value)
    return value


def _check_month(value: str) -> str:
    BuildMonth.parse(value)
    return value


def _check_vin(value: str) -> str:
    mistake = describe_vin_mistake(value)
    if mistake:
        message = f"this is no VIN: {mistake}"
        raise ValueError(message)
    return value


def _check_unit_vin(value: str) -> str:
    return value if value in {"car", "none"} else _check_vin(value)


def _check_algorithm(value: str) -> str:
    if value not in ALGORITHMS:
        message = f"known checksums are {', '.join(ALGORITHMS)}"
        raise ValueError(message)
    return value


_HEX_SCHEMA = {"type": "string", "pattern": r"^(\s*[0-9A-Fa-f]{2})*\s*$"}
HexBytes = Annotated[
    bytes,
    BeforeValidator(_read_hex),
    WithJsonSchema(_HEX_SCHEMA),
    Field(min_length=1, max_length=_MOST_BYTES),
]
SixBytes = Annotated[HexBytes, Field(min_length=6, max_length=6)]
FourBytes = Annotated[HexBytes, Field(min_length=4, max_length=4)]
Word = Annotated[int, Field(ge=0, le=0xFFFF)]
Byte = Annotated[int, Field(ge=0, le=0xFF)]
LongWord = Annotated[int, Field(ge=0, le=0xFFFF_FFFF)]
Place = Annotated[int, Field(ge=0, lt=_MOST_BYTES)]
Count = Annotated[int, Field(ge=1, le=1000)]
Seconds = Annotated[float, Field(ge=0, le=MOST_SECONDS)]
Positive = Annotated[float, Field(gt=0, le=100_000)]
Amount = Annotated[float, Field(ge=0, le=100_000)]
Name = Annotated[str, Field(min_length=1, max_length=200)]
AsciiText = Annotated[str, Field(max_length=64), AfterValidator(_check_ascii)]
Code = Annotated[str, AfterValidator(_check_code)]
When = Annotated[str, Field(max_length=2000), AfterValidator(_check_condition)]
Month = Annotated[str, AfterValidator(_check_month), Field(pattern=r"^\d{4}-\d{2}$")]
Session = Annotated[int, Field(ge=1, le=3)]
SecurityLevel = Annotated[int, Field(ge=0, le=0x41)]
FaultNumber = Annotated[
    int,
    BeforeValidator(_read_fault_code),
    Field(ge=1, lt=0xFFFFFF),
    WithJsonSchema(
        {
            "anyOf": [
                {"type": "integer", "minimum": 1, "maximum": 0xFFFFFE},
                {"type": "string", "pattern": "^[PCBU][0-3][0-9A-F]{3}(-[0-9A-F]{2})?$"},
            ]
        }
    ),
]
IdentifierText = Annotated[str, Field(pattern=r"^0x[0-9A-Fa-f]{1,4}$")]


class Shape(BaseModel):
    """A table of the file: nothing is converted silently, nothing unknown is let pass."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False)


class CarShape(Shape):
    """``[car]``."""

    vin: Annotated[str, AfterValidator(_check_vin)]
    gateway: Word
    eid: SixBytes = b"\x02\x00\x00\x00\x00\x01"
    gid: SixBytes = b"\x02\x00\x00\x00\x00\x01"
    functional_address: Word = 0xE400
    testers: tuple[Word, ...] = Field(default=(), max_length=100, strict=False)
    max_connections: Annotated[int, Field(ge=1, le=64)] = 4
    when_absent: Literal["silent", "unreachable"] = "silent"


class TimingShape(Shape):
    """``[timing]``."""

    p2_ms: Annotated[int, Field(ge=1, le=0xFFFF)] = 50
    p2_star_ms: Annotated[int, Field(ge=10, le=655_350)] = 5000
    s3_s: Annotated[float, Field(gt=0, le=MOST_SECONDS)] = 5.0
    answer_s: Seconds = 0.005


class SecurityShape(Shape):
    """``[security]`` and ``[unit.security]``; what is left out comes from further up."""

    secret: FourBytes | None = None
    attempts: Annotated[int, Field(ge=1, le=100)] | None = None
    delay_s: Seconds | None = None


class SupplyShape(Shape):
    """``[supply]``."""

    battery_ah: Positive = 70.0
    charge_percent: Annotated[float, Field(ge=0, le=100)] = 80.0
    internal_resistance_ohm: Annotated[float, Field(gt=0, le=10)] = 0.006
    base_current_a: Amount = 12.0
    support_volts: Annotated[float, Field(ge=0, le=20)] = 13.6
    support_limit_a: Amount = 50.0


class SupplyReadingShape(Shape):
    """``[unit.supply_reading]``."""

    identifier: Word
    volts_per_bit: Annotated[float, Field(gt=0, le=1)]


class KeeperShape(Shape):
    """``[unit.keeper]``."""

    role: Literal["master", "copy"]
    identifier: Word
    encoding: Literal["codes", "bits"]
    length_bytes: Annotated[int, Field(ge=2, le=_MOST_BYTES)]
    build_month: Month | None = None
    options: tuple[Code, ...] | None = Field(default=None, max_length=_MOST_OPTIONS, strict=False)
    bytes: HexBytes | None = None
    session: Session = 3
    security_level: SecurityLevel = 0


class ChecksumShape(Shape):
    """``[unit.record.checksum]``."""

    algorithm: Annotated[str, AfterValidator(_check_algorithm)]
    byte: Place
    first_byte: Place
    last_byte: Place


class AllowedShape(Shape):
    """``[[unit.record.allowed]]``."""

    byte: Place
    mask: Byte = 0xFF
    values: tuple[Byte, ...] = Field(min_length=1, max_length=256, strict=False)


class RecordShape(Shape):
    """``[[unit.record]]``."""

    identifier: Word
    bytes: HexBytes
    session: Session = 3
    security_level: SecurityLevel = 0
    writable: bool = True
    kept_bytes: tuple[Place, ...] = Field(default=(), max_length=1000, strict=False)
    checksum: ChecksumShape | None = None
    allowed: tuple[AllowedShape, ...] = Field(default=(), max_length=1000, strict=False)


class StartingRecordShape(Shape):
    """``[[unit.software_block.record]]``."""

    identifier: Word
    bytes: HexBytes


class SoftwareBlockShape(Shape):
    """``[[unit.software_block]]``."""

    version: AsciiText
    memory_address: LongWord
    size_bytes: Annotated[int, Field(ge=1, le=0xFFFF_FFFF)]
    crc32: LongWord
    routine_check: Word
    seconds: Seconds
    session: Annotated[int, Field(ge=2, le=3)] = 2
    security_level: SecurityLevel = 0
    record: tuple[StartingRecordShape, ...] = Field(default=(), max_length=1000, strict=False)


class DemandShape(Shape):
    """``[[unit.fault.cause.demand]]``."""

    unit: Name | None = None
    identifier: Word
    byte: Place
    mask: Byte = 0xFF
    value: Byte
    when: When = "always"


class UnitNotDeclaredShape(Shape):
    """Cause ``unit not declared``."""

    kind: Literal["unit not declared"]
    unit: Name
    option: Code


class UnitMissingShape(Shape):
    """Cause ``unit missing``."""

    kind: Literal["unit missing"]
    unit: Name
    option: Code


class ListsDisagreeShape(Shape):
    """Cause ``lists disagree``."""

    kind: Literal["lists disagree"]


class OptionContradictsShape(Shape):
    """Cause ``option contradicts``."""

    kind: Literal["option contradicts"]
    when: When


class MonthDisagreesShape(Shape):
    """Cause ``month disagrees``."""

    kind: Literal["month disagrees"]
    month_from: Month | None = None
    month_before: Month | None = None


class ConfigurationDisagreesShape(Shape):
    """Cause ``configuration disagrees``."""

    kind: Literal["configuration disagrees"]
    demand: tuple[DemandShape, ...] = Field(min_length=1, max_length=1000, strict=False)


class MessageMissingShape(Shape):
    """Cause ``message missing``."""

    kind: Literal["message missing"]
    messages: tuple[Name, ...] = Field(min_length=1, max_length=1000, strict=False)


class SupplyLowShape(Shape):
    """Cause ``supply low``."""

    kind: Literal["supply low"]
    below_volts: Annotated[float, Field(gt=0, le=20)]


class OtherCarsVinShape(Shape):
    """Cause ``another car's vin``."""

    kind: Literal["another car's vin"]
    neutral_fails: bool = False


class RingBreakShape(Shape):
    """Cause ``ring break``."""

    kind: Literal["ring break"]
    units: tuple[Name, ...] = Field(min_length=1, max_length=100, strict=False)


class StoredShape(Shape):
    """Cause ``stored``."""

    kind: Literal["stored"]


CauseShape = Annotated[
    UnitNotDeclaredShape
    | UnitMissingShape
    | ListsDisagreeShape
    | OptionContradictsShape
    | MonthDisagreesShape
    | ConfigurationDisagreesShape
    | MessageMissingShape
    | SupplyLowShape
    | OtherCarsVinShape
    | RingBreakShape
    | StoredShape,
    Field(discriminator="kind"),
]


class FaultShape(Shape):
    """``[[unit.fault]]``."""

    code: FaultNumber
    title: str = ""
    monitor_s: Annotated[float, Field(ge=0.001, le=MOST_SECONDS)] = 2.0
    runs: Literal["continuously", "after reset"] = "continuously"
    confirm_cycles: Annotated[int, Field(ge=1, le=100)] = 1
    warning: bool = False
    status: Byte | None = None
    cause: CauseShape


class UnitShape(Shape):
    """``[[unit]]``."""

    id: Name
    address: Word
    title: str = ""
    network: str = ""
    fitted: bool = True
    vin: Annotated[str, AfterValidator(_check_unit_vin)] = "car"
    vin_writable: Literal["never", "while neutral"] = "never"
    serial: AsciiText = ""
    hardware: AsciiText = ""
    software: AsciiText = "1.0.0"
    part: AsciiText = ""
    supply_current_a: Amount = 0.3
    write_s: Seconds = 2.0
    reset_s: Seconds = 3.0
    max_block_length: Annotated[int, Field(ge=3, le=0xFFFF_FFFF)] = 0x0FFF
    lowest_volts: Annotated[float, Field(ge=0, le=20)] = 9.0
    highest_volts: Annotated[float, Field(gt=0, le=30)] = 16.0
    availability_mask: Byte = 0xFF
    data: dict[IdentifierText, HexBytes] = Field(default={}, max_length=1000)
    supply_reading: SupplyReadingShape | None = None
    security: SecurityShape = SecurityShape()
    keeper: KeeperShape | None = None
    record: tuple[RecordShape, ...] = Field(default=(), max_length=1000, strict=False)
    software_block: tuple[SoftwareBlockShape, ...] = Field(
        default=(), max_length=100, strict=False
    )
    fault: tuple[FaultShape, ...] = Field(default=(), max_length=2000, strict=False)


class SentWhenShape(Shape):
    """``[[message.sent_when]]``."""

    unit: Name | None = None
    identifier: Word
    byte: Place
    mask: Byte = 0xFF
    value: Byte


class MessageShape(Shape):
    """``[[message]]``."""

    name: Name
    sender: Name
    sent_when: tuple[SentWhenShape, ...] = Field(default=(), max_length=100, strict=False)


class DisturbanceShape(Shape):
    """``[[disturbance]]``."""

    unit: Name
    service: Byte
    kind: Literal[
        "busy",
        "pending",
        "silence",
        "late answer",
        "drop connection",
        "reset",
        "refuse",
        "store differently",
        "supply dip",
    ]
    identifier: Word | None = None
    occurrence: Annotated[int, Field(ge=1, le=1_000_000)] = 1
    times: Count | None = None
    seconds: Seconds | None = None
    executed: bool | None = None
    refuse_s: Seconds | None = None
    code: Byte | None = None
    byte: Place | None = None
    value: Byte | None = None
    volts: Annotated[float, Field(ge=0, le=30)] | None = None


class ScenarioShape(Shape):
    """A whole scenario file."""

    format: Literal["donorfit scenario 1"]
    title: Name
    kind: Literal["car", "bench"] = "car"
    car: CarShape
    timing: TimingShape = TimingShape()
    security: SecurityShape = SecurityShape()
    supply: SupplyShape = SupplyShape()
    option_bits: dict[Code, Place] = Field(default={}, max_length=_MOST_OPTIONS)
    unit: tuple[UnitShape, ...] = Field(min_length=1, max_length=MOST_UNITS, strict=False)
    message: tuple[MessageShape, ...] = Field(default=(), max_length=5000, strict=False)
    disturbance: tuple[DisturbanceShape, ...] = Field(default=(), max_length=1000, strict=False)
