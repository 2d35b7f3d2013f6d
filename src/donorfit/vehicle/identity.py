"""Names and numbers that identify things in a car."""

import re
from dataclasses import dataclass
from enum import Enum
from typing import NewType, Self

Address = NewType("Address", int)
"""Diagnostic logical address of one control unit, 0..0xFFFF (ISO 13400-2)."""

DataIdentifier = NewType("DataIdentifier", int)
"""Data identifier (DID) of ISO 14229-1, 0..0xFFFF."""

FaultCode = NewType("FaultCode", int)
"""Three-byte fault code as sent in service 0x19 (ISO 14229-1), 0..0xFFFFFF."""

OptionName = NewType("OptionName", str)
"""Name of one option in the pack's rules."""

UnitId = NewType("UnitId", str)
"""Name of one control unit in the pack."""

_MONTH = re.compile(r"(\d{4})-(\d{2})")
_MONTHS_A_YEAR = 12


@dataclass(frozen=True, slots=True, order=True)
class BuildMonth:
    """The production month that a car declares; months count from year 0.

    Attributes:
        ordinal: ``year * 12 + (month - 1)``, so that differences are months.
    """

    ordinal: int

    @classmethod
    def parse(cls, text: str) -> Self:
        """Read ``YYYY-MM``; raise ValueError on anything else."""
        match = _MONTH.fullmatch(text)
        if match is None or not 1 <= int(match[2]) <= _MONTHS_A_YEAR:
            message = f"{text!r} is not a month written as YYYY-MM"
            raise ValueError(message)
        return cls(int(match[1]) * _MONTHS_A_YEAR + int(match[2]) - 1)

    @property
    def year(self) -> int:
        """Calendar year."""
        return self.ordinal // _MONTHS_A_YEAR

    @property
    def month(self) -> int:
        """Month of the year, 1..12."""
        return self.ordinal % _MONTHS_A_YEAR + 1

    def __str__(self) -> str:
        """Write ``YYYY-MM``."""
        return f"{self.year:04d}-{self.month:02d}"


@dataclass(frozen=True, slots=True, order=True)
class SoftwareVersion:
    """A software version of dotted numbers, compared number by number.

    Attributes:
        parts: the numbers, first most significant.
    """

    parts: tuple[int, ...]

    @classmethod
    def parse(cls, text: str) -> Self:
        """Read ``3.10.2``; raise ValueError on anything but dotted decimal numbers."""
        pieces = text.strip().split(".")
        if not all(piece.isascii() and piece.isdigit() for piece in pieces):
            message = f"{text!r} is not a version of dotted numbers"
            raise ValueError(message)
        return cls(tuple(int(piece) for piece in pieces))

    def __str__(self) -> str:
        """Write the numbers with dots."""
        return ".".join(str(part) for part in self.parts)


class CheckDigit(Enum):
    """What the ninth place of a VIN says; a match never proves the whole number right."""

    OK = "ok"
    WRONG = "wrong"
    NOT_APPLICABLE = "not applicable here"
