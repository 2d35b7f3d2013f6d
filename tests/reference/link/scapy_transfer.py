"""Runs alone: scapy reads UDS transfers (JSON on standard input) and says what it found.

Exit code 77 where scapy is not installed.
"""

import json
import sys

try:
    from scapy.contrib.automotive.uds import UDS
except ImportError:
    sys.exit(77)


def read(data):
    packet = UDS(data)
    fields = {}
    for layer in (packet, packet.payload):
        for name, value in layer.fields.items():
            fields[name] = value.hex() if isinstance(value, bytes) else value
    packet.raw_packet_cache = None
    return {"again": bytes(packet).hex(), "fields": fields}


found = {name: read(bytes.fromhex(text)) for name, text in json.load(sys.stdin).items()}
json.dump(found, sys.stdout, default=str)
