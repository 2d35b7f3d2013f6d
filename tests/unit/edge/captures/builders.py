"""Capture files and packets made byte by byte, apart from the program's own writer."""

import struct


def make_pcap(packets, *, order="<", link_type=1, nanoseconds=False):
    magic = 0xA1B23C4D if nanoseconds else 0xA1B2C3D4
    out = struct.pack(f"{order}IHHiIII", magic, 2, 4, 0, 0, 65535, link_type)
    ticks = 1_000_000_000 if nanoseconds else 1_000_000
    for at_s, data in packets:
        whole = int(at_s) * ticks + round(at_s % 1 * ticks)
        out += struct.pack(f"{order}IIII", whole // ticks, whole % ticks, len(data), len(data))
        out += data
    return out


def block(order, kind, body):
    length = 12 + len(body)
    return struct.pack(f"{order}II", kind, length) + body + struct.pack(f"{order}I", length)


def make_pcapng(packets, *, order="<", link_type=1, options=b""):
    out = block(order, 0x0A0D0D0A, struct.pack(f"{order}IHHq", 0x1A2B3C4D, 1, 0, -1))
    out += block(order, 1, struct.pack(f"{order}HHI", link_type, 0, 0) + options)
    out += block(order, 5, bytes(8))  # statistics, which carry no packet
    for ticks, data in packets:
        head = struct.pack(
            f"{order}IIIII", 0, ticks >> 32, ticks & 0xFFFFFFFF, len(data), len(data)
        )
        out += block(order, 6, head + data + bytes(-len(data) % 4))
    return out


def ip(data, protocol, *, source=(192, 0, 2, 9), target=(192, 0, 2, 1), fragment=0):
    head = struct.pack("!BBHHHBBH", 0x45, 0, 20 + len(data), 0, fragment, 64, protocol, 0)
    return head + bytes(source) + bytes(target) + data


def ip6(data, protocol):
    head = struct.pack("!IHBB", 6 << 28, len(data), protocol, 64)
    return head + bytes(15) + b"\x09" + bytes(15) + b"\x01" + data


def ethernet(data, kind=0x0800, tags=b""):
    return bytes(12) + tags + struct.pack("!H", kind) + data


def tcp(data, sequence, *, source=50000, target=13400, flags=0x18):
    return struct.pack("!HHIIBBHHH", source, target, sequence, 0, 5 << 4, flags, 0, 0, 0) + data


def udp(data, *, source=50000, target=13400):
    return struct.pack("!HHHH", source, target, 8 + len(data), 0) + data


def can(identifier, data, *, flags=0, length=None):
    length = len(data) if length is None else length
    return struct.pack("!IBBxx", identifier, length, flags) + data
