"""Runs alone: scapy reads DoIP frames (JSON on standard input) and says what it found.

Exit code 77 where scapy is not installed.
"""

import json
import sys

try:
    from scapy.contrib.automotive.doip import DoIP
    from scapy.packet import Raw
except ImportError:
    sys.exit(77)


def table_of(name):
    field = next(f for f in DoIP.fields_desc if getattr(f, "name", "") == name)
    field = getattr(field, "fld", field)
    return {str(k): v for k, v in field.i2s.items()}


def read(data):
    packet = DoIP(data)
    fields = {
        name: value if isinstance(value, (int, str)) else bytes(value).hex()
        for name, value in packet.fields.items()
        if isinstance(value, (int, str, bytes))
    }
    left = len(packet[Raw].load) if packet.haslayer(Raw) else 0
    packet.raw_packet_cache = None
    return {"again": bytes(packet).hex(), "fields": fields, "left_over": left}


frames = {name: read(bytes.fromhex(text)) for name, text in json.load(sys.stdin).items()}
tables = {
    name: table_of(name)
    for name in (
        "payload_type",
        "routing_activation_response",
        "nack_code",
        "nack",
        "activation_type",
        "node_type",
        "diagnostic_power_mode",
    )
}
json.dump({"frames": frames, "tables": tables}, sys.stdout)
