"""What the file shapes of a pack share: strictness, lines, and the texts that name things.

A shape is what one table of a file may hold. Shapes stay at the border: what goes on into the
program are the frozen values of :mod:`donorfit.vehicle`.
"""

import re
from collections.abc import Mapping
from pathlib import PurePosixPath
from typing import Annotated, Any, Self

from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Field,
    ModelWrapValidatorHandler,
    PrivateAttr,
    model_validator,
)

from donorfit.vehicle.expression import parse_condition
from donorfit.vehicle.identity import BuildMonth, SoftwareVersion

_NAME = r"[A-Za-z][A-Za-z0-9_]*"
_HEX = r"(?:[0-9A-Fa-f]{2} ?)*"
_DIGEST = r"[0-9a-f]{64}"


class Table(dict[str, Any]):
    """One table of a TOML file that knows where it stands.

    Attributes:
        path: keys and array places that lead to it.
        line: where it begins, counted from 1.
        lines: line of each of its keys.
        partial: something inside it was wrong and has been taken out.
    """

    __slots__ = ("line", "lines", "partial", "path")

    def __init__(
        self, values: Mapping[str, Any], *, path: tuple[str | int, ...], line: int
    ) -> None:
        super().__init__(values)
        self.path = path
        self.line = line
        self.lines: dict[str, int] = {}
        self.partial = False


class Shape(BaseModel):
    """Base of all shapes: nothing is converted, nothing unknown is let through."""

    model_config = ConfigDict(strict=True, extra="forbid", frozen=True)

    _line: int = PrivateAttr(default=0)
    _lines: dict[str, int] = PrivateAttr(default_factory=dict)
    _partial: bool = PrivateAttr(default=False)

    @model_validator(mode="wrap")
    @classmethod
    def _keep_lines(cls, data: Any, handler: ModelWrapValidatorHandler[Self]) -> Self:
        shape = handler(data)
        if isinstance(data, Table):
            shape._take_lines(data)  # noqa: SLF001 - one of our own
        return shape

    def _take_lines(self, table: Table) -> None:
        self._line, self._lines, self._partial = table.line, table.lines, table.partial

    def get_line(self, key: str = "") -> int:
        """Line of a key, or of the whole table where the key is not written."""
        return self._lines.get(key, self._line)

    @property
    def is_partial(self) -> bool:
        """Whether something inside was wrong, so that nothing may be said of what is missing."""
        return self._partial


def _check_month(text: str) -> str:
    BuildMonth.parse(text)
    return text


def _check_version(text: str) -> str:
    SoftwareVersion.parse(text)
    return text


def _check_condition(text: str) -> str:
    parse_condition(text)
    return text


def _check_name(text: str) -> str:
    if re.fullmatch(_NAME, text) is None:
        message = f"{text!r} is no name (letters, digits and _, a letter first)"
        raise ValueError(message)
    return text


def _check_text(text: str) -> str:
    if not text.strip():
        message = "it is empty"
        raise ValueError(message)
    return text


def _check_digest(text: str) -> str:
    if re.fullmatch(_DIGEST, text) is None:
        message = "it is no SHA-256 (64 lower-case hexadecimal digits)"
        raise ValueError(message)
    return text


def _check_file(text: str) -> str:
    path = PurePosixPath(text)
    if path.is_absolute() or ".." in path.parts or "\\" in text or ":" in text or not path.parts:
        message = f"{text!r} is no name inside the pack (folders with /, no .. and no drive)"
        raise ValueError(message)
    return str(path)


def _check_fault_code(text: str) -> str:
    parse_fault_code(text)
    return text


def parse_fault_code(text: str) -> int:
    """Read ``U0123-87``: two bytes by the table of SAE J2012, then the failure type.

    The letter and the first digit share the four highest bits: P, C, B, U in the upper two, the
    digit 0 to 3 in the lower two (SAE J2012, ISO 15031-6).

    Raises:
        ValueError: the text is no such code.
    """
    match = re.fullmatch(r"([PCBU])([0-3])([0-9A-F]{3})-([0-9A-F]{2})", text)
    if match is None:
        message = f"{text!r} is no fault code such as U0123-87"
        raise ValueError(message)
    top = "PCBU".index(match[1]) << 2 | int(match[2])
    return top << 20 | int(match[3], 16) << 8 | int(match[4], 16)


def _check_hex(text: str) -> str:
    if re.fullmatch(_HEX, text) is None:
        message = f"{text!r} is no row of bytes in hexadecimal digits"
        raise ValueError(message)
    return text


def _describe(pattern: str, example: str) -> Any:
    return Field(json_schema_extra={"pattern": f"^{pattern}$", "examples": [example]})


Text = Annotated[str, AfterValidator(_check_text)]
Name = Annotated[str, AfterValidator(_check_name), _describe(_NAME, "park_distance")]
Month = Annotated[str, AfterValidator(_check_month), _describe(r"\d{4}-\d{2}", "2021-07")]
Version = Annotated[str, AfterValidator(_check_version), _describe(r"\d+(\.\d+)*", "3.10")]
When = Annotated[
    str,
    AfterValidator(_check_condition),
    Field(json_schema_extra={"examples": ["towing & month >= 2021-07"]}),
]
Digest = Annotated[str, AfterValidator(_check_digest), _describe(_DIGEST, "00" * 32)]
HexBytes = Annotated[str, AfterValidator(_check_hex), _describe(_HEX, "00 1F")]
FileName = Annotated[
    str, AfterValidator(_check_file), Field(json_schema_extra={"examples": ["units/body.toml"]})
]
FaultText = Annotated[
    str,
    AfterValidator(_check_fault_code),
    _describe("[PCBU][0-3][0-9A-F]{3}-[0-9A-F]{2}", "U0123-87"),
]
Word16 = Annotated[int, Field(ge=0, le=0xFFFF)]
Byte = Annotated[int, Field(ge=0, le=0xFF)]
Level = Annotated[int, Field(ge=0, le=0x7E)]
Amount = Annotated[float, Field(ge=0, le=1e9, allow_inf_nan=False)]
