"""What is fuzzed: one function per reader, each fed bytes that anybody may have made up.

A target returns normally or raises nothing but what the reader promises for bad bytes. Anything
else is a crash: another exception, memory that grows with a length somebody claims, no end.
"""

from __future__ import annotations

import asyncio
import contextlib
import struct
from typing import TYPE_CHECKING

from donorfit.diagnostics import fault_codes, transfer, uds
from donorfit.diagnostics.conversation import (
    Access,
    Answered,
    Download,
    Effect,
    Exchange,
    NotSent,
    Refused,
    Unknown,
)
from donorfit.diagnostics.doip import FrameReader, HeaderFault, encode_frame
from donorfit.diagnostics.doip_messages import decode_message, encode_message
from donorfit.diagnostics.malformed import MalformedError
from donorfit.diagnostics.matching import Expectation
from donorfit.diagnostics.negative_response import decode_negative_response
from donorfit.diagnostics.pdu import Reply
from donorfit.diagnostics.policy import DEFAULT
from donorfit.diagnostics.talk import Foreseen
from donorfit.edge.clock import VirtualClock, run_in_virtual_time
from donorfit.edge.links.doip_connection import DoipConnection
from donorfit.edge.links.doip_streak import Course
from donorfit.edge.links.memory import MemoryLink
from donorfit.edge.links.sinks import Sinks
from donorfit.equipment.read_uvl import read_uvl
from donorfit.errors import InputError
from donorfit.job.carrier import Carrier
from donorfit.network.asc_text import OtherBaseError, read_asc
from donorfit.network.candump_text import read_candump
from donorfit.simulator.car import SimulatedCar
from donorfit.simulator.causes import Stored
from donorfit.simulator.scenario import (
    BlockTruth,
    FaultTruth,
    KeeperEncoding,
    KeeperTruth,
    RecordTruth,
    Scenario,
    ScenarioKind,
    UnitTruth,
)
from donorfit.vehicle.identity import Address, DataIdentifier, FaultCode, UnitId

if TYPE_CHECKING:
    from collections.abc import Callable

LONGEST_PAYLOAD = 4096
UNIT = Address(0x1071)
TESTER = 0x0E80


def cut_in_pieces(data: bytes) -> list[bytes]:
    """Pieces of a stream: the first byte says how long each is."""
    size = max(1, data[0]) if data else 1
    return [data[at : at + size] for at in range(1, len(data), size)]


def read_doip_stream(data: bytes) -> None:
    """A TCP stream in any pieces: frames, messages, and back again."""
    reader = FrameReader(max_payload_bytes=LONGEST_PAYLOAD)
    for piece in cut_in_pieces(data):
        for found in reader.feed(piece):
            if isinstance(found, HeaderFault):
                assert len(found.header) == 8
                continue
            assert len(found.payload) <= LONGEST_PAYLOAD
            try:
                message = decode_message(found)
            except MalformedError:
                continue
            again = encode_message(message, found.version)
            assert FrameReader().feed(again), (found, message)
            assert len(encode_frame(found)) == 8 + len(found.payload)
        assert reader.pending_bytes <= LONGEST_PAYLOAD + 8


def read_uds_answers(data: bytes) -> None:
    """One answer to every decoder, and to the matching of every service."""
    decode_negative_response(data)
    for decode in (
        uds.decode_session_answer,
        uds.decode_seed_answer,
        uds.decode_routine_answer,
        uds.decode_read_request,
        uds.decode_write_request,
        uds.decode_clear_request,
        uds.decode_routine_request,
        transfer.decode_download_answer,
        transfer.decode_download_request,
        transfer.decode_transfer_request,
        fault_codes.decode_fault_report,
        lambda pdu: uds.decode_read_answer(pdu, DataIdentifier(0xF190)),
    ):
        try:
            decode(data)
        except MalformedError:
            continue
    for service in (0x10, 0x11, 0x14, 0x19, 0x22, 0x27, 0x2E, 0x31, 0x34, 0x36, 0x37, 0x3E, 0x85):
        Expectation(bytes((service, 0x01, 0x02, 0x03, 0x04)), DEFAULT).match(data)


