"""Check software that units are programmed with: the file, its pieces, and how they are taken."""

from dataclasses import replace
from hashlib import sha256
from itertools import pairwise

from donorfit.edge.packs.pack_notes import PackNotes, suggest
from donorfit.edge.packs.pack_parts import SOFTWARE_FOLDER, PackParts
from donorfit.edge.packs.unit_shapes import SoftwareShape, UnitShape
from donorfit.edge.software.read_software import read_software_bytes
from donorfit.errors import InputError
from donorfit.records.counted import count
from donorfit.vehicle.control_unit import SoftwareBlock
from donorfit.vehicle.software import (
    SegmentPlace,
    SoftwareFormat,
    SoftwareImage,
    SoftwareSegment,
)

LONGEST_PATH_BYTES = 0xFFFF
_RIGHT_FILE = "put the right file there"


def check_software(
    file: str, unit: UnitShape, block: SoftwareShape, parts: PackParts, notes: PackNotes
) -> None:
    """Check one block without opening its file: digest, places and procedure."""
    where = f"{unit.id}, software {block.version}"
    for text in block.hardware:
        if text not in unit.hardware:
            what = f"{where}: the unit has no hardware {text!r}"
            notes.add(file, block.get_line("hardware"), what, suggest(text, unit.hardware))
    _check_places(file, where, unit, block, notes)
    _check_procedure(file, where, block, notes)
    data = parts.source.files.get(f"{SOFTWARE_FOLDER}/{block.file}")
    if data is None:
        what = f"{where}: the file {SOFTWARE_FOLDER}/{block.file} is missing"
        notes.add(file, block.get_line("file"), what, "add the file")
        return
    if block.format == "binary" and len(data) != block.size_bytes:
        what = f"{where}: the file has {count(len(data), 'byte')}, not {block.size_bytes}"
        notes.add(file, block.get_line("size_bytes"), what, _RIGHT_FILE)
    digest = sha256(data).hexdigest()
    if digest != block.sha256:
        what = f"{where}: the file's SHA-256 is {digest[:16]}..., not {block.sha256[:16]}..."
        notes.add(file, block.get_line("sha256"), what, _RIGHT_FILE)


def _list_places(block: SoftwareShape) -> list[SegmentPlace]:
    if not block.segments:
        return [SegmentPlace(address=block.memory_address, size_bytes=block.size_bytes)]
    return [
        SegmentPlace(
            address=each.address, size_bytes=each.size_bytes, unpacked_bytes=each.unpacked_bytes
        )
        for each in block.segments
    ]


def _check_places(
    file: str, where: str, unit: UnitShape, block: SoftwareShape, notes: PackNotes
) -> None:
    places = _list_places(block)
    line = block.get_line("segments" if block.segments else "memory_address")
    total = sum(each.size_bytes for each in places)
    if total != block.size_bytes:
        what = (
            f"{where}: the segments have {count(total, 'byte')}, size_bytes says "
            f"{block.size_bytes}"
        )
        notes.add(file, line, what, "correct one of them")
    if places[0].address != block.memory_address:
        what = f"{where}: the first segment is at 0x{places[0].address:X}, not at memory_address"
        notes.add(file, line, what, "correct one of them")
    ordered = sorted(places, key=lambda each: each.address)
    for before, after in pairwise(ordered):
        if after.address < before.address + before.memory_bytes:
            what = f"{where}: segments overlap at 0x{after.address:X}"
            notes.add(file, line, what, "correct addresses and sizes")
    for each in places:
        shown = f"{count(each.memory_bytes, 'byte')} at 0x{each.address:X}"
        if each.address + each.memory_bytes - 1 >= 1 << (8 * block.address_bytes):
            what = f"{where}: {shown} need more than {block.address_bytes} address bytes"
            notes.add(file, line, what, "raise address_bytes")
        if each.memory_bytes >= 1 << (8 * block.length_bytes):
            what = f"{where}: {shown} need more than {block.length_bytes} length bytes"
            notes.add(file, line, what, "raise length_bytes")
        ranges = [
            SegmentPlace(address=one.address, size_bytes=one.size_bytes) for one in unit.memory
        ]
        if ranges and not any(one.holds(each) for one in ranges):
            what = f"{where}: {shown} lie outside the unit's memory"
            notes.add(file, line, what, "correct the place, or the unit's [[unit.memory]]")


