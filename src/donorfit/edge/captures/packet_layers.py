"""From a packet's bytes to what diagnostics needs: a TCP segment, a UDP datagram, a CAN frame.

Link-layer header types: tcpdump's list. IPv4: RFC 791, IPv6: RFC 8200, TCP: RFC 9293,
UDP: RFC 768.
"""

import ipaddress
import struct
from dataclasses import dataclass

from donorfit.edge.captures.packet_files import Packet

SOCKETCAN = 227
_RAW_IP = frozenset((12, 14, 101, 228, 229))
_IPV4, _IPV6 = 0x0800, 0x86DD
_VLAN_TAGS = frozenset((0x8100, 0x88A8, 0x9100))
_TCP, _UDP = 6, 17
_WIDE, _REMOTE, _ERROR = 0x80000000, 0x40000000, 0x20000000
_WIDE_MASK, _NARROW_MASK = 0x1FFFFFFF, 0x7FF
_FLEXIBLE_FLAG = 0x04
_CLASSIC_BYTES = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class Segment:
    """One TCP segment."""

    source: tuple[str, int]
    target: tuple[str, int]
    sequence: int
    begins: bool
    ends: bool
    data: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class Datagram:
    """One UDP datagram."""

    source: tuple[str, int]
    target: tuple[str, int]
    data: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class BusFrame:
    """One CAN data frame."""

    identifier: int
    wide: bool
    flexible_rate: bool
    data: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class Other:
    """A packet that carries none of these, with what it is.

    Attributes:
        what: kind of packet.
        damaged: whether it should have been readable.
    """

    what: str
    damaged: bool = False


Layer = Segment | Datagram | BusFrame | Other


def unwrap(packet: Packet) -> Layer:
    """What the packet carries."""
    try:
        if packet.link_type == SOCKETCAN:
            return _read_can(packet.data)
        start = _find_network_layer(packet.link_type, packet.data)
        return start if isinstance(start, Other) else _read_ip(packet.data[start:])
    except (struct.error, IndexError, ipaddress.AddressValueError):
        what = "cut short when it was captured" if packet.cut_bytes else "damaged packet"
        return Other(what=what, damaged=True)


def _read_can(data: bytes) -> Layer:
    identifier, length, flags = struct.unpack("!IBB", data[:6])
    if identifier & _ERROR:
        return Other(what="CAN error frame")
    if identifier & _REMOTE:
        return Other(what="CAN remote frame")
    wide = bool(identifier & _WIDE)
    content = data[8 : 8 + length]
    if len(content) < length:
        return Other(what="cut short when it was captured", damaged=True)
    return BusFrame(
        identifier=identifier & (_WIDE_MASK if wide else _NARROW_MASK),
        wide=wide,
        flexible_rate=bool(flags & _FLEXIBLE_FLAG) or length > _CLASSIC_BYTES,
        data=content,
    )


def _find_network_layer(link_type: int, data: bytes) -> int | Other:
    """Where the IP header begins."""
    if link_type in _RAW_IP:
        return 0
    if link_type in {0, 108}:
        return 4
    if link_type == 1:
        kind, start = int.from_bytes(data[12:14], "big"), 14
        while kind in _VLAN_TAGS:
            kind, start = int.from_bytes(data[start + 2 : start + 4], "big"), start + 4
    elif link_type == 113:  # noqa: PLR2004 - Linux cooked capture
        kind, start = int.from_bytes(data[14:16], "big"), 16
    elif link_type == 276:  # noqa: PLR2004 - its second version
        kind, start = int.from_bytes(data[0:2], "big"), 20
    else:
        return Other(what=f"link type {link_type}, not read here")
    return start if kind in {_IPV4, _IPV6} else Other(what="not IP")


def _read_ip(data: bytes) -> Layer:
    version = data[0] >> 4
    if version == 4:  # noqa: PLR2004 - the version itself
        length, fragment = struct.unpack("!HxxH", data[2:8])
        if fragment & 0x3FFF:
            return Other(what="IP fragment", damaged=True)
        ends = (str(ipaddress.IPv4Address(data[at : at + 4])) for at in (12, 16))
        start = (data[0] & 0x0F) * 4
        return _read_transport(data[9], data[start : length or None], *ends)
    if version == 6:  # noqa: PLR2004
        length = struct.unpack("!H", data[4:6])[0]
        ends = (str(ipaddress.IPv6Address(data[at : at + 16])) for at in (8, 24))
        return _read_transport(data[6], data[40 : 40 + length], *ends)
    return Other(what="not IP")


def _read_transport(protocol: int, data: bytes, source: str, target: str) -> Layer:
    if protocol not in {_TCP, _UDP}:
        return Other(what="neither TCP nor UDP")
    ports = struct.unpack("!HH", data[:4])
    ends = (source, ports[0]), (target, ports[1])
    if protocol == _UDP:
        length = struct.unpack("!H", data[4:6])[0]
        return Datagram(source=ends[0], target=ends[1], data=data[8 : length or None])
    sequence = struct.unpack("!I", data[4:8])[0]
    start, flags = (data[12] >> 4) * 4, data[13]
    return Segment(
        source=ends[0],
        target=ends[1],
        sequence=sequence,
        begins=bool(flags & 0x02),
        ends=bool(flags & 0x05),
        data=data[start:],
    )
