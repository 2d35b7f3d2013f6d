"""Writes every frame of a session to a pcapng file, which any packet analyser opens.

Blocks and options: the pcapng draft of the IETF's opsawg. DoIP and UDS in memory go into TCP
segments with headers of our own making (link type 101, raw IP; addresses of RFC 5737 for
documentation); CAN goes out as it was (link type 227, SocketCAN).
"""

import struct
import time
from pathlib import Path
from typing import BinaryIO

from donorfit.diagnostics.doip import encode_diagnostic_message
from donorfit.diagnostics.doip_codes import TCP_DATA_PORT, UDP_DISCOVERY_PORT, ProtocolVersion
from donorfit.diagnostics.pdu import Direction, Layer, TracedFrame
from donorfit.errors import InputError, JournalError
from donorfit.job.ports import Clock
from donorfit.vehicle.identity import Address

DEFAULT_MAX_BYTES = 256 << 20

_SECTION_HEADER, _INTERFACE, _PACKET = 0x0A0D0D0A, 0x00000001, 0x00000006
_BYTE_ORDER_MAGIC = 0x1A2B3C4D
_RAW_IP, _SOCKETCAN = 101, 227
_IP_INTERFACE, _CAN_INTERFACE = 0, 1
_TESTER_IP, _GATEWAY_IP = bytes((192, 0, 2, 1)), bytes((192, 0, 2, 2))
_TESTER_PORT = 50000
_TCP, _UDP = 6, 17
_PUSH_AND_ACKNOWLEDGE = 0x18
_SEGMENT_BYTES = 32_000
_WIDE_FLAG = 0x80000000
_FD_FLAG = 0x04


def _refuse_other_files(path: Path) -> None:
    """A mistyped name must not cost a job file, and with it the backups."""
    if not path.exists():
        return
    with path.open("rb") as file:
        head = file.read(4)
    if head and head != struct.pack("<I", _SECTION_HEADER):
        raise InputError(
            what=f"{path.name} is there already, and is no capture file.",
            where=str(path),
            why=f"It begins with {head.hex(' ').upper()}; it would be overwritten.",
            next_step="Choose another name for --capture.",
        )


class CaptureFile:
    """Takes traced frames: ``link.trace(capture.take)``.

    A session is not stopped by a capture that fails: what could not be written is counted.

    Attributes:
        frames: frames written.
        left_out: frames not written, because the file is full or writing failed.
        failed: why writing failed; None while it works.
    """

    def __init__(self, path: Path, clock: Clock, *, max_bytes: int = DEFAULT_MAX_BYTES) -> None:
        """Begin the file.

        Raises:
            InputError: a file that is no capture stands there.
            JournalError: it cannot be written.
        """
        self.frames = 0
        self.left_out = 0
        self.failed: str | None = None
        self._max_bytes = max_bytes
        self._bytes = 0
        # Frames carry monotonic time; the file wants the time of day.
        self._wall_offset_s = time.time() - clock.now()
        self._sequence = {Direction.SENT: 1, Direction.RECEIVED: 1}
        try:
            _refuse_other_files(path)
            self._file: BinaryIO = path.open("wb")
            self._file.write(_make_head())
        except OSError as error:
            raise JournalError(
                what=f"the capture file {path.name} cannot be written",
                where=str(path),
                why=error.strerror or str(error),
                next_step="choose another place, or go on without a capture",
            ) from error

    def take(self, frame: TracedFrame) -> None:
        """Write one frame."""
        if self.failed is not None or self._bytes + len(frame.data) > self._max_bytes:
            self.left_out += 1
            return
        try:
            for interface, packet in self._wrap(frame):
                block = _make_packet(interface, frame.at_s + self._wall_offset_s, packet)
                self._file.write(block)
                self._bytes += len(block)
        except OSError as error:
            self.failed = error.strerror or str(error)
            self.left_out += 1
            return
        self.frames += 1

    def close(self) -> None:
        """Write out what is buffered; twice is harmless."""
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
        ports = (_TESTER_PORT, TCP_DATA_PORT) if sent else (TCP_DATA_PORT, _TESTER_PORT)
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
        return _make_ip_packet(direction, _TCP, header + data)


def _make_udp_packet(direction: Direction, data: bytes) -> bytes:
    sent = direction is Direction.SENT
    ports = (_TESTER_PORT, UDP_DISCOVERY_PORT) if sent else (UDP_DISCOVERY_PORT, _TESTER_PORT)
    return _make_ip_packet(direction, _UDP, struct.pack("!HHHH", *ports, 8 + len(data), 0) + data)


def _make_ip_packet(direction: Direction, protocol: int, data: bytes) -> bytes:
    sent = direction is Direction.SENT
    addresses = _TESTER_IP + _GATEWAY_IP if sent else _GATEWAY_IP + _TESTER_IP
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
        _make_block(_SECTION_HEADER, section)
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