def _check_procedure(file: str, where: str, block: SoftwareShape, notes: PackNotes) -> None:
    if block.odx_session and block.format != "odx-f":
        what = f"{where}: only an ODX-F file has sessions"
        notes.add(file, block.get_line("odx_session"), what, "take the line out")
    path = block.file_path
    if path and not (path.isascii() and path.isprintable() and len(path) <= LONGEST_PATH_BYTES):
        what = f"{where}: the path is no printable ASCII text"
        notes.add(file, block.get_line("file_path"), what, "correct it")
    if path and len(block.segments) > 1:
        what = f"{where}: a file in the unit's file system is one piece"
        notes.add(file, block.get_line("segments"), what, "take segments or file_path out")
    if block.resumable and not path:
        what = f"{where}: only a transfer into the unit's file system can be resumed"
        notes.add(file, block.get_line("resumable"), what, "say file_path, or take the line out")
    if not block.routine_check and block.exit_digest == "none":
        what = f"{where}: nothing lets the unit compare what it got"
        notes.warn(file, block.get_line(), what, "say routine_check or exit_digest if it has one")


def check_software_files(parts: PackParts, notes: PackNotes) -> None:
    """Open every software file and compare its pieces with those that the pack names."""
    sessions: dict[str, str] = {}
    for file, unit in parts.list_units():
        for block in unit.software:
            other = sessions.setdefault(block.file, block.odx_session)
            if other != block.odx_session:
                both = f"{other!r} and {block.odx_session!r}"
                what = f"{block.file} is used with the sessions {both}"
                next_step = "give each session a copy of the file"
                notes.add(file, block.get_line("odx_session"), what, next_step)
            _check_file(file, unit, block, parts, notes)


def _check_file(
    file: str, unit: UnitShape, block: SoftwareShape, parts: PackParts, notes: PackNotes
) -> None:
    name = f"{SOFTWARE_FOLDER}/{block.file}"
    data = parts.source.files.get(name)
    if data is None:
        return
    try:
        reading = read_software_bytes(
            data,
            file=parts.source.show(name),
            format=SoftwareFormat(block.format),
            address=block.memory_address,
            session=block.odx_session,
        )
    except InputError as error:
        notes.extend(error.mistakes)
        if not error.mistakes:
            notes.add(parts.source.show(name), 0, error.what, error.next_step)
        return
    where = f"{unit.id}, software {block.version}"
    if reading.data_format != block.data_format and block.format == "odx-f":
        what = f"{where}: the file asks for data_format 0x{reading.data_format:02X}"
        notes.add(file, block.get_line("data_format"), what, "say the same")
    if block.format == "binary":
        return
    found = list(reading.image.places)
    if found != _list_places(block):
        shown = ", ".join(f"0x{each.address:X} ({each.size_bytes})" for each in found[:8])
        more = ", ..." if len(found) > 8 else ""  # noqa: PLR2004 - as many as a line takes
        what = (
            f"{where}: the file has {count(len(found), 'piece')}, at {shown}{more}, the pack "
            "says others"
        )
        next_step = "correct segments: `donorfit software show FILE --toml` prints them"
        notes.add(file, block.get_line("segments"), what, next_step)


def place_image(image: SoftwareImage, block: SoftwareBlock) -> SoftwareImage | None:
    """The image with the pieces that a pack names, or None where the file has others.

    A plain binary file is cut into them; every other format has to name the same ones itself.
    """
    places = block.places
    if block.format is not SoftwareFormat.BINARY:
        return image if image.places == places else None
    if sum(each.size_bytes for each in places) != len(image.data):
        return None
    segments = []
    at = 0
    for each in places:
        data = image.data[at : at + each.size_bytes]
        at += each.size_bytes
        segments.append(
            SoftwareSegment(address=each.address, data=data, unpacked_bytes=each.unpacked_bytes)
        )
    return replace(image, segments=tuple(segments))
