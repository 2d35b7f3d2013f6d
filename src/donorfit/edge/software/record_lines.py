"""Intel HEX and Motorola S-record: lines of hexadecimal digits with their own checksums.

A line's length and checksum are tested by bincopy. What spans lines is tested here: base
addresses, bytes that are given twice, the count of lines, and the line that ends the file, since a
file that was cut off is no software.
"""

import re
from collections.abc import Callable
from dataclasses import dataclass, field

from donorfit.edge.software.reading import FileMistakes
from donorfit.records.counted import count
from donorfit.vehicle.software import SoftwareSegment

_DIGITS = re.compile(r"[0-9A-Fa-f]+")
_LINE_ENDS = re.compile(r"\r\n|\n|\r")
_AGAIN = "get the file again from where it came"
_PAGE_BYTES = 0x1_0000
_BITS_32 = 0x1_0000_0000
_LONGEST_SHOWN = 60


@dataclass(slots=True)
class _Run:
    """Bytes without a gap, from consecutive lines."""

    address: int
    line: int
    data: bytearray = field(default_factory=bytearray)

    @property
    def end(self) -> int:
        return self.address + len(self.data)


@dataclass(slots=True)
class RecordLines:
    """One file while it is read.

    Attributes:
        mistakes: of the file.
        notes: what it says besides its bytes.
        ended: line that ends the file; 0 until it was met.
        data_lines: lines that carry bytes.
        counted: how many of them a counting line has confirmed.
        widths: address bits of S-record lines; what tells them is outside a line's checksum.
    """

    mistakes: FileMistakes
    notes: list[str] = field(default_factory=list)
    ended: int = 0
    data_lines: int = 0
    counted: int = -1
    widths: set[int] = field(default_factory=set)
    _runs: list[_Run] = field(default_factory=list)
    _base: int = 0
    _paged: bool = False
    _empty: int = 0

    def take(self, line: int, address: int, data: bytes) -> None:
        """Bytes that a line gives."""
        self.data_lines += 1
        if not data:
            self._empty += 1
            return
        if not self._runs or self._runs[-1].end != address:
            self._runs.append(_Run(address, line))
        self._runs[-1].data += data

    def finish(self) -> tuple[SoftwareSegment, ...]:
        """The pieces by rising address; bytes that are given twice are mistakes."""
        if self._empty:
            self.notes.append(f"{count(self._empty, 'line')} without bytes")
        pieces: list[_Run] = []
        for run in sorted(self._runs, key=lambda each: each.address):
            last = pieces[-1] if pieces else None
            if last is not None and run.address < last.end:
                what = (
                    f"bytes from 0x{run.address:08X} on were already given by the lines that "
                    f"begin in line {last.line}"
                )
                self.mistakes.add(max(run.line, last.line), what, _AGAIN)
            elif last is not None and run.address == last.end:
                last.data += run.data
            else:
                pieces.append(run)
        if not pieces and not self.mistakes.found:
            self.mistakes.add(0, "it holds no bytes for a memory", _AGAIN)
        return tuple(
            SoftwareSegment(address=each.address, data=bytes(each.data)) for each in pieces
        )

    def take_intel(self, line: int, text: str) -> None:
        """One line of Intel HEX (Intel, Hexadecimal Object File Format Specification, 1988)."""
        kind, offset, data = _unpack_intel(text)
        match kind:
            case 0:
                self._take_intel_data(line, offset, data)
            case 1:
                self.ended = line
            case 2 | 4 if len(data) == 2:  # noqa: PLR2004 - both carry one word
                self._paged = kind == 2  # noqa: PLR2004 - the record type
                self._base = int.from_bytes(data, "big") << (4 if self._paged else 16)
            case 3 | 5 if len(data) == 4:  # noqa: PLR2004 - CS:IP or EIP
                self.notes.append(f"start address 0x{int.from_bytes(data, 'big'):08X}, not used")
            case 2 | 3 | 4 | 5:
                what = f"a record of type {kind:02X} with {count(len(data), 'byte')}"
                self.mistakes.add(line, what, _AGAIN)
            case _:
                self.mistakes.add(line, f"the record type {kind:02X} is not known", _AGAIN)

    def _take_intel_data(self, line: int, offset: int, data: bytes) -> None:
        if self._paged and offset + len(data) > _PAGE_BYTES:
            what = "the line runs past the end of its 64 KiB segment, where readers disagree"
            self.mistakes.add(line, what, "have the file written with linear addresses")
        elif self._base + offset + len(data) > _BITS_32:
            self.mistakes.add(line, "the line runs past the end of 32-bit addresses", _AGAIN)
        else:
            self.take(line, self._base + offset, data)

    def take_motorola(self, line: int, text: str) -> None:
        """One line of S-records (Motorola M68000 Family Programmer's Reference Manual, app. C)."""
        kind, address, data = _unpack_motorola(text)
        match kind:
            case "0" if self.data_lines:
                what = "a header in the midst of the data, so that a line of data may be missing"
                self.mistakes.add(line, what, _AGAIN)
            case "0":
                shown = data.decode("latin-1").rstrip("\0")[:_LONGEST_SHOWN]
                self.notes.append(f"header {shown!r}")
            case "1" | "2" | "3":
                bits = 8 * (int(kind) + 1)
                self.widths.add(bits)
                if address + len(data) > 1 << bits:
                    what = f"the line runs past the end of {bits}-bit addresses"
                    self.mistakes.add(line, what, _AGAIN)
                else:
                    self.take(line, address, data)
            case "5" | "6":
                self.counted = self.data_lines
                if address != self.data_lines:
                    what = (
                        f"{count(self.data_lines, 'line')} of data came before, it counts "
                        f"{address}"
                    )
                    self.mistakes.add(line, what, "a line is missing or doubled: " + _AGAIN)
            case _:
                self.ended = line
                if address:
                    self.notes.append(f"start address 0x{address:08X}, not used")


