"""The files of a pack, out of a folder or a zip file, with bounds on number and size.

A pack comes from somebody else, so nothing in it is trusted: names stay inside the pack, links are
refused, and sizes are counted while unpacking, never taken from a header.
"""

import hashlib
import os
import stat
import zipfile
import zlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import IO

from donorfit.edge.packs.pack_notes import PackNotes
from donorfit.errors import InputError

MANIFEST = "pack.toml"
MOST_FILES = 2_000
LARGEST_FILE_BYTES = 64 * 1024 * 1024
LARGEST_TEXT_BYTES = 16 * 1024 * 1024
LARGEST_PACK_BYTES = 256 * 1024 * 1024
_CHUNK_BYTES = 1024 * 1024
_ENCRYPTED = 0x1
_READ_ERRORS = (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, OSError, ValueError)


class _TooLargeError(Exception):
    """The bounds are passed; the text says which."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PackSource:
    """The files of one pack.

    Attributes:
        name: the pack as the user named it.
        files: bytes by name, names with forward slashes.
    """

    name: str
    files: Mapping[str, bytes]

    def show(self, file: str) -> str:
        """The name of a file as a person can open it."""
        return f"{self.name}/{file}"

    def read_text(self, file: str, notes: PackNotes) -> str | None:
        """Text of one file; None, with one mistake noted, where there is none."""
        data = self.files.get(file)
        shown = self.show(file)
        if data is None:
            notes.add(shown, 0, "the file is missing", "add it or take its name out")
            return None
        mistake = _describe_no_text(data)
        if mistake:
            notes.add(shown, 0, mistake, "save it as plain text in UTF-8")
            return None
        return data.decode("utf-8").removeprefix("\ufeff")

    def compute_digest(self) -> str:
        """SHA-256 over every file in order of its name, lower-case hex.

        Each file counts as the length of its name in eight bytes, big endian, the name in UTF-8,
        the length of its bytes in eight bytes, and its bytes; so no two packs look alike.
        """
        digest = hashlib.sha256()
        for name, data in sorted(self.files.items()):
            for part in (name.encode(), data):
                digest.update(len(part).to_bytes(8, "big"))
                digest.update(part)
        return digest.hexdigest()


def _describe_no_text(data: bytes) -> str:
    if not data.strip():
        return "the file is empty"
    if len(data) > LARGEST_TEXT_BYTES:
        return f"the file has {len(data)} bytes; at most {LARGEST_TEXT_BYTES} are read as text"
    if b"\0" in data:
        return "the file is binary, not text"
    try:
        data.decode("utf-8")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        return f"line {line} is not UTF-8"
    return ""


def open_source(path: Path) -> PackSource:
    """Read the files of a folder or of a zip file.

    Raises:
        InputError: there is nothing, it cannot be read, or it breaks a bound; every mistake that
            was found is in it.
    """
    notes = PackNotes()
    files: dict[str, bytes] = {}
    try:
        if path.is_dir():
            _read_folder(path, files, notes)
        else:
            _read_zip(path, files, notes)
    except _TooLargeError as error:
        notes.add(str(path), 0, str(error), "leave out what does not belong to the pack")
    except FileNotFoundError:
        notes.add(str(path), 0, "there is no such file or folder", "check the name")
    except PermissionError:
        notes.add(str(path), 0, "it may not be read", "check who may read it")
    except _READ_ERRORS as error:
        notes.add(
            str(path), 0, f"it is neither a folder nor a whole zip file ({error})", "copy it again"
        )
    notes.raise_if_any(str(path))
    if not files:
        raise InputError(
            what=f"{path} is empty",
            where=str(path),
            next_step=f"name the folder or the zip file that holds {MANIFEST}",
        )
    return PackSource(name=str(path), files=_strip_top_folder(files))


def _strip_top_folder(files: dict[str, bytes]) -> dict[str, bytes]:
    """A zip file often holds the folder rather than its contents: take that folder away."""
    tops = {name.split("/", 1)[0] for name in files}
    if MANIFEST in files or len(tops) != 1 or not all("/" in name for name in files):
        return files
    return {name.split("/", 1)[1]: data for name, data in files.items()}


def _read_folder(path: Path, files: dict[str, bytes], notes: PackNotes) -> None:
    total = 0
    for folder, folders, names in os.walk(path):
        folders[:] = sorted(each for each in folders if not each.startswith("."))
        for name in [*folders, *sorted(names)]:
            found = Path(folder, name)
            mode = found.lstat().st_mode
            if name.startswith(".") or stat.S_ISDIR(mode):
                continue
            if not stat.S_ISREG(mode):
                notes.add(str(found), 0, "it is no ordinary file", "put the file itself here")
                continue
            with found.open("rb") as stream:
                data = _read_bounded(stream, str(found), LARGEST_PACK_BYTES - total)
            total += len(data)
            files[found.relative_to(path).as_posix()] = data
            _check_count(len(files))


def _check_count(count: int) -> None:
    if count > MOST_FILES:
        message = f"it holds more than {MOST_FILES} files"
        raise _TooLargeError(message)


def _read_bounded(stream: IO[bytes], name: str, left: int) -> bytes:
    data = bytearray()
    while chunk := stream.read(_CHUNK_BYTES):
        data += chunk
        if len(data) > LARGEST_FILE_BYTES:
            message = f"{name} has more than {LARGEST_FILE_BYTES} bytes"
            raise _TooLargeError(message)
        if len(data) > left:
            message = f"it unpacks to more than {LARGEST_PACK_BYTES} bytes"
            raise _TooLargeError(message)
    return bytes(data)


def _read_zip(path: Path, files: dict[str, bytes], notes: PackNotes) -> None:
    if path.stat().st_size > LARGEST_PACK_BYTES:
        message = f"it has more than {LARGEST_PACK_BYTES} bytes"
        raise _TooLargeError(message)
    with zipfile.ZipFile(path) as archive:
        total = 0
        for entry in _list_entries(archive, str(path), notes):
            with archive.open(entry) as stream:
                data = _read_bounded(stream, entry.filename, LARGEST_PACK_BYTES - total)
            total += len(data)
            files[entry.filename] = data


def _list_entries(
    archive: zipfile.ZipFile, shown: str, notes: PackNotes
) -> Iterator[zipfile.ZipInfo]:
    """Entries that may be unpacked; the others become mistakes."""
    _check_count(len(archive.infolist()))
    seen: set[str] = set()
    for entry in archive.infolist():
        mistake = _describe_entry_mistake(entry)
        folded = entry.filename.casefold()
        if not mistake and folded in seen:
            mistake = "it is there twice (capitals do not count)"
        seen.add(folded)
        if mistake:
            notes.add(f"{shown}/{entry.filename!r}", 0, mistake, "pack the zip file anew")
        elif not entry.is_dir() and not _is_hidden(entry.filename):
            yield entry


def _is_hidden(name: str) -> bool:
    return any(part.startswith(".") for part in PurePosixPath(name).parts)


def _describe_entry_mistake(entry: zipfile.ZipInfo) -> str:
    # orig_filename: the reading library replaces backslashes and cuts at a null byte
    name = entry.orig_filename
    parts = name.split("/")
    if name.startswith("/") or "\\" in name or ":" in name or "\0" in name:
        return "the name is absolute or holds a character that leads out of the pack"
    if ".." in parts or "." in parts or "" in parts[:-1]:
        return "the name leads out of the pack or goes in circles"
    if entry.flag_bits & _ENCRYPTED:
        return "it is encrypted"
    if stat.S_ISLNK(entry.external_attr >> 16):
        return "it is a link"
    return ""