def make_scenario() -> Scenario:
    """One unit that has a bit of everything."""
    unit = UnitTruth(
        id=UnitId("unit"),
        address=UNIT,
        vin=b"ZZ9AA11A8LA000001",
        serial="S1",
        hardware="H1",
        part="P1",
        keeper=KeeperTruth(
            master=True,
            identifier=DataIdentifier(0x1001),
            encoding=KeeperEncoding.CODES,
            content=b"\x20\x03A001" + bytes(8),
        ),
        records=(
            RecordTruth(
                identifier=DataIdentifier(0x0601), content=b"\x01\x02\x03", security_level=1
            ),
        ),
        blocks=(
            BlockTruth(
                version="2.0",
                memory_address=0x1000,
                size_bytes=64,
                crc32=0,
                routine_check=0x0202,
                seconds=1.0,
            ),
        ),
        faults=(FaultTruth(code=FaultCode(0x912300), cause=Stored()),),
    )
    return Scenario(
        kind=ScenarioKind.CAR,
        title="fuzz",
        vin=b"ZZ9AA11A8LA000001",
        gateway=UNIT,
        testers=(Address(0x0E80),),
        option_bits=(("A001", 0),),
        units=(unit,),
    )


SCENARIO = make_scenario()


def serve_requests(data: bytes) -> None:
    """Any requests, one after the other, to a simulated unit; each piece is one."""
    car = SimulatedCar(SCENARIO)
    now_s = 0.0
    for request in cut_in_pieces(data)[:16]:
        for reply in car.handle(UNIT, request, now_s):
            assert reply.after_s >= 0
            assert reply.pdu
        now_s += 0.5
    car.save(now_s)


def take_can_frames(data: bytes) -> None:
    """Any frames at an ISO-TP channel that is sending or listening."""
    from donorfit.edge.links.can_port import CanFrame
    from donorfit.edge.links.isotp_addresses import CanAddress
    from donorfit.edge.links.isotp_channel import IsotpChannel

    async def main() -> None:
        messages: list[bytes] = []
        channel = IsotpChannel(
            CanAddress(unit=UNIT, request=0x600, response=0x680),
            lambda frame: None,
            messages.append,
            lambda: None,
            flexible_rate=False,
            longest_message=LONGEST_PAYLOAD,
        )
        for at in range(1, len(data), 9):
            frame = data[at : at + data[at] % 9 + 1][1:]
            channel.take(CanFrame(identifier=0x680, data=frame))
        assert all(len(each) <= LONGEST_PAYLOAD for each in messages)
        channel.close()

    run_in_virtual_time(main())


class AnyAnswers:
    """A unit whose answers are cut from the fuzzed bytes."""

    def __init__(self, data: bytes) -> None:
        self.pieces = data.split(b"\xfe\xed")[:40]

    def handle(self, target: Address, pdu: bytes, now_s: float) -> tuple[Reply, ...]:
        del pdu, now_s
        if not self.pieces:
            return ()
        piece = self.pieces.pop(0)
        after_s = (0.001, 0.04, 0.2, 3.0)[piece[0] % 4] if piece else 0.0
        return (Reply(after_s=after_s, source=target, pdu=piece[1:]),)


class NoKeys:
    def compute_key(self, unit: UnitId, level: int, seed: bytes) -> bytes | None:
        del unit, level
        return seed


