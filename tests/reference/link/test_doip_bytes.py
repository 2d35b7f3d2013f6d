"""DoIP header, types, codes and messages against doipclient (MIT, in process) and scapy.

scapy is GPL-2.0-only: it runs in a process of its own and is skipped where it is not installed.
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from donorfit.diagnostics.doip import Frame, FrameReader
from donorfit.diagnostics.doip_codes import (
    ALIVE_CHECK_S,
    CONTROL_S,
    GENERAL_INACTIVITY_S,
    INITIAL_INACTIVITY_S,
    TCP_DATA_PORT,
    UDP_DISCOVERY_PORT,
    ActivationCode,
    ActivationType,
    DiagnosticNack,
    HeaderNack,
    NodeType,
    PayloadType,
    PowerMode,
)
from donorfit.diagnostics.doip_messages import (
    AliveCheckRequest,
    AliveCheckResponse,
    DiagnosticAcknowledge,
    DiagnosticMessage,
    DiagnosticNegativeAcknowledge,
    EntityStatusRequest,
    EntityStatusResponse,
    HeaderNegativeAcknowledge,
    PowerModeRequest,
    PowerModeResponse,
    RoutingActivationRequest,
    RoutingActivationResponse,
    VehicleAnnouncement,
    VehicleIdentificationRequest,
    decode_message,
    encode_message,
)
from donorfit.vehicle.identity import Address

pytestmark = pytest.mark.reference

TESTER, UNIT, GATEWAY = Address(0x0E80), Address(0x1071), Address(0x1010)
VIN = b"ZZ9MERLE0L1000017"
EID, GID = bytes.fromhex("020000000001"), bytes.fromhex("020000000002")

MESSAGES = {
    "header nack": HeaderNegativeAcknowledge(code=2),
    "identification": VehicleIdentificationRequest(),
    "identification by EID": VehicleIdentificationRequest(eid=EID),
    "identification by VIN": VehicleIdentificationRequest(vin=VIN),
    "announcement": VehicleAnnouncement(
        vin=VIN, logical_address=GATEWAY, eid=EID, gid=GID, further_action=0, sync_status=0x10
    ),
    "announcement without sync": VehicleAnnouncement(
        vin=VIN, logical_address=GATEWAY, eid=EID, gid=GID
    ),
    "activation": RoutingActivationRequest(source=TESTER),
    "activation with bytes": RoutingActivationRequest(
        source=TESTER, activation_type=0xE0, maker_specific=b"\x01\x02\x03\x04"
    ),
    "activation answer": RoutingActivationResponse(tester=TESTER, entity=GATEWAY, code=0x10),
    "alive request": AliveCheckRequest(),
    "alive response": AliveCheckResponse(source=TESTER),
    "status request": EntityStatusRequest(),
    "status answer": EntityStatusResponse(
        node_type=0, max_sockets=4, open_sockets=1, max_payload_bytes=0xFFFF
    ),
    "power request": PowerModeRequest(),
    "power answer": PowerModeResponse(mode=1),
    "diagnostic message": DiagnosticMessage(source=TESTER, target=UNIT, pdu=b"\x22\xf1\x90"),
    "acknowledge": DiagnosticAcknowledge(source=UNIT, target=TESTER, previous=b"\x22\xf1\x90"),
    "negative acknowledge": DiagnosticNegativeAcknowledge(source=UNIT, target=TESTER, code=6),
}


def test_header_has_the_published_form() -> None:
    # Wireshark packet-doip.c: version, inverse, type (2), length (4), all big endian.
    assert encode_message(MESSAGES["diagnostic message"]) == bytes.fromhex(
        "02FD8001 00000007 0E80 1071 22F190"
    )


@pytest.mark.parametrize("name", list(MESSAGES))
def test_doipclient_packs_and_reads_the_same_bytes(name: str) -> None:
    theirs = pytest.importorskip("doipclient.messages")
    message = MESSAGES[name]
    (frame,) = FrameReader().feed(encode_message(message))
    assert isinstance(frame, Frame)
    kind = theirs.payload_type_to_message[frame.payload_type]
    unpacked = kind.unpack(frame.payload, len(frame.payload))
    if isinstance(getattr(unpacked, "_vin", None), bytes):
        # It reads a VIN as bytes and packs only text.
        unpacked._vin = unpacked._vin.decode()
    packed = unpacked.pack()
    # doipclient always writes the optional last byte of an announcement.
    assert packed[: len(frame.payload)] == frame.payload
    assert decode_message(frame) == message


def test_numbers_agree_with_doipclient() -> None:
    m = pytest.importorskip("doipclient.messages")
    c = pytest.importorskip("doipclient.constants")
    assert set(m.payload_type_to_message) == {int(each) for each in PayloadType}
    assert {int(e) for e in m.RoutingActivationResponse.ResponseCode} == set(
        map(int, ActivationCode)
    )
    assert {int(e) for e in m.GenericDoIPNegativeAcknowledge.NackCodes} == set(
        map(int, HeaderNack)
    )
    nacks = {int(e) for e in m.DiagnosticMessageNegativeAcknowledgement.NackCodes}
    assert nacks == set(map(int, DiagnosticNack))
    modes = m.DiagnosticPowerModeResponse.DiagnosticPowerMode
    assert {int(e) for e in modes} == set(map(int, PowerMode))
    assert (UDP_DISCOVERY_PORT, TCP_DATA_PORT) == (c.UDP_DISCOVERY, c.TCP_DATA_UNSECURED)
    assert c.T_TCP_INITIAL_INACTIVITY == INITIAL_INACTIVITY_S
    assert c.T_TCP_GENERAL_INACTIVITY == GENERAL_INACTIVITY_S
    assert c.T_TCP_ALIVE_CHECK == ALIVE_CHECK_S
    assert c.A_DOIP_CTRL == CONTROL_S


@pytest.fixture(scope="module")
def scapy_says():
    """What scapy, in its own process, makes of our bytes and which numbers it has."""
    frames = {name: encode_message(message).hex() for name, message in MESSAGES.items()}
    script = Path(__file__).with_name("scapy_doip.py")
    done = subprocess.run(
        [sys.executable, str(script)],
        input=json.dumps(frames),
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    if done.returncode == 77:
        pytest.skip("scapy is not installed")
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def test_scapy_reads_our_frames_and_writes_them_again(scapy_says) -> None:
    for name, message in MESSAGES.items():
        theirs = scapy_says["frames"][name]
        ours = encode_message(message)
        if name == "announcement without sync":
            # scapy's dissector expects the optional last byte.
            assert bytes.fromhex(theirs["again"])[8 : len(ours)] == ours[8:]
            continue
        assert bytes.fromhex(theirs["again"]) == ours, name
        assert theirs["left_over"] == 0, name


def test_scapy_finds_the_same_values(scapy_says) -> None:
    frames = scapy_says["frames"]
    message = frames["diagnostic message"]["fields"]
    assert (message["source_address"], message["target_address"]) == (TESTER, UNIT)
    answer = frames["activation answer"]["fields"]
    assert answer["routing_activation_response"] == 0x10
    announcement = frames["announcement"]["fields"]
    assert announcement["logical_address"] == GATEWAY
    assert announcement["vin_gid_status"] == 0x10
    assert frames["negative acknowledge"]["fields"]["nack_code"] == 6


def test_numbers_agree_with_scapy(scapy_says) -> None:
    tables = scapy_says["tables"]
    assert {int(k) for k in tables["payload_type"]} == {int(each) for each in PayloadType}
    assert tables["payload_type"]["32769"].lower() == "diagnostic message"

    def named(table):
        return {int(k) for k, v in tables[table].items() if "Reserved" not in v}

    assert named("routing_activation_response") == set(map(int, ActivationCode))
    assert named("nack_code") == set(map(int, DiagnosticNack))
    assert named("nack") == set(map(int, HeaderNack))
    assert {0, 1, 0xE0} <= named("activation_type")
    assert {int(each) for each in ActivationType} == {0, 1, 0xE0}
    assert named("node_type") == set(map(int, NodeType))
    assert named("diagnostic_power_mode") == set(map(int, PowerMode))
