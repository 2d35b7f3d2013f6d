"""A recorded session, decoded by tshark (Wireshark) and read by scapy, each where installed.

Both are programs of others in a process of their own; neither is part of the package.
"""

from __future__ import annotations

import asyncio
import json
import shutil
import subprocess
import sys
import time

import pytest

from donorfit.diagnostics.conversation import Answered, Effect, Exchange
from donorfit.diagnostics.doip_messages import (
    VehicleAnnouncement,
    VehicleIdentificationRequest,
    encode_message,
)
from donorfit.diagnostics.pdu import Direction, Layer, Reply, TracedFrame
from donorfit.edge.captures.packet_files import read_packets
from donorfit.edge.captures.trace import CaptureTrace
from donorfit.edge.captures.trace_names import TraceNames
from donorfit.edge.clock import RealClock
from donorfit.edge.links.capture import CaptureFile
from donorfit.edge.links.memory import MemoryLink
from donorfit.job.carrier import Carrier
from donorfit.vehicle.identity import Address, UnitId

pytestmark = pytest.mark.reference

UNIT = Address(0x1071)
TALK = [
    ("22F190", "62F190" + b"ZZ9MERLE0L1000017".hex()),
    ("1003", "5003003201F4"),
    ("2E010055", "7F2E31"),
    ("1902FF", "5902FF0123002F9A12340A"),
    ("3E00", "7E00"),
    ("14FFFFFF", "54"),
    ("31 01 FF01 01020304", "7101FF0100"),
]


class Car:
    def handle(self, target, pdu, now_s):
        answers = {bytes.fromhex(request): bytes.fromhex(answer) for request, answer in TALK}
        return (Reply(after_s=0.001, source=target, pdu=answers[pdu]),)


class NoKeys:
    def compute_key(self, unit, level, seed):
        return None


def record_session(path):
    """One whole session of the talk, added to a capture."""

    async def main():
        clock = RealClock()
        link = MemoryLink(Car(), clock)
        capture = CaptureFile(path, clock)
        link.trace(capture.take)
        for message, direction in (
            (VehicleIdentificationRequest(), Direction.SENT),
            (
                VehicleAnnouncement(
                    vin=b"ZZ9MERLE0L1000017",
                    logical_address=Address(0x1010),
                    eid=bytes(6),
                    gid=bytes(6),
                    sync_status=0,
                ),
                Direction.RECEIVED,
            ),
        ):
            capture.take(
                TracedFrame(
                    at_s=clock.now(),
                    direction=direction,
                    layer=Layer.DOIP_UDP,
                    data=encode_message(message),
                )
            )
        await link.open(clock.now() + 1)
        carrier = Carrier(link, clock, NoKeys())
        for request, _ in TALK:
            ask = Exchange(
                unit=UnitId("unit"),
                address=UNIT,
                pdu=bytes.fromhex(request),
                effect=Effect.READING,
                what="ask",
            )
            outcome = await carrier.carry(ask)
            assert isinstance(outcome, Answered) or request.startswith("2E")
        await carrier.close()
        capture.close()

    asyncio.run(main())


@pytest.fixture(scope="module")
def doip_capture(tmp_path_factory):
    path = tmp_path_factory.mktemp("capture") / "session.pcapng"
    record_session(path)
    return path


def tshark(path, *fields, options=()):
    program = shutil.which("tshark")
    if program is None:
        pytest.skip("tshark is not installed")
    command = [program, "-r", str(path), *options, "-T", "fields"]
    for field in fields:
        command += ["-e", field]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == 0, done.stderr
    return [line.split("\t") for line in done.stdout.splitlines()]