def carry_to_any_answers(data: bytes) -> None:
    """Read, write and download against a unit that answers anything."""

    async def main() -> None:
        clock = VirtualClock()
        link = MemoryLink(AnyAnswers(data), clock)
        await link.open(1.0)
        carrier = Carrier(link, clock, NoKeys())
        access = Access(session=3, security_level=1)
        unit = UnitId("unit")
        for ask in (
            Exchange(
                unit=unit, address=UNIT, pdu=b"\x22\xf1\x90", effect=Effect.READING, what="read"
            ),
            Exchange(
                unit=unit,
                address=UNIT,
                pdu=b"\x2e\x06\x01\x05",
                effect=Effect.CHANGING,
                what="write",
                access=access,
            ),
            Download(
                unit=unit,
                address=UNIT,
                memory_address=0x1000,
                data=bytes(40),
                routine_check=0x0202,
                what="download",
                access=access,
            ),
        ):
            outcome = await carrier.carry(ask)
            assert isinstance(outcome, Answered | Refused | NotSent | Unknown)
        await carrier.close()
        assert clock.now() < 3000

    run_in_virtual_time(main())


def read_logs(data: bytes) -> None:
    """A log of bus traffic in either text form."""
    try:
        read_candump(data)
        read_asc(data)
    except (InputError, OtherBaseError):
        # The second is how a log with decimal identifiers is told; its reader words it.
        pass


def read_option_list(data: bytes) -> None:
    """An option list in UVL."""
    with contextlib.suppress(InputError):
        read_uvl(data.decode("utf-8", "replace"), file="fuzz.uvl")


class NoSockets(asyncio.Transport):
    """Counts what is written and says nothing to it."""

    def __init__(self) -> None:
        super().__init__()
        self.requests = 0

    def write(self, data: bytes | bytearray | memoryview) -> None:
        self.requests += bytes(data[2:4]) == b"\x80\x01"

    def is_closing(self) -> bool:
        return False

    def abort(self) -> None:
        """Nothing to let go of."""


def count_in_place(stream: bytes, foreseen: list[Foreseen]) -> int:
    """How many of the answers stand in a stream, one after the other."""
    count, at = 0, 0
    while at + 12 <= len(stream) and count < len(foreseen):
        kind, size, source, target = struct.unpack_from("!HIHH", stream, at + 2)
        answer = stream[at + 12 : at + 8 + size]
        if (kind, source, target) == (0x8001, UNIT, TESTER):
            count += answer.startswith(foreseen[count].answer)
        at += 8 + size
    return count


def stream_into_any_bytes(data: bytes) -> None:
    """A connection on which blocks follow each other, and a stream of bytes in any pieces.

    A block counts as answered only where its answer stands in the stream, for the right unit and
    tester and in its place; never is more than one request out.
    """
    foreseen = [Foreseen(b"\x36" + bytes((n,)), b"\x76" + bytes((n,))) for n in range(1, 9)]

    async def main() -> None:
        clock, sinks, transport = VirtualClock(), Sinks(), NoSockets()
        heard: list[bytes] = []
        connection = DoipConnection("fuzz", Address(TESTER), 2, clock, sinks)
        connection.connection_made(transport)
        connection.hear(lambda pdu: heard.append(pdu.data), lambda _reason: None)
        course = Course(
            target=UNIT, exchanges=iter(foreseen), wait_s=0.2, accept_s=2.0, until_s=1.0
        )
        task = asyncio.create_task(connection.stream(course))
        await clock.sleep(0.0)
        for piece in cut_in_pieces(data):
            room = connection.get_buffer(-1)
            room[: len(piece)] = piece
            connection.buffer_updated(len(piece))
            await clock.sleep(0.01)
        streak = await task
        assert streak.answered <= count_in_place(data[1:], foreseen)
        assert transport.requests <= streak.answered + 1
        assert transport.requests == streak.answered + (streak.last is not None)

    run_in_virtual_time(main())


TARGETS: tuple[Callable[[bytes], None], ...] = (
    read_doip_stream,
    read_uds_answers,
    serve_requests,
    take_can_frames,
    carry_to_any_answers,
    read_logs,
    read_option_list,
    stream_into_any_bytes,
)


def run_target(data: bytes) -> None:
    """The first byte chooses the target, the rest is its input."""
    if data:
        TARGETS[data[0] % len(TARGETS)](data[1:])
