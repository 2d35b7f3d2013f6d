"""Writes every frame of a session to a pcapng file, which any packet analyser opens.

Blocks and options: the pcapng draft of the IETF's opsawg. DoIP and UDS in memory go into TCP
segments with headers of our own making (link type 101, raw IP; addresses of RFC 5737 for
documentation); CAN goes out as it was (link type 227, SocketCAN).

A file that holds captures of ours already gets one more section, in which the made-up TCP
connection has a port of its own: analysers would take its numbers, which begin anew, for old data.
"""

import os
import struct
import time
from errno import ENOSPC
from io import SEEK_END, FileIO
from pathlib import Path

from donorfit import __version__
from donorfit.diagnostics.doip import encode_diagnostic_message
from donorfit.diagnostics.doip_codes import TCP_DATA_PORT, UDP_DISCOVERY_PORT, ProtocolVersion
from donorfit.diagnostics.pdu import Direction, Layer, TracedFrame
from donorfit.edge.links.capture_sections import (
    SECTION_HEADER,
    WRITER,
    encode_name,
    look_at,
    set_aside,
)
from donorfit.errors import InputError
from donorfit.job.ports import Clock, PduLink
from donorfit.records.counted import count
from donorfit.vehicle.identity import Address

DEFAULT_MAX_BYTES = 256 << 20

_INTERFACE, _PACKET = 0x00000001, 0x00000006
_BYTE_ORDER_MAGIC = 0x1A2B3C4D
_RAW_IP, _SOCKETCAN = 101, 227
_IP_INTERFACE, _CAN_INTERFACE = 0, 1
_TESTER_IP, _GATEWAY_IP = bytes((192, 0, 2, 1)), bytes((192, 0, 2, 2))
_LATER_TESTERS, _LATER_TESTER_COUNT = bytes((198, 51, 100)), 254
"""Address of the tester on each connection after the first; its TCP numbers begin anew there."""
_FIRST_TESTER_PORT, _TESTER_PORTS = 50000, 15000
_TCP, _UDP = 6, 17
_PUSH_AND_ACKNOWLEDGE = 0x18
_SEGMENT_BYTES = 32_000
_WIDE_FLAG = 0x80000000
_FD_FLAG = 0x04
_NAME = WRITER + b" " + __version__.encode()


class CaptureFile:
    """Takes traced frames: ``capture.follow(link)``, for each link before it is opened.

    A session is not stopped by a capture that fails: what could not be written is counted. Each
    frame is handed to the system as it comes, so that a program that is killed loses none of them.

    Attributes:
        frames: frames written.
        left_out: frames not written, because the section is full or writing failed.
        failed: why writing failed; None while it works.
        notes: what people should know of the file as it was found.
    """

    def __init__(self, path: Path, clock: Clock, *, max_bytes: int = DEFAULT_MAX_BYTES) -> None:
        """Begin the file, or a section more in a capture of ours.

        Raises:
            InputError: it cannot be written, or a file that is no capture of ours stands there,
                or a damaged one.
        """
        self.frames = 0
        self.left_out = 0
        self.failed: str | None = None
        self.notes: list[str] = []
        self._max_bytes = max_bytes
        self._bytes = 0
        # Frames carry monotonic time; the file wants the time of day.
        self._wall_offset_s = time.time() - clock.now()
        self._sequence = {Direction.SENT: 1, Direction.RECEIVED: 1}
        self._tester_ip = _TESTER_IP
        self._connections = 0
        self._full = False
        try:
            older = look_at(path)
            if older.torn_bytes:
                aside = set_aside(path, older)
                self.notes.append(
                    f"the capture {path.name} ended in the middle of a block: its last "
                    f"{count(older.torn_bytes, 'byte is', 'bytes are')} kept in {aside.name}"
                )
            self._tester_port = _FIRST_TESTER_PORT + older.sections % _TESTER_PORTS
            self._file: FileIO = path.open("ab", buffering=0)
            self._write(_make_head())
        except OSError as error:
            raise InputError(
                what=f"the capture file {path.name} cannot be written",
                where=str(path),
                why=error.strerror or str(error),
                next_step="choose another place, or go on without a capture",
            ) from error

    def follow(self, link: PduLink) -> None:
        """Take every frame of a link that is about to be opened."""
        self.begin_connection()
        link.trace(self.take)

    def begin_connection(self) -> None:
        """What follows came over another connection than what came before.

        The one before may have ended within a message, which a reader would go on with otherwise.
        """
        if self._connections:
            last = 1 + (self._connections - 1) % _LATER_TESTER_COUNT
            self._tester_ip = _LATER_TESTERS + bytes((last,))
            self._sequence = {Direction.SENT: 1, Direction.RECEIVED: 1}
        self._connections += 1

    def take(self, frame: TracedFrame) -> None:
        """Write one frame; once one has no room, none has: what follows would join a gap."""
        self._full = self._full or self._bytes + len(frame.data) > self._max_bytes
        if self.failed is not None or self._full:
            self.left_out += 1
            return
        blocks = b"".join(
            _make_packet(interface, frame.at_s + self._wall_offset_s, packet)
            for interface, packet in self._wrap(frame)
        )
        try:
            self._write(blocks)
        except OSError as error:
            self.failed = error.strerror or str(error)
            self.left_out += 1
            return
        self._bytes += len(blocks)
        self.frames += 1

    def _write(self, blocks: bytes) -> None:
        """Write whole blocks, or none of them: half of one would hide all that follows."""
        written = self._file.write(blocks)
        if written < len(blocks):
            self._file.truncate(self._file.seek(0, SEEK_END) - written)
            raise OSError(ENOSPC, os.strerror(ENOSPC))

    def close(self) -> None:
        """Close the file; twice is harmless."""
        try:
            self._file.close()
        except OSError as error:
            self.failed = error.strerror or str(error)

    def _wrap(self, frame: TracedFrame) -> list[tuple[int, bytes]]:
        if frame.layer is Layer.CAN:
            return [(_CAN_INTERFACE, _make_can_packet(frame))]
        if frame.layer is Layer.DOIP_UDP:
            return [(_IP_INTERFACE, _make_udp_packet(frame.direction, frame.data))]
        data = frame.data
        if frame.layer is Layer.UDS:
            data = encode_diagnostic_message(
                ProtocolVersion.ISO_13400_2_2012,
                Address(frame.source),
                Address(frame.target),
                frame.data,
            )
        return [
            (_IP_INTERFACE, self._make_tcp_packet(frame.direction, data[at : at + _SEGMENT_BYTES]))
            for at in range(0, len(data), _SEGMENT_BYTES)
        ]

    def _make_tcp_packet(self, direction: Direction, data: bytes) -> bytes:
        sent = direction is Direction.SENT
        ports = (self._tester_port, TCP_DATA_PORT)
        if not sent:
            ports = ports[::-1]
        other = Direction.RECEIVED if sent else Direction.SENT
        sequence = self._sequence[direction]
        self._sequence[direction] = (sequence + len(data)) & 0xFFFFFFFF
        # The checksum stays 0, as it does where a network card would fill it in.
        header = struct.pack(
            "!HHIIBBHHH",
            *ports,
            sequence,
            self._sequence[other],
            5 << 4,
            _PUSH_AND_ACKNOWLEDGE,
            0xFFFF,
            0,
            0,
        )
        return _make_ip_packet(direction, _TCP, header + data, self._tester_ip)


