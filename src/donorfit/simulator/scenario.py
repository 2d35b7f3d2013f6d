"""What a simulated car truly is, as frozen values; ``docs/scenario-format.md`` says it in words.

Options are four-character codes here, never names: the car knows nothing of packs.
"""

from dataclasses import dataclass
from enum import Enum

from donorfit.simulator.causes import Cause
from donorfit.vehicle.can_identifiers import CanIdentifiers
from donorfit.vehicle.identity import Address, DataIdentifier, FaultCode, UnitId

NEUTRAL_VIN = b"\xff" * 17
DEMO_SECRET = b"DEMO"
FUNCTIONAL_ADDRESS = Address(0xE400)
VIN = DataIdentifier(0xF190)


class ScenarioKind(Enum):
    """A whole car, or one control unit alone on the bench."""

    CAR = "car"
    BENCH = "bench"


class WhenAbsent(Enum):
    """What the gateway does with requests to a unit that is described but not fitted."""

    SILENT = "silent"
    UNREACHABLE = "unreachable"


class VinWriting(Enum):
    """Whether a unit accepts a VIN."""

    NEVER = "never"
    WHILE_NEUTRAL = "while neutral"


class KeeperEncoding(Enum):
    """How a keeper stores the options."""

    CODES = "codes"
    BITS = "bits"


class MonitorRuns(Enum):
    """When the test behind a fault code runs."""

    CONTINUOUSLY = "continuously"
    AFTER_RESET = "after reset"


class DisturbanceKind(Enum):
    """What a disturbance does to one request."""

    BUSY = "busy"
    PENDING = "pending"
    SILENCE = "silence"
    LATE_ANSWER = "late answer"
    DROP_CONNECTION = "drop connection"
    RESET = "reset"
    REFUSE = "refuse"
    STORE_DIFFERENTLY = "store differently"
    SUPPLY_DIP = "supply dip"


@dataclass(frozen=True, slots=True, kw_only=True)
class Timing:
    """Times of ISO 14229-2 that every unit of the car keeps."""

    p2_ms: int = 50
    p2_star_ms: int = 5000
    s3_s: float = 5.0
    answer_s: float = 0.005


@dataclass(frozen=True, slots=True, kw_only=True)
class SecurityTruth:
    """Security access: the secret in the demo key, wrong keys allowed, length of the lock-out."""

    secret: bytes = DEMO_SECRET
    attempts: int = 3
    delay_s: float = 10.0


@dataclass(frozen=True, slots=True, kw_only=True)
class SupplyTruth:
    """Battery and its support; without a support the limit is 0."""

    battery_ah: float = 70.0
    charge_percent: float = 80.0
    internal_resistance_ohm: float = 0.006
    base_current_a: float = 12.0
    support_volts: float = 13.6
    support_limit_a: float = 50.0


@dataclass(frozen=True, slots=True, kw_only=True)
class SupplyReading:
    """Identifier under which a unit reports the supply, two bytes big endian."""

    identifier: DataIdentifier
    volts_per_bit: float


@dataclass(frozen=True, slots=True, kw_only=True)
class KeeperTruth:
    """The option list in one unit, as the bytes it starts with."""

    master: bool
    identifier: DataIdentifier
    encoding: KeeperEncoding
    content: bytes
    session: int = 3
    security_level: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class ChecksumTruth:
    """A checksum that the unit tests before it stores a record; places are bytes, inclusive."""

    algorithm: str
    byte: int
    first_byte: int
    last_byte: int


