"""What stands in a capture file already, so that a new section can follow with nothing lost.

A pcapng file is a row of sections, each with a head and interfaces of its own (the pcapng draft of
the IETF's opsawg). A program that was killed may leave a block that is not whole at the end: those
bytes go into a file beside it, since a reader would stop there and never see what follows.
"""

import os
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from donorfit.errors import InputError

SECTION_HEADER = 0x0A0D0D0A
WRITER = b"donorfit"
"""Our name in the option shb_userappl of each section."""
_USER_APPLICATION_OPTION = 4
_BYTE_ORDER_MAGIC = struct.pack("<I", 0x1A2B3C4D)
_SMALLEST_BLOCK_BYTES = 12
_LARGEST_BLOCK_BYTES = 1 << 24
_SECTION_BODY_BYTES = 16
# The head of captures that were written before sections carried a name.
_NAMELESS_HEAD_BYTES = 28
_NAMELESS_INTERFACES = struct.pack("<IIHHII", 1, 20, 101, 0, 0, 20) + struct.pack(
    "<IIHHII", 1, 20, 227, 0, 0, 20
)


@dataclass(frozen=True, slots=True, kw_only=True)
class OlderCapture:
    """What a capture file holds.

    Attributes:
        sections: sections in it, each of one session.
        whole_bytes: where its last whole block ends.
        torn_bytes: bytes after it, which are the beginning of a block.
    """

    sections: int = 0
    whole_bytes: int = 0
    torn_bytes: int = 0


def look_at(path: Path) -> OlderCapture:
    """Look through the blocks of a capture of ours; nothing is changed.

    Raises:
        InputError: it is another file, a capture of another program, or damaged before its end.
        OSError: it cannot be read.
    """
    if not path.exists() or not path.stat().st_size:
        return OlderCapture()
    with path.open("rb") as file:
        if not _is_ours(file):
            file.seek(0)
            head = file.read(4)
            raise _refuse(
                path,
                f"{path.name} is there already, and is no capture file that donorfit wrote.",
                f"It begins with {head.hex(' ').upper()}; what is added to it, or written over "
                "it, would spoil it.",
            )
        size = file.seek(0, os.SEEK_END)
        file.seek(0)
        sections = end = 0
        for kind, at, length in _list_blocks(file, size, path):
            end = at + length
            sections += kind == SECTION_HEADER
    return OlderCapture(sections=sections, whole_bytes=end, torn_bytes=size - end)


def set_aside(path: Path, older: OlderCapture) -> Path:
    """Move the torn end of a capture into a file of its own beside it; give its path.

    Raises:
        OSError: it cannot be written; the capture is as it was.
    """
    number = 1
    while (aside := path.with_name(f"{path.name}.torn-{number}")).exists():
        number += 1
    with path.open("r+b") as file:
        file.seek(older.whole_bytes)
        torn = file.read()
        with aside.open("xb") as copy:
            copy.write(torn)
            copy.flush()
            os.fsync(copy.fileno())
        file.truncate(older.whole_bytes)
    return aside


def _list_blocks(file: BinaryIO, size: int, path: Path) -> Iterator[tuple[int, int, int]]:
    """Kind, place and length of every whole block; ends before a block that is not whole."""
    at = 0
    while at + 8 <= size:
        file.seek(at)
        kind, length = struct.unpack("<II", file.read(8))
        if length % 4 or not _SMALLEST_BLOCK_BYTES <= length <= _LARGEST_BLOCK_BYTES:
            raise _refuse(path, *_word_damage(path, at))
        if at + length > size:
            return
        file.seek(at + length - 4)
        if struct.unpack("<I", file.read(4)) != (length,):
            raise _refuse(path, *_word_damage(path, at))
        yield kind, at, length
        at += length


def _word_damage(path: Path, at: int) -> tuple[str, str]:
    return (
        f"The capture {path.name} is damaged, so nothing can be added to it.",
        f"The block at byte {at} does not have the length that it claims.",
    )


def _refuse(path: Path, what: str, why: str) -> InputError:
    return InputError(
        what=what,
        where=str(path),
        why=why,
        state="The file is as it was.",
        next_step="Choose another name for --capture.",
    )


def _is_ours(file: BinaryIO) -> bool:
    mark = file.read(12)
    if len(mark) < _SMALLEST_BLOCK_BYTES or mark[8:] != _BYTE_ORDER_MAGIC:
        return False
    kind, length = struct.unpack("<II", mark[:8])
    if kind != SECTION_HEADER or length > 1 << 16:
        return False
    if length == _NAMELESS_HEAD_BYTES:
        file.seek(length)
        return file.read(len(_NAMELESS_INTERFACES)) == _NAMELESS_INTERFACES
    file.seek(8 + _SECTION_BODY_BYTES)
    return _find_option(file.read(max(0, length - 12 - _SECTION_BODY_BYTES))).startswith(WRITER)


def _find_option(options: bytes) -> bytes:
    """The name of the program in the options of a section; empty where it says none."""
    at = 0
    while at + 4 <= len(options):
        code, length = struct.unpack_from("<HH", options, at)
        if code == _USER_APPLICATION_OPTION:
            return options[at + 4 : at + 4 + length]
        at += 4 + length + -length % 4
    return b""


def encode_name(name: bytes) -> bytes:
    """The options of a section's head: the program that wrote it, and their end."""
    option = struct.pack("<HH", _USER_APPLICATION_OPTION, len(name)) + name
    return option + bytes(-len(name) % 4) + bytes(4)
