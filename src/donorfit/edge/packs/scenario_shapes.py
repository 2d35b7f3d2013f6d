"""Shapes of a scenario file: what each key may hold. Slow to import; only readers load it.

What the keys mean says ``docs/scenario-format.md``; checks across keys are in
:mod:`donorfit.edge.packs.scenario_checks`.
"""

from typing import Annotated, Literal

from pydantic import AfterValidator, Field

from donorfit.edge.packs.scenario_fault_shapes import FaultShape
from donorfit.edge.packs.scenario_types import (
    MOST_BYTES,
    MOST_SECONDS,
    Amount,
    AsciiText,
    Byte,
    Code,
    Count,
    FourBytes,
    HexBytes,
    IdentifierText,
    LongWord,
    Month,
    Name,
    Place,
    Positive,
    Seconds,
    SecurityLevel,
    Session,
    Shape,
    SixBytes,
    Word,
    check_algorithm,
    check_unit_vin,
    check_vin,
)

MOST_UNITS = 500
_MOST_OPTIONS = 16_000


class CarShape(Shape):
    """``[car]``."""

    vin: Annotated[str, AfterValidator(check_vin)]
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
    length_bytes: Annotated[int, Field(ge=2, le=MOST_BYTES)]
    build_month: Month | None = None
    options: tuple[Code, ...] | None = Field(default=None, max_length=_MOST_OPTIONS, strict=False)
    bytes: HexBytes | None = None
    session: Session = 3
    security_level: SecurityLevel = 0


class ChecksumShape(Shape):
    """``[unit.record.checksum]``."""

    algorithm: Annotated[str, AfterValidator(check_algorithm)]
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


class SegmentShape(Shape):
    """One piece in ``segments`` of a software block."""

    memory_address: Annotated[int, Field(ge=0, le=0xFF_FFFF_FFFF)]
    size_bytes: Annotated[int, Field(ge=1, le=0xFFFF_FFFF)]
    crc32: LongWord
    unpacked_bytes: Annotated[int, Field(ge=0, le=0xFFFF_FFFF)] = 0


class SoftwareBlockShape(Shape):
    """``[[unit.software_block]]``."""

    version: AsciiText
    memory_address: Annotated[int, Field(ge=0, le=0xFF_FFFF_FFFF)]
    size_bytes: Annotated[int, Field(ge=1, le=0xFFFF_FFFF)]
    crc32: LongWord
    segments: tuple[SegmentShape, ...] = Field(default=(), max_length=1000, strict=False)
    data_format: Byte = 0
    routine_erase: Word = 0
    exit_crc: bool = False
    routine_check: Word
    check_each: bool = False
    routine_dependencies: Word = 0
    file_path: AsciiText = ""
    resumable: bool = False
    seconds: Seconds
    session: Annotated[int, Field(ge=2, le=3)] = 2
    security_level: SecurityLevel = 0
    record: tuple[StartingRecordShape, ...] = Field(default=(), max_length=1000, strict=False)


class CanShape(Shape):
    """``[unit.can]``: identifiers on the diagnostic CAN bus (ISO 15765-2 addressing)."""

    request: Annotated[int, Field(ge=0, lt=1 << 29)]
    response: Annotated[int, Field(ge=0, lt=1 << 29)]
    identifier_bits: Literal[11, 29] = 11
    request_byte: Byte | None = None
    response_byte: Byte | None = None
    flexible_rate: bool = False


class UnitShape(Shape):
    """``[[unit]]``."""

    id: Name
    address: Word
    title: str = ""
    network: str = ""
    fitted: bool = True
    vin: Annotated[str, AfterValidator(check_unit_vin)] = "car"
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
    can: CanShape | None = None
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
