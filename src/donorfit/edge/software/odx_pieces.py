"""The bytes of one data block of an ODX flash container, piece by piece."""

import re
from typing import Any

from donorfit.edge.software.reading import FileMistakes
from donorfit.edge.software.record_lines import read_intel_hex, read_s_record
from donorfit.records.counted import count
from donorfit.vehicle.software import SoftwareSegment

_MORE = "have the container written so that this is said"


def cut_pieces(block: Any, mistakes: FileMistakes) -> tuple[SoftwareSegment, ...]:
    """The pieces of a data block at their addresses in the unit."""
    where = f"data block {block.short_name!r}"
    if block.flashdata is None:
        mistakes.add(0, f"{where} names no flash data", _MORE)
        return ()
    source = _read_source(block.flashdata, where, mistakes)
    if source is None:
        return ()
    if isinstance(source, bytes):
        source = _place_binary(block, source, where, mistakes)
    elif block.segments:
        source = tuple(
            piece
            for segment in block.segments
            if (piece := _cut(segment, source, where, mistakes)) is not None
        )
    offset = _find_offset(block)
    return tuple(
        SoftwareSegment(
            address=each.address + offset, data=each.data, unpacked_bytes=each.unpacked_bytes
        )
        for each in source
    )


def _find_offset(block: Any) -> int:
    offset = block.target_addr_offset
    if offset is None:
        return 0
    positive = getattr(offset, "positive_offset", None)
    return int(positive) if positive is not None else -int(offset.negative_offset)


def _read_source(
    flash: Any, where: str, mistakes: FileMistakes
) -> tuple[SoftwareSegment, ...] | bytes | None:
    """Pieces of a text format, the bytes of a binary one, or None where there is no telling."""
    name = f"flash data {flash.short_name!r}"
    kind = getattr(flash.dataformat.selection, "value", "")
    text = _read_text(flash, name, mistakes)
    if text is None:
        return None
    if kind == "BINARY":
        digits = re.sub(r"\s", "", text)
        try:
            return bytes.fromhex(digits)
        except ValueError:
            what = f"{where}, {name}: binary data are expected as hexadecimal digits"
            mistakes.add(0, what, _MORE)
            return None
    inner = FileMistakes(f"{mistakes.file}, {name}")
    trimmed = text.strip().encode("latin-1", "replace")
    if kind == "INTEL-HEX":
        pieces, _ = read_intel_hex(trimmed, inner)
    elif kind == "MOTOROLA-S":
        pieces, _ = read_s_record(trimmed, inner)
    else:
        shown = flash.dataformat.user_selection or kind
        mistakes.add(0, f"{where}, {name}: the data format {shown!r} is not open", _MORE)
        return None
    mistakes.found += inner.found
    mistakes.left_out += inner.left_out
    return None if inner.found else pieces


def _read_text(flash: Any, name: str, mistakes: FileMistakes) -> str | None:
    datafile = getattr(flash, "datafile", None)
    if datafile is None:
        return str(flash.data)
    database = getattr(flash, "_database", None)
    files = database.auxiliary_files if database is not None else {}
    stream = files.get(datafile.value)
    if stream is None:
        what = f"{name}: the file {datafile.value!r} is not in the container"
        mistakes.add(0, what, "put it there")
        return None
    raw: bytes = stream.read()
    stream.seek(0)
    return raw.decode("latin-1")


def _place_binary(
    block: Any, data: bytes, where: str, mistakes: FileMistakes
) -> tuple[SoftwareSegment, ...]:
    """Binary data have no addresses of their own: one segment has to say where all of them go."""
    segments = list(block.segments)
    if len(segments) != 1:
        what = f"{where}: binary data with {len(segments)} segments, so the places are not said"
        mistakes.add(0, what, _MORE)
        return ()
    segment = segments[0]
    size = segment.compressed_size or segment.uncompressed_size
    if size is None:
        size = segment.source_end_address - segment.source_start_address + 1
    if size != len(data):
        what = f"{where}: the segment says {count(size, 'byte')}, the data have {len(data)}"
        mistakes.add(0, what, "get the file again from where it came")
        return ()
    return (
        SoftwareSegment(
            address=segment.source_start_address,
            data=data,
            unpacked_bytes=(segment.uncompressed_size or 0) if segment.compressed_size else 0,
        ),
    )


def _cut(
    segment: Any, source: tuple[SoftwareSegment, ...], where: str, mistakes: FileMistakes
) -> SoftwareSegment | None:
    """The bytes that a segment names, all of which have to be there."""
    start = segment.source_start_address
    name = f"{where}, segment {segment.short_name!r}"
    holder = next(
        (each for each in source if each.address <= start < each.address + len(each.data)), None
    )
    if holder is None:
        mistakes.add(0, f"{name}: no bytes at 0x{start:08X}", "get the file again")
        return None
    last = holder.address + len(holder.data)
    size = segment.compressed_size or segment.uncompressed_size
    if size is None:
        size = _measure(start, last, segment.source_end_address)
    if not size or start + size > last:
        what = f"{name}: its bytes do not end where the data end, at 0x{last - 1:08X}"
        mistakes.add(0, what, "get the file again, or have the size written in bytes")
        return None
    at = start - holder.address
    return SoftwareSegment(
        address=start,
        data=holder.data[at : at + size],
        unpacked_bytes=(segment.uncompressed_size or 0) if segment.compressed_size else 0,
    )


def _measure(start: int, last: int, end: int) -> int:
    """Bytes up to an end address.

    Writers differ in whether the last byte is at it or before it, so it counts only where the data
    themselves end there.
    """
    return last - start if last in {end, end + 1} else 0
