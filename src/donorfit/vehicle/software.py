"""Software for a control unit: bytes at addresses, and how they are brought into the unit."""

from dataclasses import dataclass
from enum import Enum


class SoftwareFormat(Enum):
    """Open formats of software files."""

    BINARY = "binary"
    INTEL_HEX = "intel-hex"
    S_RECORD = "s-record"
    ODX_F = "odx-f"


class Digest(Enum):
    """What a unit compares the received bytes with."""

    NONE = "none"
    CRC32 = "crc32"
    CRC16 = "crc16-ccitt-false"
    SHA256 = "sha256"


class CheckScope(Enum):
    """After what the check routine is started."""

    SEGMENT = "segment"
    ALL = "all"


class EraseRecord(Enum):
    """Option record of the erase routine."""

    NONE = "none"
    ADDRESS_AND_SIZE = "address and size"


@dataclass(frozen=True, slots=True, kw_only=True)
class SegmentPlace:
    """Where one piece of software goes.

    Attributes:
        address: first address.
        size_bytes: bytes in the file, as they are transferred.
        unpacked_bytes: bytes that the unit makes of them; 0 where they are the same.
    """

    address: int
    size_bytes: int
    unpacked_bytes: int = 0

    @property
    def memory_bytes(self) -> int:
        """Bytes that the piece takes in the unit's memory."""
        return self.unpacked_bytes or self.size_bytes

    def holds(self, other: "SegmentPlace") -> bool:
        """Whether another place lies inside this one."""
        end = self.address + self.memory_bytes
        return self.address <= other.address and other.address + other.memory_bytes <= end


@dataclass(frozen=True, slots=True, kw_only=True)
class SoftwareSegment:
    """One piece of software without a gap in it; ``unpacked_bytes`` as in SegmentPlace."""

    address: int
    data: bytes
    unpacked_bytes: int = 0

    @property
    def place(self) -> SegmentPlace:
        """Where it goes."""
        return SegmentPlace(
            address=self.address, size_bytes=len(self.data), unpacked_bytes=self.unpacked_bytes
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class SoftwareImage:
    """What a software file holds.

    Attributes:
        sha256: digest of the file's bytes, lower-case hex.
        segments: its pieces, in the order in which they are transferred.
    """

    sha256: str
    segments: tuple[SoftwareSegment, ...]

    @property
    def data(self) -> bytes:
        """The bytes of all pieces, one after the other."""
        return b"".join(each.data for each in self.segments)

    @property
    def places(self) -> tuple[SegmentPlace, ...]:
        """Where the pieces go."""
        return tuple(each.place for each in self.segments)


@dataclass(frozen=True, slots=True, kw_only=True)
class DownloadProcedure:
    """How a unit takes its software; identifiers and forms are the pack's, 0 stands for none.

    Attributes:
        segments: where the pieces go, in their order; empty for one piece at the block's address.
        data_format: dataFormatIdentifier of 0x34 and 0x38, compression in the high nibble and
            encryption in the low one; the bytes are passed on as they are.
        address_bytes: bytes of an address in 0x34 and in the erase record.
        length_bytes: bytes of a size there.
        routine_erase: routine that erases before each 0x34; 0 where 0x34 itself erases.
        erase_record: its option record.
        check_digest: what the check routine is given.
        check_scope: whether each piece is checked, or all of them together.
        good_status: status record that a routine which agrees begins with; empty: any answer.
        exit_digest: what 0x37 carries, over the piece just transferred.
        routine_dependencies: routine that is started once everything is checked.
        file_path: name in the unit's file system; with it 0x38 stands in the place of 0x34.
        resumable: whether the unit offers 0x38 with mode 0x06 after an interruption.
    """

    segments: tuple[SegmentPlace, ...] = ()
    data_format: int = 0
    address_bytes: int = 4
    length_bytes: int = 4
    routine_erase: int = 0
    erase_record: EraseRecord = EraseRecord.ADDRESS_AND_SIZE
    check_digest: Digest = Digest.CRC32
    check_scope: CheckScope = CheckScope.ALL
    good_status: bytes = b"\x00"
    exit_digest: Digest = Digest.NONE
    routine_dependencies: int = 0
    file_path: str = ""
    resumable: bool = False
