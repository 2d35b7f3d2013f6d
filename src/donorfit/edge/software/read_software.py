"""Read one software file of any of the known formats into its pieces."""

import re
import stat
from pathlib import Path

from donorfit.edge.software.reading import (
    HIGHEST_ADDRESS,
    FileMistakes,
    SoftwareReading,
    make_image,
)
from donorfit.edge.software.record_lines import read_intel_hex, read_s_record
from donorfit.errors import InputError
from donorfit.records.counted import choose, count
from donorfit.vehicle.software import SoftwareFormat, SoftwareSegment

LARGEST_FILE_BYTES = 256 * 1024 * 1024
_FIRST_INTEL = re.compile(rb"\s*:[0-9A-Fa-f]{10}")
_FIRST_MOTOROLA = re.compile(rb"\s*S[0-9][0-9A-Fa-f]{6}")
_FIRST_XML = re.compile(rb"(?:\xef\xbb\xbf)?\s*<\?xml|(?:\xef\xbb\xbf)?\s*<ODX")
_ZIP = b"PK\x03\x04"


def guess_format(data: bytes) -> SoftwareFormat:
    """The format by the first bytes; whatever looks like none of the others is plain binary."""
    if _FIRST_INTEL.match(data):
        return SoftwareFormat.INTEL_HEX
    if _FIRST_MOTOROLA.match(data):
        return SoftwareFormat.S_RECORD
    if data.startswith(_ZIP) or _FIRST_XML.match(data):
        return SoftwareFormat.ODX_F
    return SoftwareFormat.BINARY


def read_software_file(
    path: Path,
    *,
    format: SoftwareFormat | None = None,  # noqa: A002 - the word of the command
    address: int | None = None,
    session: str = "",
) -> SoftwareReading:
    """Read a software file; otherwise as :func:`read_software_bytes`.

    Raises:
        InputError: it cannot be read.
    """
    try:
        mode = path.stat().st_mode
        if not stat.S_ISREG(mode):
            raise _unreadable(path, "it is no file")
        with path.open("rb") as file:
            data = file.read(LARGEST_FILE_BYTES + 1)
    except OSError as error:
        raise _unreadable(path, error.strerror or str(error)) from error
    return read_software_bytes(
        data, file=str(path), format=format, address=address, session=session
    )


def read_software_bytes(
    data: bytes,
    *,
    file: str,
    format: SoftwareFormat | None = None,  # noqa: A002 - the word of the command
    address: int | None = None,
    session: str = "",
) -> SoftwareReading:
    """Read the bytes of a software file.

    Args:
        data: the whole file.
        file: its name as the user gave it.
        format: its format; None to tell by its first bytes.
        address: where a plain binary file goes; None where that is not known.
        session: short name of the programming session of an ODX-F file; empty where it has one.

    Raises:
        InputError: with every mistake of the file, each with its line.
    """
    mistakes = FileMistakes(file)
    if len(data) > LARGEST_FILE_BYTES:
        what = f"it has more than {LARGEST_FILE_BYTES} bytes"
        mistakes.add(0, what, "no control unit takes that much: look what it is")
    elif not data:
        mistakes.add(0, "it is empty", "get the file again from where it came")
    mistakes.raise_if_any()
    kind = format or guess_format(data)
    if kind is SoftwareFormat.ODX_F:
        from donorfit.edge.software.odx_flash import read_odx_flash  # noqa: PLC0415 - an extra

        return read_odx_flash(data, file=file, session=session)
    if kind is SoftwareFormat.BINARY:
        return _read_binary(data, file, address, mistakes)
    read = read_intel_hex if kind is SoftwareFormat.INTEL_HEX else read_s_record
    segments, notes = read(data, mistakes)
    mistakes.raise_if_any()
    return SoftwareReading(
        file=file,
        format=kind,
        file_bytes=len(data),
        image=make_image(data, segments),
        notes=notes,
    )


def _read_binary(
    data: bytes, file: str, address: int | None, mistakes: FileMistakes
) -> SoftwareReading:
    first = address or 0
    if not 0 <= first <= HIGHEST_ADDRESS or first + len(data) - 1 > HIGHEST_ADDRESS:
        what = (
            f"{count(len(data), 'byte')} from 0x{first:X} on "
            f"{choose(len(data), 'does', 'do')} not fit addresses of five bytes"
        )
        mistakes.add(0, what, "correct the address")
    mistakes.raise_if_any()
    said = "a plain binary file does not say where its bytes go"
    return SoftwareReading(
        file=file,
        format=SoftwareFormat.BINARY,
        file_bytes=len(data),
        image=make_image(data, (SoftwareSegment(address=first, data=data),)),
        has_address=address is not None,
        notes=() if address is not None else (said,),
    )


def _unreadable(path: Path, why: str) -> InputError:
    return InputError(
        what="The software file cannot be read.",
        where=str(path),
        why=why,
        next_step="Name the file that your own licensed source gave you.",
    )
