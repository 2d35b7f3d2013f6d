"""Flash containers of ODX (ISO 22901-1, FLASH) through odxtools, an optional extra.

What the library reads but the file leaves open is not guessed: a container whose bytes or places
cannot be told for certain is refused, with every reason at once.
"""

import io
import zipfile
import zlib
from collections.abc import Iterator
from typing import Any

from donorfit.edge.software.odx_pieces import cut_pieces
from donorfit.edge.software.reading import (
    HIGHEST_ADDRESS,
    FileMistakes,
    SoftwareReading,
    find_overlaps,
    make_image,
)
from donorfit.errors import InputError
from donorfit.records.counted import count
from donorfit.vehicle.software import SoftwareFormat, SoftwareSegment

MAX_FILES = 2_000
MAX_UNPACKED_BYTES = 256 * 1024 * 1024
_FORBIDDEN = (b"<!DOCTYPE", b"<!ENTITY", b"\0")
_CRC32_NAMES = frozenset(("CRC32", "CRC32IEEE8023", "CRC32ISOHDLC"))
_READ_ERRORS = (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, OSError)
_LARGEST_BYTE = 0xFF


def read_odx_flash(data: bytes, *, file: str, session: str = "") -> SoftwareReading:
    """Read one programming session of a PDX container or an ODX-F file.

    Args:
        data: the whole file.
        file: its name as the user gave it.
        session: short name of the session; empty where the file has only one.

    Raises:
        InputError: odxtools is missing or too old for flash containers, or the file is wrong.
    """
    try:
        import odxtools.database  # noqa: PLC0415 - an optional extra, and slow to load
    except ImportError as error:
        raise InputError(
            what="ODX-F files need the extra 'odx'",
            where=file,
            why="the package odxtools is not installed",
            next_step="install it with: pip install 'donorfit[odx]'",
        ) from error
    mistakes = FileMistakes(file)
    database = odxtools.database.Database(use_weakrefs=False)
    if not hasattr(database, "flashs"):
        raise InputError(
            what="The installed odxtools does not read ODX-F",
            where=file,
            why="flash containers came to that library in a later release (11.7.1 has them)",
            next_step="bring it up to date with: pip install -U 'donorfit[odx]'",
        )
    try:
        _load(database, data, mistakes)
        mistakes.raise_if_any()
        return _read_session(database, data, file, session, mistakes)
    except InputError:
        raise
    except Exception as error:  # noqa: BLE001 - the library raises what it happens to meet
        mistakes.add(
            0, f"{type(error).__name__}: {error}"[:500], "check that the file is complete"
        )
    mistakes.raise_if_any()
    raise AssertionError


def _load(database: Any, data: bytes, mistakes: FileMistakes) -> None:
    from xml.etree import ElementTree as ET  # noqa: PLC0415 - only here

    if not data.startswith(b"PK"):
        if _is_plain_xml(data, mistakes.file, mistakes):
            database.add_odx_xml_tree(ET.fromstring(data))  # noqa: S314 - entities are refused
            database.refresh()
        return
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as container:
            if _is_plain_container(container, mistakes):
                database.add_pdx_file(container)
                database.refresh()
                _keep_auxiliary_files(database)
    except (*_READ_ERRORS, RuntimeError) as error:
        mistakes.add(0, f"the container cannot be unpacked: {error}", "get the file again")


def _is_plain_container(container: zipfile.ZipFile, mistakes: FileMistakes) -> bool:
    members = container.infolist()
    # a member never yields more bytes than the size in its header
    unpacked_bytes = sum(each.file_size for each in members)
    if len(members) > MAX_FILES or unpacked_bytes > MAX_UNPACKED_BYTES:
        what = f"{len(members)} files with {unpacked_bytes} bytes are inside"
        mistakes.add(0, what, "that is more than any flash container needs")
        return False
    for each in members:
        name = each.filename.lower()
        if ".odx" in name or name.endswith("index.xml"):
            _is_plain_xml(container.read(each), f"{mistakes.file}/{each.filename}", mistakes)
    return not mistakes.found


def _keep_auxiliary_files(database: Any) -> None:
    """Take the files out of the container before it is closed."""
    for name, stream in list(database.auxiliary_files.items()):
        database.auxiliary_files[name] = io.BytesIO(stream.read())


def _is_plain_xml(raw: bytes, name: str, mistakes: FileMistakes) -> bool:
    if any(each in raw for each in _FORBIDDEN):
        what = f"{name!r} declares entities of its own, or is not in UTF-8"
        mistakes.add(0, what, "have it written as plain XML in UTF-8")
        return False
    return True


def _read_session(
    database: Any, data: bytes, file: str, name: str, mistakes: FileMistakes
) -> SoftwareReading:
    sessions = {
        str(each.short_name): each
        for flash in database.flashs
        for memory in flash.ecu_mems
        for each in memory.mem.sessions
    }
    known = ", ".join(sessions) or "none"
    if not sessions or (name and name not in sessions):
        what = f"there is no programming session {name!r}" if name else "it has no session"
        mistakes.add(0, f"{what}; its sessions: {known}", "name one that it has")
    elif not name and len(sessions) > 1:
        mistakes.add(0, f"it has {len(sessions)} sessions: {known}", "say which with --session")
    mistakes.raise_if_any()
    chosen = sessions[name] if name else next(iter(sessions.values()))
    notes = [f"session {chosen.short_name!r}"]
    segments: list[SoftwareSegment] = []
    formats: set[int] = set()
    for block in _order_blocks(chosen):
        _judge_block(block, mistakes)
        pieces = cut_pieces(block, mistakes)
        segments += pieces
        formats |= _list_data_formats(block, mistakes)
        notes += _describe_block(block, pieces)
    _check_whole(segments, formats, mistakes)
    notes += _check_checksums(chosen, segments, mistakes)
    mistakes.raise_if_any()
    return SoftwareReading(
        file=file,
        format=SoftwareFormat.ODX_F,
        file_bytes=len(data),
        image=make_image(data, segments),
        notes=tuple(notes),
        idents=tuple(
            (str(each.short_name), tuple(show_value(value.value) for value in each.ident_values))
            for each in chosen.expected_idents
        ),
        data_format=next(iter(formats), 0),
    )


