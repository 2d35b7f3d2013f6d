"""Read network descriptions into :class:`donorfit.vehicle.network.Network` values.

DBC, KCD, SYM and ARXML go through cantools (ARXML through canmatrix where cantools gives up), LDF
through ldfparser. No loader is trusted: messages are counted in the text by a count of our own,
and every difference, repair and thing left out is part of the answer.
"""

from dataclasses import replace
from pathlib import Path

from donorfit.edge.networks.message_count import count_messages
from donorfit.edge.networks.reading import FORMATS, NetworkReading
from donorfit.edge.networks.through_canmatrix import load_through_canmatrix
from donorfit.edge.networks.through_cantools import ReaderLimitError, load_through_cantools
from donorfit.edge.networks.through_ldfparser import load_through_ldfparser
from donorfit.edge.networks.value_checks import (
    MOST_MESSAGES,
    find_message_line,
    list_value_mistakes,
)
from donorfit.errors import InputError, Mistake
from donorfit.records.counted import count
from donorfit.vehicle.network import Network

LARGEST_FILE_BYTES = 64 * 1024 * 1024
LARGEST_LDF_BYTES = 2 * 1024 * 1024
"""A LIN bus has at most 64 frames; the parser of this format takes seconds a megabyte."""
_ENCODINGS = {"dbc": "cp1252", "sym": "cp1252"}
_BOM = b"\xef\xbb\xbf"

_Loaded = tuple[tuple[Network, ...], str, list[Mistake], list[Mistake]]


def read_network_file(path: Path, *, name: str = "", bit_rate: int = 0) -> NetworkReading:
    """Read one network description from disk.

    Args:
        path: the file; its ending says the format.
        name: name for a network that has none in the file, or that the pack calls otherwise.
        bit_rate: bit/s where the file does not say.

    Raises:
        InputError: file cannot be opened, is too large, of an unknown format, or wrong.
    """
    try:
        size = path.stat().st_size
        data = path.read_bytes() if size <= LARGEST_FILE_BYTES else b""
    except OSError as error:
        reason = error.strerror or str(error)
        raise _refuse(str(path), f"it cannot be opened: {reason}", "check the path") from None
    if size > LARGEST_FILE_BYTES:
        what = f"it has {size} bytes, more than the {LARGEST_FILE_BYTES} allowed"
        raise _refuse(str(path), what, "split it by network")
    return read_network_bytes(data, file=str(path), name=name, bit_rate=bit_rate)


def read_network_bytes(
    data: bytes, *, file: str, name: str = "", bit_rate: int = 0
) -> NetworkReading:
    """Read one network description from bytes, as :func:`read_network_file` does."""
    file_format = Path(file).suffix[1:].lower()
    if file_format not in FORMATS:
        what = f"ending {file_format or '(none)'!r} is none of {', '.join(FORMATS)}"
        raise _refuse(file, what, "give a file in one of these formats")
    largest = LARGEST_LDF_BYTES if file_format == "ldf" else LARGEST_FILE_BYTES
    if len(data) > largest:
        what = f"it has {len(data)} bytes, more than the {largest} allowed"
        raise _refuse(file, what, "split it by network")
    text, repairs = _decode(data, file_format, file)
    in_text = count_messages(text, file_format=file_format, file=file)
    if in_text > MOST_MESSAGES:
        what = f"it has {in_text} messages, more than the {MOST_MESSAGES} allowed"
        line = find_message_line(text, MOST_MESSAGES)
        raise _refuse(file, what, "split it by network", line)
    networks, reader, more_repairs, left_out = _load(text, data, file_format, file, in_text)
    if mistakes := list_value_mistakes(networks, text, file=file, file_format=file_format):
        raise InputError(
            what=f"{file} holds values that no network can have",
            mistakes=mistakes,
        )
    loaded = sum(len(network.messages) for network in networks)
    if loaded != in_text:
        left_out.append(_note_gap(file, in_text, loaded))
    if not loaded and in_text:
        raise InputError(
            what=f"{file} holds {count(in_text, 'message')} and none of them could be read",
            mistakes=tuple(left_out),
        )
    return NetworkReading(
        file=file,
        format=file_format,
        reader=reader,
        messages_in_text=in_text,
        networks=_rename(networks, name or Path(file).stem, bit_rate, forced=bool(name)),
        repairs=(*repairs, *more_repairs),
        left_out=tuple(left_out),
    )


def _load(text: str, data: bytes, file_format: str, file: str, in_text: int) -> _Loaded:
    if file_format == "ldf":
        networks, left_out = load_through_ldfparser(text, file=file)
        return networks, "ldfparser", [], left_out
    limit = "it found no message"
    try:
        networks, repairs, left_out = load_through_cantools(
            text, file=file, file_format=file_format
        )
        if any(network.messages for network in networks) or not in_text:
            return networks, "cantools", repairs, left_out
    except ReaderLimitError as error:
        limit = str(error)
    if file_format != "arxml":
        raise _refuse(file, f"the reader gave up: {limit}", "mend the file")
    networks, left_out = load_through_canmatrix(data, file=file)
    note = Mistake(
        file=file,
        line=0,
        what=f"the first reader gave up ({limit}); read through a second one",
        next_step="compare one message with another description of the same car",
    )
    return networks, "canmatrix", [note], left_out


def _decode(data: bytes, file_format: str, file: str) -> tuple[str, list[Mistake]]:
    if data.startswith(_BOM):
        encoding, data = "utf-8", data.removeprefix(_BOM)
    else:
        encoding = _ENCODINGS.get(file_format, "utf-8")
    try:
        return data.decode(encoding), []
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        note = Mistake(
            file=file,
            line=line,
            what=f"byte {data[error.start]:#04x} is no character in {encoding}; read as a gap",
            next_step="save the file in that encoding",
        )
        return data.decode(encoding, errors="replace"), [note]


def _note_gap(file: str, in_text: int, loaded: int) -> Mistake:
    return Mistake(
        file=file,
        line=0,
        what=f"the text holds {count(in_text, 'message')}, {loaded} were loaded",
        next_step="do not rely on what is missing",
    )


def _rename(
    networks: tuple[Network, ...], name: str, bit_rate: int, *, forced: bool
) -> tuple[Network, ...]:
    alone = len(networks) == 1
    return tuple(
        replace(
            network,
            name=name if not network.name or (forced and alone) else network.name,
            bit_rate=bit_rate or network.bit_rate,
        )
        for network in networks
    )


def _refuse(file: str, what: str, next_step: str, line: int = 0) -> InputError:
    return InputError(
        what=f"{file} cannot be read as a network description",
        mistakes=(Mistake(file=file, line=line, what=what, next_step=next_step),),
    )