def _make_udp_packet(direction: Direction, data: bytes) -> bytes:
    sent = direction is Direction.SENT
    ports = (_FIRST_TESTER_PORT, UDP_DISCOVERY_PORT)
    if not sent:
        ports = ports[::-1]
    return _make_ip_packet(direction, _UDP, struct.pack("!HHHH", *ports, 8 + len(data), 0) + data)


def _make_ip_packet(
    direction: Direction, protocol: int, data: bytes, tester: bytes = _TESTER_IP
) -> bytes:
    sent = direction is Direction.SENT
    addresses = tester + _GATEWAY_IP if sent else _GATEWAY_IP + tester
    fixed = struct.pack("!BBHHHBB", 0x45, 0, 20 + len(data), 0, 0, 64, protocol)
    total = sum(struct.unpack("!9H", fixed + addresses))
    total = (total & 0xFFFF) + (total >> 16)
    total = (total & 0xFFFF) + (total >> 16)
    return fixed + struct.pack("!H", total ^ 0xFFFF) + addresses + data


def _make_can_packet(frame: TracedFrame) -> bytes:
    identifier = frame.source | (_WIDE_FLAG if frame.wide else 0)
    flags = _FD_FLAG if frame.flexible_rate else 0
    return struct.pack("!IBBxx", identifier, len(frame.data), flags) + frame.data


def _make_head() -> bytes:
    section = struct.pack("<IHHq", _BYTE_ORDER_MAGIC, 1, 0, -1)
    return (
        _make_block(SECTION_HEADER, section + encode_name(_NAME))
        + _make_block(_INTERFACE, struct.pack("<HHI", _RAW_IP, 0, 0))
        + _make_block(_INTERFACE, struct.pack("<HHI", _SOCKETCAN, 0, 0))
    )


def _make_packet(interface: int, at_unix_s: float, packet: bytes) -> bytes:
    # Without an option that says otherwise the time is in microseconds.
    time_us = max(0, round(at_unix_s * 1_000_000))
    length = len(packet)
    head = struct.pack("<IIIII", interface, time_us >> 32, time_us & 0xFFFFFFFF, length, length)
    return _make_block(_PACKET, head + packet + bytes(-length % 4))


def _make_block(kind: int, body: bytes) -> bytes:
    length = struct.pack("<I", 12 + len(body))
    return struct.pack("<I", kind) + length + body + length
