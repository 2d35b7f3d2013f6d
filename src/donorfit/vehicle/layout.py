"""How the bytes of one configuration record are read: layouts and fields.

Bit positions follow DBC: bit ``8 * byte + n``, ``n = 0`` the least significant bit of its byte.
``first_bit`` is a field's least significant bit where the byte order is little endian and its most
significant bit where it is big endian.
"""

from dataclasses import dataclass
from enum import Enum

from donorfit.vehicle.expression import Condition
from donorfit.vehicle.identity import DataIdentifier, SoftwareVersion


class ByteOrder(Enum):
    """Order of the bytes of a field wider than one byte."""

    LITTLE = "little"
    BIG = "big"


class FieldKind(Enum):
    """What decides a field's value."""

    DERIVED = "derived"
    """It follows from options, build month and software; the owner may have customised it."""
    PER_CAR = "per car"
    """Serial numbers, learnt values, counters: never predicted, always kept."""
    FIXED = "fixed"
    """The same in every car; read only or write once."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """One named value of a field."""

    raw: int
    name: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Scale:
    """Physical value ``raw * factor + offset`` in ``unit``."""

    factor: float
    offset: float
    unit: str


@dataclass(frozen=True, slots=True, kw_only=True)
class DerivationRule:
    """``raw`` is the value where ``condition`` holds; the first rule that holds decides."""

    condition: Condition
    raw: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Field:
    """One named value in a configuration record.

    Attributes:
        name: identity of the field across layouts of different software versions.
        title: what a person reads.
        first_bit: see the module's docstring.
        bit_length: 1..64.
        byte_order: order of the bytes.
        signed: two's complement.
        kind: what decides the value.
        choices: named values; empty where the field is a number.
        scale: how a number is read; None for choices and raw numbers.
        rules: derivation rules in order, only for DERIVED.
        same_fact: name of a fact that fields of other units hold too; empty where none does.
    """

    name: str
    title: str
    first_bit: int
    bit_length: int
    byte_order: ByteOrder = ByteOrder.BIG
    signed: bool = False
    kind: FieldKind = FieldKind.DERIVED
    choices: tuple[Choice, ...] = ()
    scale: Scale | None = None
    rules: tuple[DerivationRule, ...] = ()
    same_fact: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Checksum:
    """A checksum inside a record, over all other bytes from ``first_byte`` to ``last_byte``.

    Attributes:
        algorithm: a name that :mod:`donorfit.configuration` knows (``crc8-sae-j1850``,
            ``crc8-autosar``, ``crc16-ccitt-false``, ``sum8``, ``xor8``).
        byte: place of the checksum's first byte (big endian).
        first_byte: first byte covered.
        last_byte: last byte covered, inclusive; bytes of the checksum itself are left out.
    """

    algorithm: str
    byte: int
    first_byte: int
    last_byte: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """The meaning of a record's bytes for a range of software versions, half open."""

    length_bytes: int
    fields: tuple[Field, ...]
    software_from: SoftwareVersion | None = None
    software_before: SoftwareVersion | None = None
    checksum: Checksum | None = None

    def covers(self, software: SoftwareVersion | None) -> bool:
        """Whether this layout is the one of a software version (unknown: only an open range)."""
        if software is None:
            return self.software_from is None and self.software_before is None
        return (self.software_from is None or software >= self.software_from) and (
            self.software_before is None or software < self.software_before
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class ConfigurationRecord:
    """The bytes that a control unit is configured with under one data identifier.

    Attributes:
        name: what a person reads.
        identifier: data identifier that reads and writes it.
        layouts: one per range of software versions.
        session: diagnostic session needed to write (ISO 14229-1: 3 extended).
        security_level: odd security access level needed to write; 0 where none is.
        writable: false where the unit refuses writes by design.
    """

    name: str
    identifier: DataIdentifier
    layouts: tuple[Layout, ...]
    session: int = 3
    security_level: int = 0
    writable: bool = True

    def choose_layout(self, software: SoftwareVersion | None) -> Layout | None:
        """The layout for a software version; None where the pack has none."""
        return next((each for each in self.layouts if each.covers(software)), None)
