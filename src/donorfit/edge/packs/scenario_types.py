"""Kinds of value in a scenario file, and the base of its tables. Slow to import."""

from typing import Annotated, Any

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    WithJsonSchema,
)

from donorfit.simulator.checksums import ALGORITHMS
from donorfit.simulator.option_list import CODE_BYTES
from donorfit.vehicle.expression import parse_condition
from donorfit.vehicle.fault_code import parse_fault_code
from donorfit.vehicle.identity import BuildMonth
from donorfit.vehicle.vin import describe_vin_mistake

MOST_SECONDS = 86_400.0
MOST_BYTES = 0xFFFF


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


def check_vin(value: str) -> str:
    """Refuse what has not the shape of a VIN."""
    mistake = describe_vin_mistake(value)
    if mistake:
        message = f"this is no VIN: {mistake}"
        raise ValueError(message)
    return value


def check_unit_vin(value: str) -> str:
    """As :func:`check_vin`, with the two words for the car's own and for none."""
    return value if value in {"car", "none"} else check_vin(value)


def check_algorithm(value: str) -> str:
    """Refuse a checksum that the car does not know."""
    if value not in ALGORITHMS:
        message = f"known checksums are {', '.join(ALGORITHMS)}"
        raise ValueError(message)
    return value


_HEX_SCHEMA = {"type": "string", "pattern": r"^(\s*[0-9A-Fa-f]{2})*\s*$"}
HexBytes = Annotated[
    bytes,
    BeforeValidator(_read_hex),
    WithJsonSchema(_HEX_SCHEMA),
    Field(min_length=1, max_length=MOST_BYTES),
]
SixBytes = Annotated[HexBytes, Field(min_length=6, max_length=6)]
FourBytes = Annotated[HexBytes, Field(min_length=4, max_length=4)]
Word = Annotated[int, Field(ge=0, le=0xFFFF)]
Byte = Annotated[int, Field(ge=0, le=0xFF)]
LongWord = Annotated[int, Field(ge=0, le=0xFFFF_FFFF)]
Place = Annotated[int, Field(ge=0, lt=MOST_BYTES)]
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