@dataclass(frozen=True, slots=True, kw_only=True)
class AllowedValues:
    """Masked values that one byte may have."""

    byte: int
    values: tuple[int, ...]
    mask: int = 0xFF


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordTruth:
    """One configuration record: its first content and what the unit asks of a write."""

    identifier: DataIdentifier
    content: bytes
    session: int = 3
    security_level: int = 0
    writable: bool = True
    kept_bytes: tuple[int, ...] = ()
    checksum: ChecksumTruth | None = None
    allowed: tuple[AllowedValues, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class SegmentTruth:
    """One piece of a block: its place, its bytes as transferred, and what the unit makes of them.

    ``unpacked_bytes`` is 0 where they are the same.
    """

    memory_address: int
    size_bytes: int
    crc32: int
    unpacked_bytes: int = 0

    @property
    def place(self) -> tuple[int, int]:
        """Address and bytes in memory, as 0x34 names them."""
        return self.memory_address, self.unpacked_bytes or self.size_bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class BlockTruth:
    """Software that a unit can be given, how it takes it, and what it checks about it.

    Attributes:
        version: software version once it is taken.
        memory_address: where it goes; without segments it is one piece.
        size_bytes: all its bytes as they are transferred.
        crc32: CRC-32 over all of them in order.
        routine_check: routine that compares them.
        seconds: whole duration.
        session: session that it needs.
        security_level: level that it needs.
        records: records that this version starts with.
        segments: its pieces, where there is more than one.
        data_format: dataFormatIdentifier that it has to come with.
        routine_erase: routine that erases; 0 where 0x34 does.
        check_each: whether every piece is compared by itself.
        exit_crc: whether 0x37 has to carry the piece's CRC-32.
        routine_dependencies: routine that takes it into use; 0 where the check does.
        file_path: name by which 0x38 brings it; empty where 0x34 does.
        resumable: whether 0x38 offers to go on after an interruption.
    """

    version: str
    memory_address: int
    size_bytes: int
    crc32: int
    routine_check: int
    seconds: float
    session: int = 2
    security_level: int = 0
    records: tuple[tuple[DataIdentifier, bytes], ...] = ()
    segments: tuple[SegmentTruth, ...] = ()
    data_format: int = 0
    routine_erase: int = 0
    check_each: bool = False
    exit_crc: bool = False
    routine_dependencies: int = 0
    file_path: str = ""
    resumable: bool = False

    @property
    def pieces(self) -> tuple[SegmentTruth, ...]:
        """Its pieces, at least one."""
        whole = SegmentTruth(
            memory_address=self.memory_address, size_bytes=self.size_bytes, crc32=self.crc32
        )
        return self.segments or (whole,)


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultTruth:
    """A fault code that a unit can have, and what makes it fail."""

    code: FaultCode
    cause: Cause
    title: str = ""
    monitor_s: float = 2.0
    runs: MonitorRuns = MonitorRuns.CONTINUOUSLY
    confirm_cycles: int = 1
    warning: bool = False
    status: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitTruth:
    """One control unit; the VIN is 17 bytes, :data:`NEUTRAL_VIN` where it has none."""

    id: UnitId
    address: Address
    vin: bytes
    title: str = ""
    fitted: bool = True
    vin_writing: VinWriting = VinWriting.NEVER
    serial: str = ""
    hardware: str = ""
    software: str = "1.0.0"
    part: str = ""
    supply_current_a: float = 0.3
    write_s: float = 2.0
    reset_s: float = 3.0
    max_block_length: int = 0x0FFF
    lowest_volts: float = 9.0
    highest_volts: float = 16.0
    availability_mask: int = 0xFF
    data: tuple[tuple[DataIdentifier, bytes], ...] = ()
    supply_reading: SupplyReading | None = None
    security: SecurityTruth = SecurityTruth()
    keeper: KeeperTruth | None = None
    records: tuple[RecordTruth, ...] = ()
    blocks: tuple[BlockTruth, ...] = ()
    faults: tuple[FaultTruth, ...] = ()
    can: CanIdentifiers | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ByteTest:
    """A masked byte in a unit's memory has a value."""

    unit: UnitId
    identifier: DataIdentifier
    byte: int
    value: int
    mask: int = 0xFF


@dataclass(frozen=True, slots=True, kw_only=True)
class SentMessage:
    """A message and when its sender sends it: while all tests hold."""

    name: str
    sender: UnitId
    sent_when: tuple[ByteTest, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Disturbance:
    """Something that happens once, at the n-th matching request; keys as in the format's table."""

    unit: UnitId
    service: int
    kind: DisturbanceKind
    identifier: int | None = None
    occurrence: int = 1
    times: int = 1
    seconds: float = 0.0
    executed: bool = False
    refuse_s: float = 0.0
    code: int = 0
    byte: int = 0
    value: int = 0
    volts: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Scenario:
    """One simulated car."""

    title: str
    kind: ScenarioKind
    vin: bytes
    gateway: Address
    units: tuple[UnitTruth, ...]
    eid: bytes = b"\x02\x00\x00\x00\x00\x01"
    gid: bytes = b"\x02\x00\x00\x00\x00\x01"
    functional_address: Address = FUNCTIONAL_ADDRESS
    testers: tuple[Address, ...] = ()
    max_connections: int = 4
    when_absent: WhenAbsent = WhenAbsent.SILENT
    timing: Timing = Timing()
    supply: SupplyTruth = SupplyTruth()
    option_bits: tuple[tuple[str, int], ...] = ()
    messages: tuple[SentMessage, ...] = ()
    disturbances: tuple[Disturbance, ...] = ()

    def find_unit(self, unit: UnitId) -> int:
        """Place of a unit; -1 where there is none of that name."""
        return next((place for place, each in enumerate(self.units) if each.id == unit), -1)