def _unpack_intel(text: str) -> tuple[int, int, bytes]:
    import bincopy  # noqa: PLC0415 - slow to load

    kind, offset, _, data = bincopy.unpack_ihex(text)
    return int(kind), int(offset), bytes(data)


def _unpack_motorola(text: str) -> tuple[str, int, bytes]:
    import bincopy  # noqa: PLC0415 - slow to load

    kind, address, _, data = bincopy.unpack_srec(text)
    return str(kind), int(address), bytes(data)


def read_intel_hex(
    data: bytes, mistakes: FileMistakes
) -> tuple[tuple[SoftwareSegment, ...], tuple[str, ...]]:
    """Pieces and notes of an Intel HEX file; what is wrong goes into the mistakes."""
    lines = RecordLines(mistakes)
    _read_lines(data, lines, ":", lines.take_intel)
    if not lines.ended:
        what = "the line that ends the file (:00000001FF) is missing, it may be cut off"
        mistakes.add(0, what, _AGAIN)
    return lines.finish(), tuple(lines.notes)


def read_s_record(
    data: bytes, mistakes: FileMistakes
) -> tuple[tuple[SoftwareSegment, ...], tuple[str, ...]]:
    """Pieces and notes of an S-record file; what is wrong goes into the mistakes."""
    lines = RecordLines(mistakes)
    _read_lines(data, lines, "S", lines.take_motorola)
    if len(lines.widths) > 1:
        shown = ", ".join(str(bits) for bits in sorted(lines.widths))
        lines.notes.append(f"lines with addresses of {shown} bits")
    # some writers leave the last line out and count the lines instead
    if not lines.ended and lines.counted != lines.data_lines:
        what = "the line that ends the file (S7, S8 or S9) is missing, it may be cut off"
        mistakes.add(0, what, _AGAIN)
    return lines.finish(), tuple(lines.notes)


def _read_lines(
    data: bytes, lines: RecordLines, mark: str, take: Callable[[int, str], None]
) -> None:
    import bincopy  # noqa: PLC0415 - slow to load

    for number, raw in enumerate(_LINE_ENDS.split(data.decode("latin-1")), start=1):
        text = raw.strip(" \t\x1a")
        if not text:
            continue
        if lines.ended:
            what = f"something follows the line {lines.ended} that ends the file"
            lines.mistakes.add(number, what, _AGAIN)
            return
        if not text.startswith(mark) or _DIGITS.fullmatch(text, 1) is None:
            what = f"it is no record: {text[:_LONGEST_SHOWN]!r}"
            lines.mistakes.add(number, what, _AGAIN)
            continue
        try:
            take(number, text)
        except (bincopy.Error, ValueError, IndexError) as error:
            lines.mistakes.add(number, _explain(error, text), _AGAIN)


def _explain(error: Exception, text: str) -> str:
    said = str(error)
    if "crc" in said:
        wanted = re.search(r"expected crc '(\w+)'", said)
        should = f", its bytes make {wanted[1]}" if wanted else ""
        return f"the checksum of the line is {text[-2:].upper()}{should}"
    if "size" in said or "short" in said or isinstance(error, IndexError):
        return f"the line's length is not the one that it says: {text[:_LONGEST_SHOWN]!r}"
    if "type" in said:
        return f"the record type {text[1]!r} is not known"
    return f"it is no record: {text[:_LONGEST_SHOWN]!r}"