def _order_blocks(session: Any) -> list[Any]:
    """Data blocks by their logical index where they have one, else as the session names them."""
    return sorted(
        session.datablocks,
        key=lambda block: -1 if block.logical_block_index is None else block.logical_block_index,
    )


def _judge_block(block: Any, mistakes: FileMistakes) -> None:
    where = f"data block {block.short_name!r}"
    if "BOOT" in str(block.data_type).upper():
        what = f"{where} replaces the boot loader, after which a failure could not be mended"
        mistakes.add(0, what, "leave that to the maker's own service")
    if block.filters:
        what = f"{where} has filters, and what they take out is not defined closely enough"
        mistakes.add(0, what, "have the block written without filters")


def _list_data_formats(block: Any, mistakes: FileMistakes) -> set[int]:
    """The dataFormatIdentifiers that a block's methods of compression and encryption make."""
    methods = [segment.encrypt_compress_method for segment in block.segments]
    if block.flashdata is not None:
        methods.append(block.flashdata.encrypt_compress_method)
    found: set[int] = set()
    for method in filter(None, methods):
        value = method.value
        number = value if isinstance(value, int) else int.from_bytes(bytes(value), "big")
        if 0 <= number <= _LARGEST_BYTE:
            found.add(number)
        else:
            what = f"data block {block.short_name!r}: the method {method.value_raw!r} is no byte"
            mistakes.add(0, what, "a dataFormatIdentifier is one byte")
    return found


def _check_whole(
    segments: list[SoftwareSegment], formats: set[int], mistakes: FileMistakes
) -> None:
    if not segments and not mistakes.found:
        mistakes.add(0, "the session has no bytes for a memory", "name another session")
    for before, after in find_overlaps(segments):
        what = (
            f"the pieces from 0x{segments[before].address:08X} and "
            f"0x{segments[after].address:08X} on overlap"
        )
        mistakes.add(0, what, "get the file again from where it came")
    for each in segments:
        if not 0 <= each.address <= HIGHEST_ADDRESS - each.place.memory_bytes + 1:
            what = f"a piece at 0x{each.address:X} does not fit addresses of five bytes"
            mistakes.add(0, what, "correct the address or its offset")
    if len(formats) > 1:
        shown = ", ".join(f"0x{each:02X}" for each in sorted(formats))
        what = f"its blocks are packed in different ways ({shown})"
        mistakes.add(0, what, "split the session, one way each")


def _describe_block(block: Any, pieces: tuple[SoftwareSegment, ...]) -> Iterator[str]:
    size = sum(len(each.data) for each in pieces)
    yield f"data block {block.short_name!r} ({block.data_type}), {count(size, 'byte')}"
    for ident in block.own_idents:
        yield f"{block.short_name}: is {ident.short_name} {show_value(ident.ident_value.value)}"
    for security in block.securities:
        for label, value in (
            ("security method", security.security_method),
            ("signature", security.fw_signature),
            ("checksum", security.fw_checksum),
        ):
            if value is not None:
                shown = show_value(value.value)
                yield f"{block.short_name}: {label} {shown}, for the unit to judge"


def _check_checksums(
    session: Any, segments: list[SoftwareSegment], mistakes: FileMistakes
) -> list[str]:
    notes = []
    for each in session.checksums:
        name = "".join(filter(str.isalnum, (each.checksum_alg or "").upper()))
        where = f"checksum {each.short_name!r}"
        if name not in _CRC32_NAMES or each.compressed_size:
            notes.append(f"{where} ({each.checksum_alg or 'no algorithm named'}) is not compared")
            continue
        end = each.source_end_address
        size = each.uncompressed_size if end is None else end - each.source_start_address + 1
        covered = _cover(segments, each.source_start_address, size or 0, each.fillbyte)
        if covered is None:
            notes.append(f"{where} covers bytes that are not in the file, it is not compared")
            continue
        value = each.checksum_result.value
        given = value if isinstance(value, int) else int.from_bytes(_to_bytes(value), "big")
        if given != zlib.crc32(covered):
            what = f"{where} is {given:08X}, the bytes make {zlib.crc32(covered):08X}"
            mistakes.add(0, what, "get the file again from where it came")
        else:
            notes.append(f"{where} agrees")
    return notes


def _to_bytes(value: object) -> bytes:
    if isinstance(value, str):
        return bytes.fromhex(value)
    return bytes(value) if isinstance(value, bytes | bytearray) else b""


def _cover(
    segments: list[SoftwareSegment], start: int, size: int, fill: int | None
) -> bytes | None:
    """Bytes of a range; holes hold the fill byte, and without one there is no range."""
    if not 0 < size <= MAX_UNPACKED_BYTES:
        return None
    covered = bytearray((fill or 0,)) * size
    seen = 0
    for each in segments:
        first, last = max(each.address, start), min(each.address + len(each.data), start + size)
        if first < last:
            covered[first - start : last - start] = each.data[
                first - each.address : last - each.address
            ]
            seen += last - first
    return bytes(covered) if seen == size or fill is not None else None


def show_value(value: object) -> str:
    """A value of an identification as text."""
    if isinstance(value, bytes | bytearray):
        return bytes(value).hex(" ").upper()
    return f"0x{value:X}" if isinstance(value, int) else str(value)
