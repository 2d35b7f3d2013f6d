"""What a simulated car remembers at one moment, as frozen values."""

import math
from dataclasses import dataclass, field, replace

from donorfit.vehicle.identity import DataIdentifier

NEVER_S = math.inf
DEFAULT_SESSION = 1
BOOT_SOFTWARE = "0.0.0"
"""Version that a unit without an application reports."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StoreRecord:
    """A write that takes effect when its work is done."""

    identifier: DataIdentifier
    content: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class AcceptBlock:
    """A good check: the block of that place becomes the application."""

    block: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Work:
    """Something the unit is busy with; its effect comes at the end, a reset before loses it."""

    until_s: float
    effect: StoreRecord | AcceptBlock | None = None
    heavy: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Transfer:
    """A download between 0x34 and its check.

    Attributes:
        block: place of the block in the unit's truth.
        piece: place of the piece in the block.
        received_bytes: taken so far.
        crc32: running CRC-32 of what was taken.
        next_counter: block counter that comes next.
        exited: 0x37 was answered.
    """

    block: int
    piece: int = 0
    received_bytes: int = 0
    crc32: int = 0
    next_counter: int = 1
    exited: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Flash:
    """What stands in the memory for software; it lasts without supply.

    Attributes:
        erased: block and piece of what is erased and not written.
        written: block, piece and CRC-32 of what was written since.
        checked: place of the block that passed its check and is not in use yet; -1 for none.
        partial: block, bytes and CRC-32 of a file that was cut off; None where there is none.
    """

    erased: tuple[tuple[int, int], ...] = ()
    written: tuple[tuple[int, int, int], ...] = ()
    checked: int = -1
    partial: tuple[int, int, int] | None = None

    def erase(self, block: int, *pieces: int) -> "Flash":
        """With pieces of a block erased; a cut off file is gone with them."""
        gone = {(block, piece) for piece in pieces}
        return Flash(
            erased=tuple(sorted({*self.erased, *gone})),
            written=tuple(each for each in self.written if each[:2] not in gone),
        )

    def write(self, block: int, piece: int, crc32: int) -> "Flash":
        """With a piece that was received whole."""
        key = (block, piece)
        kept = tuple(each for each in self.written if each[:2] != key)
        return Flash(
            erased=tuple(each for each in self.erased if each != key),
            written=tuple(sorted((*kept, (block, piece, crc32)))),
        )


EMPTY_FLASH = Flash()


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultState:
    """One fault code: status byte (ISO 14229-1, D.2), next test, failed cycles in a row."""

    status: int
    due_s: float
    failed_cycles: int = 0
    seen_low: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitState:
    """One control unit at one moment."""

    memory: tuple[tuple[DataIdentifier, bytes], ...]
    software: str
    application: bool = True
    faults: tuple[FaultState, ...] = ()
    session: int = DEFAULT_SESSION
    session_until_s: float = NEVER_S
    unlocked_level: int = 0
    seed_level: int = 0
    seed: bytes = b""
    seeds_given: int = 0
    wrong_keys: int = 0
    locked_until_s: float = -NEVER_S
    away_until_s: float = -NEVER_S
    transfer: Transfer | None = None
    flash: Flash = EMPTY_FLASH
    routine_result: tuple[int, int] | None = None
    work: Work | None = None

    def read(self, identifier: DataIdentifier) -> bytes | None:
        """Bytes under an identifier; None where the unit stores none."""
        return next((content for key, content in self.memory if key == identifier), None)

    def store(self, identifier: DataIdentifier, content: bytes) -> "UnitState":
        """The unit with other bytes under an identifier."""
        kept = tuple(pair for pair in self.memory if pair[0] != identifier)
        return replace(self, memory=tuple(sorted((*kept, (identifier, content)))))

    def fall_back(self) -> "UnitState":
        """The unit in its default session: locked, without seed or transfer."""
        return replace(
            self,
            session=DEFAULT_SESSION,
            session_until_s=NEVER_S,
            unlocked_level=0,
            seed_level=0,
            seed=b"",
            transfer=None,
            routine_result=None,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Dip:
    """The supply is held down for a while."""

    volts: float
    until_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class CarState:
    """The whole car at one moment; ``seen`` counts matches of each disturbance."""

    units: tuple[UnitState, ...]
    charge_ah: float
    at_s: float
    dip: Dip | None = None
    seen: tuple[int, ...] = field(default=())

    def put_unit(self, place: int, unit: UnitState) -> "CarState":
        """The car with one unit replaced."""
        if self.units[place] is unit:
            return self
        return replace(self, units=(*self.units[:place], unit, *self.units[place + 1 :]))