def test_tshark_decodes_every_doip_and_uds_frame(doip_capture) -> None:
    rows = tshark(doip_capture, "_ws.col.Protocol", "doip.type", "uds.sid", "_ws.malformed")
    assert len(rows) == 2 + 2 * len(TALK)
    assert all(row[0] in {"DoIP", "UDS"} for row in rows)
    assert [int(row[1], 0) for row in rows] == [1, 4] + [0x8001] * (2 * len(TALK))
    assert all(len(row) < 4 or not row[3] for row in rows)
    services = [int(row[2].split(",")[0], 0) for row in rows[2:]]
    # The dissector names the service of an answer without its reply bit.
    asked = [bytes.fromhex(request)[0] for request, _ in TALK for _ in range(2)]
    asked[5] = 0x3F
    assert services == asked


def test_tshark_finds_addresses_and_vin(doip_capture) -> None:
    rows = tshark(doip_capture, "doip.source_address", "doip.target_address", "doip.vin")
    assert rows[1][2] == "ZZ9MERLE0L1000017"
    assert [int(each, 0) for each in rows[2][:2]] == [0x0E80, UNIT]
    assert [int(each, 0) for each in rows[3][:2]] == [UNIT, 0x0E80]


def test_three_sessions_in_one_file_are_all_read_though_the_second_was_torn(tmp_path) -> None:
    """tshark, and ``donorfit trace``, read each section with its own times."""
    path, begun_s = tmp_path / "session.pcapng", time.time()
    for torn in (0, 7, 0):
        record_session(path)
        path.write_bytes(path.read_bytes()[: path.stat().st_size - torn])
    whole = 2 + 2 * len(TALK)
    fields = ("_ws.col.Protocol", "frame.time_epoch", "tcp.analysis.flags", "_ws.malformed")
    rows = tshark(path, *fields)
    assert len(rows) == 3 * whole - 1
    assert {row[0] for row in rows} == {"DoIP", "UDS"}
    assert not any("".join(row[2:]) for row in rows)
    times = [float(row[1]) for row in rows]
    assert times == sorted(times)
    assert begun_s - 1 < times[0] < times[-1] < time.time() + 1
    trace = CaptureTrace(TraceNames())
    events = list(trace.read(read_packets(path)))
    assert [round(each.at_s, 6) for each in events] == times
    assert not trace.unread


def test_tshark_decodes_can_frames_as_isotp(tmp_path) -> None:
    path = tmp_path / "can.pcapng"
    clock = RealClock()
    capture = CaptureFile(path, clock)
    frames = [
        (0x700, "0322F190CCCCCCCC", Direction.SENT),
        (0x708, "101462F190414243", Direction.RECEIVED),
        (0x700, "300000CCCCCCCCCC", Direction.SENT),
        (0x708, "2144454647484950", Direction.RECEIVED),
        (0x708, "2251525354555657", Direction.RECEIVED),
    ]
    for identifier, data, direction in frames:
        capture.take(
            TracedFrame(
                at_s=clock.now(),
                direction=direction,
                layer=Layer.CAN,
                data=bytes.fromhex(data),
                source=identifier,
            )
        )
    capture.close()
    rows = tshark(
        path, "can.id", "iso15765.message_type", options=("-d", "can.subdissector,iso15765")
    )
    assert [int(row[0], 0) for row in rows] == [each[0] for each in frames]
    assert [int(row[1], 0) for row in rows] == [0, 1, 3, 2, 2]


SCAPY = """
import json, sys
try:
    from scapy.utils import rdpcap
    from scapy.layers.inet import IP, TCP, UDP
except ImportError:
    sys.exit(77)
packets = [IP(bytes(p)) for p in rdpcap(sys.argv[1])]
json.dump([bytes(p[TCP].payload if TCP in p else p[UDP].payload).hex() for p in packets], sys.stdout)
"""


def test_scapy_reads_the_same_bytes(doip_capture) -> None:
    done = subprocess.run(
        [sys.executable, "-c", SCAPY, str(doip_capture)],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    if done.returncode == 77:
        pytest.skip("scapy is not installed")
    assert done.returncode == 0, done.stderr
    payloads = [bytes.fromhex(each) for each in json.loads(done.stdout)]
    pdus = [payload[12:] for payload in payloads[2:]]
    assert pdus == [bytes.fromhex(each) for pair in TALK for each in pair]
