"""File shapes of control units: records, layouts, fields, option lists, software."""

from typing import Annotated, Literal

from pydantic import Field

from donorfit.edge.packs.shape_base import (
    Amount,
    Byte,
    Digest,
    FileName,
    HexBytes,
    Level,
    Name,
    Shape,
    Text,
    Version,
    When,
    Word16,
)

DigestKind = Literal["none", "crc32", "crc16-ccitt-false", "sha256"]
Address40 = Annotated[int, Field(ge=0, le=0xFF_FFFF_FFFF)]

MOST_RECORD_BYTES = 4093
"""An ISO-TP message of 4095 bytes less service and identifier."""


class ScaleShape(Shape):
    """Physical value ``raw * factor + offset`` in ``unit``."""

    factor: Annotated[float, Field(allow_inf_nan=False)]
    offset: Annotated[float, Field(allow_inf_nan=False)] = 0.0
    unit: str = ""


class RuleShape(Shape):
    """``value`` (a raw number or the name of a choice) where the condition ``when`` holds."""

    when: When = "always"
    value: int | str


class FieldShape(Shape):
    """One named value in a record; ``first_bit`` counts as in DBC."""

    name: Name
    title: Text
    first_bit: Annotated[int, Field(ge=0, lt=8 * MOST_RECORD_BYTES)]
    bit_length: Annotated[int, Field(ge=1, le=64)]
    byte_order: Literal["big", "little"] = "big"
    signed: bool = False
    kind: Literal["derived", "per car", "fixed"] = "derived"
    choices: dict[str, int] = Field(default_factory=dict)
    scale: ScaleShape | None = None
    rules: list[RuleShape] = Field(default_factory=list)
    same_fact: str = ""


class ChecksumShape(Shape):
    """A checksum inside a record."""

    algorithm: str
    byte: Word16
    first_byte: Word16
    last_byte: Word16


class LayoutShape(Shape):
    """The meaning of a record's bytes for a half-open range of software versions."""

    length_bytes: Annotated[int, Field(ge=1, le=MOST_RECORD_BYTES)]
    software_from: Version | None = None
    software_before: Version | None = None
    checksum: ChecksumShape | None = None
    field: list[FieldShape] = Field(default_factory=list)


class RecordShape(Shape):
    """One configuration record under one data identifier."""

    name: Text
    identifier: Word16
    session: Level = 3
    security_level: Level = 0
    writable: bool = True
    layout: Annotated[list[LayoutShape], Field(min_length=1)]


class OptionListShape(Shape):
    """How a keeper stores build month and option list."""

    role: Literal["master", "copy"]
    identifier: Word16
    encoding: Literal["codes", "bits"]
    length_bytes: Annotated[int, Field(ge=3, le=MOST_RECORD_BYTES)]
    session: Level = 3
    security_level: Level = 0


class SegmentShape(Shape):
    """One piece of software without a gap, as it stands in the file."""

    address: Address40
    size_bytes: Annotated[int, Field(ge=1)]
    unpacked_bytes: Annotated[int, Field(ge=0)] = 0


class MemoryShape(Shape):
    """A range of the unit's memory that software may be written to."""

    address: Address40
    size_bytes: Annotated[int, Field(ge=1)]


class SoftwareShape(Shape):
    """Software that the unit can be programmed with; the file lies in the pack."""

    version: Version
    file: FileName
    format: Literal["binary", "intel-hex", "s-record", "odx-f"] = "binary"
    odx_session: str = ""
    sha256: Digest
    memory_address: Address40
    size_bytes: Annotated[int, Field(ge=1)]
    segments: list[SegmentShape] = Field(default_factory=list)
    hardware: Annotated[list[Text], Field(min_length=1)]
    replaces: list[Version] = Field(default_factory=list)
    seconds: Amount
    data_format: Byte = 0
    address_bytes: Annotated[int, Field(ge=1, le=5)] = 4
    length_bytes: Annotated[int, Field(ge=1, le=5)] = 4
    routine_erase: Word16 = 0
    erase_record: Literal["address and size", "none"] = "address and size"
    exit_digest: DigestKind = "none"
    routine_check: Word16 = 0
    check_digest: DigestKind = "crc32"
    check_scope: Literal["all", "segment"] = "all"
    good_status: HexBytes = "00"
    routine_dependencies: Word16 = 0
    file_path: str = ""
    resumable: bool = False


class CanShape(Shape):
    """``[unit.can]``: identifiers on the diagnostic CAN bus (ISO 15765-2 addressing)."""

    request: Annotated[int, Field(ge=0, lt=1 << 29)]
    response: Annotated[int, Field(ge=0, lt=1 << 29)]
    identifier_bits: Literal[11, 29] = 11
    request_byte: Byte | None = None
    response_byte: Byte | None = None
    flexible_rate: bool = False


class UnitShape(Shape):
    """One control unit of the family."""

    id: Name
    title: Text
    address: Word16
    network: Name
    system: Literal[
        "ordinary",
        "lighting",
        "restraint",
        "braking",
        "steering",
        "immobiliser",
        "high voltage",
        "engine",
        "distance display",
        "media",
        "radio",
    ] = "ordinary"
    present_option: Name | None = None
    hardware: list[Text] = Field(default_factory=list)
    supply_current_a: Amount = 0.3
    write_seconds: Amount = 2.0
    reset_seconds: Amount = 3.0
    ring_position: Byte | None = None
    programming_session: Level = 2
    programming_security_level: Level = 0
    can: CanShape | None = None
    option_list: OptionListShape | None = None
    memory: list[MemoryShape] = Field(default_factory=list)
    software: list[SoftwareShape] = Field(default_factory=list)
    record: list[RecordShape] = Field(default_factory=list)


class UnitsFile(Shape):
    """A file of control units."""

    unit: list[UnitShape] = Field(default_factory=list)
