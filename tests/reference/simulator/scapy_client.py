"""Talks to a DoIP entity with scapy and prints what it was answered, as JSON.

Run as a process of its own, since scapy is under another licence: ``python scapy_client.py PORT``.
"""

import json
import sys
import zlib

from scapy.contrib.automotive.doip import DoIP, DoIPSocket, UDS_DoIPSocket
from scapy.contrib.automotive.uds import (
    UDS,
    UDS_DSC,
    UDS_RD,
    UDS_RDBI,
    UDS_RDTCI,
    UDS_SA,
    UDS_TD,
    UDS_WDBI,
)

TESTER, GATEWAY, BODY, TOW = 0x0E80, 0x1010, 0x1040, 0x1071
BLOCK = bytes((place * 7 + 3) & 0xFF for place in range(1000))


def main() -> None:
    port = int(sys.argv[1])
    said = {}
    plain = DoIPSocket("127.0.0.1", port, activate_routing=False)
    answer = plain.sr1(
        DoIP(payload_type=5, activation_type=0, source_address=0x0BAD, reserved_oem=b""),
        verbose=False, timeout=3,
    )  # fmt: skip
    said["unknown tester"] = answer.routing_activation_response
    plain.close()

    sock = UDS_DoIPSocket("127.0.0.1", port, source_address=TESTER, target_address=GATEWAY)

    def ask(target, packet):
        sock.target_address = target
        return sock.sr1(packet, verbose=False, timeout=5)

    answer = ask(GATEWAY, UDS() / UDS_RDBI(identifiers=[0xF190]))
    said["vin"] = bytes(answer)[3:].decode()
    answer = ask(GATEWAY, UDS() / UDS_RDTCI(reportType=2, DTCStatusMask=0xFF))
    said["availability"] = int(answer.DTCStatusAvailabilityMask)
    said["faults"] = bytes(answer)[3:].hex()
    answer = ask(BODY, UDS() / UDS_WDBI(dataIdentifier=0x0601) / bytes.fromhex("0010a000fd"))
    said["write in default session"] = answer.negativeResponseCode
    answer = ask(BODY, UDS() / UDS_DSC(diagnosticSessionType=3))
    said["session"] = [int(answer.diagnosticSessionType), bytes(answer)[2:].hex()]
    answer = ask(BODY, UDS() / UDS_WDBI(dataIdentifier=0x0601) / bytes.fromhex("0010a000fd"))
    said["write"] = answer.dataIdentifier
    ask(TOW, UDS() / UDS_DSC(diagnosticSessionType=2))
    seed = bytes(ask(TOW, UDS() / UDS_SA(securityAccessType=1)).securitySeed)
    key = zlib.crc32(seed + b"\x01DEMO").to_bytes(4, "big")
    answer = ask(TOW, UDS() / UDS_SA(securityAccessType=2, securityKey=key))
    said["unlocked"] = answer.securityAccessType
    answer = ask(
        TOW,
        UDS()
        / UDS_RD(memorySizeLen=4, memoryAddressLen=4, memoryAddress4=0x10000, memorySize4=1000),
    )
    said["block length"] = int.from_bytes(bytes(answer)[2:], "big")
    said["counters"] = []
    for counter, at in enumerate(range(0, 1000, 250), 1):
        answer = ask(
            TOW,
            UDS()
            / UDS_TD(
                blockSequenceCounter=counter, transferRequestParameterRecord=BLOCK[at : at + 250]
            ),
        )
        said["counters"].append(answer.blockSequenceCounter)
    said["exit"] = bytes(ask(TOW, UDS(b"\x37"))).hex()
    said["check"] = bytes(
        ask(TOW, UDS(b"\x31\x01\x02\x02" + zlib.crc32(BLOCK).to_bytes(4, "big")))
    ).hex()
    said["software"] = bytes(ask(TOW, UDS() / UDS_RDBI(identifiers=[0xF189])))[3:].decode()
    sock.close()
    print(json.dumps(said))


main()
