"""Packets out of capture files: pcapng (draft of the IETF's opsawg) and the older pcap.

Both are written by every packet analyser; they are simple enough that a reader of our own spares
a requirement. A file that ends in the middle gives what came before, and says so.
"""

import struct
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from donorfit.errors import InputError
from donorfit.records.counted import count

MOST_PACKET_BYTES = 1 << 24
_MOST_BLOCK_BYTES = MOST_PACKET_BYTES + (1 << 16)

_SECTION, _INTERFACE, _OLD_PACKET, _SIMPLE_PACKET, _PACKET = 0x0A0D0D0A, 1, 2, 3, 6
_BYTE_ORDER_MAGIC = 0x1A2B3C4D
_RESOLUTION_OPTION, _OFFSET_OPTION = 9, 14
_BINARY_RESOLUTION = 0x80
_PCAP_MAGICS = {
    0xA1B2C3D4: 1_000_000,
    0xA1B23C4D: 1_000_000_000,
}
_PCAP_HEAD_BYTES = 24


@dataclass(frozen=True, slots=True, kw_only=True)
class Packet:
    """One packet as it was captured.

    Attributes:
        number: place in the file, counted from 1, as packet analysers count.
        at_s: Unix time in seconds.
        link_type: what kind of link it is from (tcpdump's list of link-layer header types).
        data: its bytes, as many as were kept.
        cut_bytes: how many bytes were not kept.
    """

    number: int
    at_s: float
    link_type: int
    data: bytes
    cut_bytes: int


@dataclass(frozen=True, slots=True, kw_only=True)
class FileEnd:
    """The file ended early, or what follows cannot be read; the reason in words."""

    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class _Interface:
    link_type: int
    ticks_a_second: int
    offset_s: int


class _CutShortError(Exception):
    """The file ends in the middle of something."""


def read_packets(path: Path) -> Iterator[Packet | FileEnd]:
    """Every packet of a file in its order; a :class:`FileEnd` last where it does not end well.

    Raises:
        InputError: it cannot be read, or is no capture file.
    """
    try:
        with path.open("rb") as file:
            yield from _read(file, path)
    except OSError as error:
        raise InputError(
            what="The capture file cannot be read.",
            where=str(path),
            why=error.strerror or str(error),
            next_step="Name a pcapng or pcap file.",
        ) from error


def _read(file: BinaryIO, path: Path) -> Iterator[Packet | FileEnd]:
    head = file.read(4)
    file.seek(0)
    try:
        if head == _SECTION.to_bytes(4, "little"):
            yield from _read_pcapng(file)
            return
        for order in "<>":
            ticks = _PCAP_MAGICS.get(struct.unpack(f"{order}I", head)[0]) if head[3:] else None
            if ticks is not None:
                yield from _read_pcap(file, order, ticks)
                return
    except _CutShortError as error:
        yield FileEnd(why=str(error))
        return
    raise InputError(
        what="This is no capture file.",
        where=str(path),
        why=f"It begins with {head.hex(' ').upper() or 'nothing'}, not like pcapng or pcap.",
        next_step="Name a file that --capture or a packet analyser wrote.",
    )


def _take(file: BinaryIO, size: int, what: str) -> bytes:
    data = file.read(size)
    if len(data) < size:
        message = f"the file ends in the middle of {what}"
        raise _CutShortError(message)
    return data


# --- pcap ------------------------------------------------------------------------------------


def _read_pcap(file: BinaryIO, order: str, ticks: int) -> Iterator[Packet]:
    head = _take(file, _PCAP_HEAD_BYTES, "its head")
    link_type = struct.unpack(f"{order}I", head[20:24])[0] & 0xFFFF
    number = 0
    while mark := file.read(16):
        number += 1
        if len(mark) < 16:  # noqa: PLR2004 - four words
            message = f"the file ends in the middle of packet {number}"
            raise _CutShortError(message)
        seconds, fraction, kept, whole = struct.unpack(f"{order}IIII", mark)
        if kept > MOST_PACKET_BYTES:
            message = (
                f"packet {number} claims {count(kept, 'byte')}: the file is damaged from there on"
            )
            raise _CutShortError(message)
        data = _take(file, kept, f"packet {number}")
        yield Packet(
            number=number,
            at_s=seconds + fraction / ticks,
            link_type=link_type,
            data=data,
            cut_bytes=max(0, whole - kept),
        )


