"""Control units, as a pack describes them."""

from collections.abc import Iterable
from dataclasses import dataclass
from enum import Enum

from donorfit.vehicle.can_identifiers import CanIdentifiers
from donorfit.vehicle.identity import (
    Address,
    DataIdentifier,
    OptionName,
    SoftwareVersion,
    UnitId,
)
from donorfit.vehicle.layout import ConfigurationRecord
from donorfit.vehicle.software import DownloadProcedure, SegmentPlace, SoftwareFormat

VIN_IDENTIFIER = DataIdentifier(0xF190)
SERIAL_IDENTIFIER = DataIdentifier(0xF18C)
HARDWARE_IDENTIFIER = DataIdentifier(0xF191)
SOFTWARE_IDENTIFIER = DataIdentifier(0xF189)
PART_IDENTIFIER = DataIdentifier(0xF187)


class System(Enum):
    """The system a control unit belongs to, as far as safety asks."""

    ORDINARY = "ordinary"
    LIGHTING = "lighting"
    RESTRAINT = "restraint"
    BRAKING = "braking"
    STEERING = "steering"
    IMMOBILISER = "immobiliser"
    HIGH_VOLTAGE = "high voltage"
    ENGINE = "engine"
    DISTANCE_DISPLAY = "distance display"
    MEDIA = "media"
    RADIO = "radio"

    @property
    def read_only(self) -> bool:
        """Units of these systems are read, never written; no option turns that off."""
        return self in _READ_ONLY


_READ_ONLY = frozenset(
    (
        System.RESTRAINT,
        System.BRAKING,
        System.STEERING,
        System.IMMOBILISER,
        System.HIGH_VOLTAGE,
    )
)


class ListEncoding(Enum):
    """How a keeper stores the option list."""

    CODES = "codes"
    """Four ASCII characters an option, in ascending order, filled up with 0x00."""
    BITS = "bits"
    """One bit an option at the option's ``bit`` attribute, least significant bit first."""


class KeeperRole(Enum):
    """Which of the stored lists counts."""

    MASTER = "master"
    COPY = "copy"


@dataclass(frozen=True, slots=True, kw_only=True)
class OptionListStore:
    """The option list in one keeper: the build month in two bytes, then the list.

    Attributes:
        role: the master's list counts; a copy has to agree with it.
        identifier: data identifier of list and build month together.
        encoding: how the options are stored.
        length_bytes: whole length. Bytes 0 and 1 hold year and month as binary coded decimal
            (``0x21 0x07`` is July 2021); the list starts at byte 2.
        session: diagnostic session needed to write.
        security_level: security access level needed to write; 0 where none is.
    """

    role: KeeperRole
    identifier: DataIdentifier
    encoding: ListEncoding
    length_bytes: int
    session: int = 3
    security_level: int = 0


_PLAIN = DownloadProcedure()


@dataclass(frozen=True, slots=True, kw_only=True)
class SoftwareBlock:
    """Software that a control unit can be programmed with.

    Attributes:
        version: version that the unit reports afterwards.
        file: file name inside the pack's ``software`` folder.
        sha256: digest of the file's bytes, lower-case hex.
        memory_address: where the block, or its first piece, is written.
        size_bytes: length of the block, all pieces together.
        hardware: hardware numbers it fits.
        routine_check: routine identifier that checks the block after transfer; 0 for none.
        seconds: realistic duration.
        format: how the file holds its bytes.
        odx_session: programming session of an ODX-F file; empty where it has one.
        replaces: versions that it may replace; empty where any may be there before.
        procedure: how the unit takes it.
    """

    version: SoftwareVersion
    file: str
    sha256: str
    memory_address: int
    size_bytes: int
    hardware: tuple[str, ...]
    routine_check: int
    seconds: float
    format: SoftwareFormat = SoftwareFormat.BINARY
    odx_session: str = ""
    replaces: tuple[SoftwareVersion, ...] = ()
    procedure: DownloadProcedure = _PLAIN

    @property
    def places(self) -> tuple[SegmentPlace, ...]:
        """Where its pieces go."""
        whole = SegmentPlace(address=self.memory_address, size_bytes=self.size_bytes)
        return self.procedure.segments or (whole,)

    def may_replace(self, version: SoftwareVersion | None) -> bool:
        """Whether it may be loaded over this version; None stands for one that is not known."""
        return not self.replaces or version in self.replaces


@dataclass(frozen=True, slots=True, kw_only=True)
class ControlUnit:
    """One control unit of the family.

    Attributes:
        id: name in the pack.
        title: what a person reads.
        address: diagnostic logical address.
        network: name of the network it sits on.
        system: what it belongs to, as far as safety asks.
        present_option: the option that must be declared when the unit is fitted; None where every
            car has it.
        records: configuration records.
        option_list: how it stores the option list; None where it does not.
        hardware: hardware numbers known for the family.
        software_blocks: software it can be programmed with.
        supply_current_a: current while awake.
        write_seconds: realistic duration of one record write.
        reset_seconds: time until it answers again after a reset.
        ring_position: place on the optical ring, counted from the master's output; None if off it.
        programming_session: session number for downloads (ISO 14229-1: 2).
        programming_security_level: security level for downloads; 0 where none is.
        program_memory: ranges that software may be written to; empty where they are not known.
        can: its identifiers on the diagnostic CAN bus; None where it is not reached over CAN.
    """

    id: UnitId
    title: str
    address: Address
    network: str
    system: System = System.ORDINARY
    present_option: OptionName | None = None
    records: tuple[ConfigurationRecord, ...] = ()
    option_list: OptionListStore | None = None
    hardware: tuple[str, ...] = ()
    software_blocks: tuple[SoftwareBlock, ...] = ()
    supply_current_a: float = 0.3
    write_seconds: float = 2.0
    reset_seconds: float = 3.0
    ring_position: int | None = None
    programming_session: int = 2
    programming_security_level: int = 0
    program_memory: tuple[SegmentPlace, ...] = ()

    def has_room_for(self, places: Iterable[SegmentPlace]) -> bool:
        """Whether every piece lies in the memory for software; False where that is not known."""
        return all(any(room.holds(each) for room in self.program_memory) for each in places)

    can: CanIdentifiers | None = None
