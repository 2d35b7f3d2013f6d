"""What is known of a software file once it is read, and the collecting of its mistakes."""

import zlib
from collections.abc import Sequence
from dataclasses import dataclass, field
from hashlib import sha256

from donorfit.errors import InputError, Mistake
from donorfit.vehicle.software import SoftwareFormat, SoftwareImage, SoftwareSegment

MOST_MISTAKES = 20
"""Mistakes that are listed; further ones are counted."""
HIGHEST_ADDRESS = 0xFF_FFFF_FFFF
"""Five bytes: the widest address that a request for a download carries here."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SoftwareReading:
    """A software file without mistakes.

    Attributes:
        file: name as the user gave it.
        format: its format.
        file_bytes: length of the file.
        image: its pieces and the file's digest.
        has_address: whether the file itself says where the bytes go.
        notes: what the file says besides, and what has to be known about it.
        idents: what the file says of the unit it is for, name and allowed values.
        data_format: dataFormatIdentifier that the file asks for.
    """

    file: str
    format: SoftwareFormat
    file_bytes: int
    image: SoftwareImage
    has_address: bool = True
    notes: tuple[str, ...] = ()
    idents: tuple[tuple[str, tuple[str, ...]], ...] = ()
    data_format: int = 0


@dataclass(slots=True)
class FileMistakes:
    """The mistakes of one file, so that they are reported together.

    Attributes:
        file: name as the user gave it.
        found: at most :data:`MOST_MISTAKES`.
        left_out: mistakes beyond that.
    """

    file: str
    found: list[Mistake] = field(default_factory=list)
    left_out: int = 0

    def add(self, line: int, what: str, next_step: str) -> None:
        """Note one; line 0 stands for the whole file."""
        if len(self.found) < MOST_MISTAKES:
            self.found.append(Mistake(file=self.file, line=line, what=what, next_step=next_step))
        else:
            self.left_out += 1

    def raise_if_any(self) -> None:
        """Raise InputError with all of them."""
        if self.found:
            raise UnusableSoftwareError(self.file, self.found, self.left_out)


class UnusableSoftwareError(InputError):
    """A software file cannot be used; every mistake of it is listed."""

    def __init__(self, file: str, mistakes: Sequence[Mistake], left_out: int = 0) -> None:
        total = len(mistakes) + left_out
        more = f", the first {len(mistakes)} are listed" if left_out else ""
        super().__init__(
            what=f"{file} cannot be used as software: {total} mistake{'s' * (total != 1)}{more}",
            where=f"{file}:{mistakes[0].line}" if mistakes[0].line else file,
            next_step="get the file again from where it came; a wrong byte is never guessed",
            mistakes=mistakes,
        )


def make_image(file: bytes, segments: Sequence[SoftwareSegment]) -> SoftwareImage:
    """The image of a file whose pieces are known."""
    return SoftwareImage(sha256=sha256(file).hexdigest(), segments=tuple(segments))


def describe_segment(segment: SoftwareSegment) -> tuple[int, int, int, int, str]:
    """First and last address, bytes, CRC-32 (as in zlib) and SHA-256 of one piece."""
    size = len(segment.data)
    return (
        segment.address,
        segment.address + max(segment.place.memory_bytes, 1) - 1,
        size,
        zlib.crc32(segment.data),
        sha256(segment.data).hexdigest(),
    )


def find_overlaps(segments: Sequence[SoftwareSegment]) -> list[tuple[int, int]]:
    """Pairs of places whose memory overlaps, each with its neighbour by address."""
    order = sorted(range(len(segments)), key=lambda place: segments[place].address)
    found: list[tuple[int, int]] = []
    furthest = -1
    for place in order:
        if furthest >= 0:
            before = segments[furthest]
            if segments[place].address < before.address + before.place.memory_bytes:
                found.append((furthest, place))
        end = segments[place].address + segments[place].place.memory_bytes
        if furthest < 0 or end > _end(segments[furthest]):
            furthest = place
    return found


def _end(segment: SoftwareSegment) -> int:
    return segment.address + segment.place.memory_bytes