# --- pcapng ----------------------------------------------------------------------------------


def _read_pcapng(file: BinaryIO) -> Iterator[Packet]:
    order = "<"
    interfaces: list[_Interface] = []
    number = 0
    while mark := file.read(8):
        if len(mark) < 8:  # noqa: PLR2004 - type and length
            message = f"the file ends in the middle of a block after packet {number}"
            raise _CutShortError(message)
        if int.from_bytes(mark[:4], "big") == _SECTION:
            order = _read_byte_order(file)
            interfaces = []
        kind, length = struct.unpack(f"{order}II", mark)
        if length % 4 or not 12 <= length <= _MOST_BLOCK_BYTES:  # noqa: PLR2004 - an empty block
            message = (
                f"a block after packet {number} claims {count(length, 'byte')}: damaged from "
                "there on"
            )
            raise _CutShortError(message)
        body = _take(file, length - 8, f"a block after packet {number}")[:-4]
        if kind == _INTERFACE:
            interfaces.append(_read_interface(body, order))
        elif kind in {_PACKET, _OLD_PACKET, _SIMPLE_PACKET}:
            number += 1
            yield _read_block(kind, body, order, interfaces, number)


def _read_byte_order(file: BinaryIO) -> str:
    magic = _take(file, 4, "the head of a section")
    file.seek(-4, 1)
    for order in "<>":
        if magic == struct.pack(f"{order}I", _BYTE_ORDER_MAGIC):
            return order
    message = "the head of a section is damaged"
    raise _CutShortError(message)


def _read_interface(body: bytes, order: str) -> _Interface:
    if len(body) < 8:  # noqa: PLR2004 - its fixed part
        message = "the description of an interface is too short"
        raise _CutShortError(message)
    link_type = struct.unpack(f"{order}H", body[:2])[0]
    ticks, offset = 1_000_000, 0
    at = 8
    while at + 4 <= len(body):
        code, length = struct.unpack(f"{order}HH", body[at : at + 4])
        value = body[at + 4 : at + 4 + length]
        if code == _RESOLUTION_OPTION and value:
            power = value[0] & ~_BINARY_RESOLUTION
            ticks = 2**power if value[0] & _BINARY_RESOLUTION else 10 ** min(power, 18)
        elif code == _OFFSET_OPTION and len(value) == 8:  # noqa: PLR2004 - a 64-bit number
            offset = struct.unpack(f"{order}q", value)[0]
        at += 4 + length + -length % 4
    return _Interface(link_type=link_type, ticks_a_second=ticks, offset_s=offset)


def _read_block(
    kind: int, body: bytes, order: str, interfaces: list[_Interface], number: int
) -> Packet:
    head = {_PACKET: "IIIII", _OLD_PACKET: "HHIIII", _SIMPLE_PACKET: "I"}[kind]
    size = struct.calcsize(f"{order}{head}")
    if len(body) < size:
        message = f"packet {number} is shorter than its head"
        raise _CutShortError(message)
    values = struct.unpack(f"{order}{head}", body[:size])
    place = 0 if kind == _SIMPLE_PACKET else values[0]
    if place >= len(interfaces):
        message = f"packet {number} is from an interface that the file does not describe"
        raise _CutShortError(message)
    interface = interfaces[place]
    if kind == _SIMPLE_PACKET:
        ticks, kept, whole = 0, min(values[0], len(body) - size), values[0]
    else:
        high, low, kept, whole = values[-4:]
        ticks = high << 32 | low
    if kept > len(body) - size:
        message = f"packet {number} is shorter than it claims"
        raise _CutShortError(message)
    return Packet(
        number=number,
        at_s=interface.offset_s + ticks / interface.ticks_a_second,
        link_type=interface.link_type,
        data=body[size : size + kept],
        cut_bytes=max(0, whole - kept),
    )
