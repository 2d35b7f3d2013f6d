"""The DoIP entity on loopback: activation, acknowledges, header faults, discovery.

Codes: ISO 13400-2, tables of the routing activation response, the header and the diagnostic
message negative acknowledge, as scapy, doipclient and Wireshark agree on them.
"""

import asyncio
import socket
from dataclasses import replace

import pytest

from donorfit.edge.links.doip_entity import DoipEntity
from donorfit.edge.links.doip_entity_identity import identify
from donorfit.errors import LinkError
from donorfit.simulator.car import SimulatedCar
from donorfit.simulator.scenario import Disturbance, DisturbanceKind, WhenAbsent
from donorfit.vehicle.identity import UnitId

ACTIVATE = "02fd0005000000070e800000000000"
ACTIVATED = "02fd00060000000d0e8010101000000000"[:-8]
FAST = {"alive_check_s": 0.15, "initial_inactivity_s": 0.3}


class RawTester:
    """Raw bytes over one TCP connection."""

    def __init__(self, reader, writer):
        self.reader, self.writer = reader, writer

    @classmethod
    async def connect(cls, entity):
        return cls(*await asyncio.open_connection("127.0.0.1", entity.port))

    async def send(self, text):
        self.writer.write(bytes.fromhex(text))
        await self.writer.drain()

    async def receive(self):
        """Payload type and payload of one frame; None where the connection ended."""
        try:
            header = await asyncio.wait_for(self.reader.readexactly(8), 3.0)
            assert header[0] ^ header[1] == 0xFF
            payload = await self.reader.readexactly(int.from_bytes(header[4:], "big"))
        except (asyncio.IncompleteReadError, ConnectionError):
            return None
        return header[2:4].hex(), payload.hex()

    async def activate(self, source="0e80"):
        await self.send(f"02fd000500000007{source}0000000000")
        return await self.receive()

    async def diagnose(self, target, pdu, source="0e80"):
        length = len(pdu) // 2 + 4
        await self.send(f"02fd8001{length:08x}{source}{target:04x}{pdu}")

    async def close(self):
        self.writer.close()


def serve(scenario, talk, **options):
    """Run a talk with an entity that serves a fast car."""

    async def run():
        car = SimulatedCar(scenario, fast=True)
        entity = DoipEntity(car, identify(scenario), **(FAST | options))
        await entity.open()
        try:
            return await asyncio.wait_for(talk(entity), 20)
        finally:
            await entity.close()

    return asyncio.run(run())


def test_activation_then_two_units_on_one_connection(scenario):
    async def talk(entity):
        tester = await RawTester.connect(entity)
        assert await tester.activate() == ("0006", "0e8010101000000000")
        await tester.diagnose(0x1010, "22f186")
        await tester.diagnose(0x1040, "22f189")
        frames = [await tester.receive() for _ in range(4)]
        assert ("8002", "10100e8000") in frames
        assert ("8002", "10400e8000") in frames
        assert ("8001", "10100e8062f18601") in frames
        assert ("8001", "10400e8062f189" + b"1.8.2".hex()) in frames
        assert await tester.activate() == ("0006", "0e8010101000000000")  # again is allowed

    serve(scenario, talk)


def test_functional_request(scenario):
    async def talk(entity):
        tester = await RawTester.connect(entity)
        await tester.activate()
        await tester.diagnose(0xE400, "3e00")
        frames = [await tester.receive() for _ in range(4)]
        assert frames[0] == ("8002", "e4000e8000")
        assert {frame[1][:4] for frame in frames[1:]} == {"1010", "1040", "1071"}

    serve(scenario, talk)


@pytest.mark.parametrize(
    ("frame", "code"),
    [
        ("02fd0005000000070bad0000000000", "00"),  # a tester it does not know
        ("02fd0005000000070e80020000" + "0000", "06"),
        ("02fd0005000000070e80e00000" + "0000", "04"),
    ],
)
def test_activation_refused_and_closed(scenario, frame, code):
    async def talk(entity):
        tester = await RawTester.connect(entity)
        await tester.send(frame)
        kind, payload = await tester.receive()
        assert (kind, payload[8:10]) == ("0006", code)
        assert await tester.receive() is None

    serve(scenario, talk)


def test_another_address_on_an_active_connection(scenario):
    async def talk(entity):
        tester = await RawTester.connect(entity)
        await tester.activate()
        assert (await tester.activate("0e81"))[1][8:10] == "02"
        assert await tester.receive() is None

    serve(scenario, talk)


@pytest.mark.parametrize("answers", [True, False])
def test_the_same_address_on_a_second_connection(scenario, answers):
    """The first one is asked whether it is alive; a dead one makes room."""

    async def talk(entity):
        first, second = await RawTester.connect(entity), await RawTester.connect(entity)
        await first.activate()
        pending = asyncio.ensure_future(second.activate())
        assert await first.receive() == ("0007", "")
        if answers:
            await first.send("02fd0008000000020e80")
        assert (await pending)[1][8:10] == ("03" if answers else "10")
        assert (await second.receive() is None) if answers else (await first.receive() is None)

    serve(scenario, talk)


@pytest.mark.parametrize("answers", [True, False])
def test_all_connections_in_use(scenario, answers):
    async def talk(entity):
        first, second = await RawTester.connect(entity), await RawTester.connect(entity)
        await first.activate()
        assert entity.count_connections() == 1
        pending = asyncio.ensure_future(second.activate("0e81"))
        assert await first.receive() == ("0007", "")
        if answers:
            await first.send("02fd0008000000020e80")
        assert (await pending)[1][8:10] == ("01" if answers else "10")

    serve(replace(scenario, max_connections=1), talk)


@pytest.mark.parametrize(
    ("target", "source", "absent", "nack"),
    [
        (0x9999, "0e80", WhenAbsent.SILENT, "03"),
        (0x1080, "0e80", WhenAbsent.UNREACHABLE, "06"),
        (0x1010, "0e81", WhenAbsent.SILENT, "02"),
    ],
)
def test_diagnostic_messages_that_are_not_passed_on(scenario, target, source, absent, nack):
    async def talk(entity):
        tester = await RawTester.connect(entity)
        await tester.activate()
        await tester.diagnose(target, "3e00", source)
        assert await tester.receive() == ("8003", f"{target:04x}{source}{nack}")

    serve(replace(scenario, when_absent=absent), talk)


def test_before_activation_nothing_is_passed_on(scenario):
    async def talk(entity):
        tester = await RawTester.connect(entity)
        await tester.diagnose(0x1010, "3e00")
        assert await tester.receive() == ("8003", "10100e8002")
        assert await tester.receive() is None

    serve(scenario, talk)


def test_an_absent_unit_is_silent(scenario):
    async def talk(entity):
        tester = await RawTester.connect(entity)
        await tester.activate()
        await tester.diagnose(0x1080, "3e00")
        assert await tester.receive() == ("8002", "10800e8000")
        await tester.diagnose(0x1010, "")  # an empty message is acknowledged and not answered
        assert await tester.receive() == ("8002", "10100e8000")

    serve(scenario, talk)


@pytest.mark.parametrize(
    ("frame", "nack", "closes"),
    [
        ("47455420" + "2f204854", "00", True),  # a web browser
        ("02fc000500000000", "00", True),
        ("02fd123400000000", "01", False),
        ("02fd800100ffffff", "02", False),
        ("02fd000500000003000000", "04", True),
        ("02fd000100000000", "01", False),  # identification belongs on UDP
    ],
)
def test_header_faults(scenario, frame, nack, closes):
    async def talk(entity):
        tester = await RawTester.connect(entity)
        await tester.send(frame)
        assert await tester.receive() == ("0000", nack)
        if closes:
            assert await tester.receive() is None

    serve(scenario, talk)


def test_a_connection_without_activation_is_closed(scenario):
    async def talk(entity):
        tester = await RawTester.connect(entity)
        assert await tester.receive() is None

    serve(scenario, talk)


def test_an_idle_connection_is_closed(scenario):
    async def talk(entity):
        tester = await RawTester.connect(entity)
        await tester.activate()
        assert await tester.receive() is None

    serve(scenario, talk, general_inactivity_s=0.2)


def test_bytes_in_any_pieces(scenario):
    async def talk(entity):
        tester = await RawTester.connect(entity)
        stream = bytes.fromhex("02fd0005000000070e800000000000" + "02fd8001000000070e80101022f186")
        for value in stream:
            tester.writer.write(bytes((value,)))
            await tester.writer.drain()
            await asyncio.sleep(0.002)
        frames = [await tester.receive() for _ in range(3)]
        assert frames[-1] == ("8001", "10100e8062f18601")

    serve(scenario, talk)


def test_a_dropped_connection_and_refused_new_ones(scenario):
    drop = Disturbance(
        unit=UnitId("body"), service=0x22, kind=DisturbanceKind.DROP_CONNECTION, refuse_s=0.4
    )

    async def talk(entity):
        tester = await RawTester.connect(entity)
        await tester.activate()
        await tester.diagnose(0x1040, "22f186")
        assert await tester.receive() == ("8002", "10400e8000")
        with pytest.raises(ConnectionResetError):
            await asyncio.wait_for(tester.reader.readexactly(1), 3)
        with pytest.raises(ConnectionError):
            again = await RawTester.connect(entity)
            await again.reader.readexactly(1)
        await asyncio.sleep(0.5)
        again = await RawTester.connect(entity)
        assert (await again.activate())[1][8:10] == "10"
        await again.diagnose(0x1040, "22f186")
        frames = [await again.receive() for _ in range(2)]
        assert frames[-1] == ("8001", "10400e8062f18601")

    serve(replace(scenario, disturbances=(drop,)), talk)


VIN = b"ZZ9AA11A8LA000001"
ANNOUNCED = "0004", (VIN + bytes.fromhex("1010020000000001020000000001" + "0000")).hex()


@pytest.mark.parametrize(
    ("frame", "answer"),
    [
        ("ff00" + "0001" + "00000000", ANNOUNCED),
        ("02fd" + "0001" + "00000000", ANNOUNCED),
        ("02fd" + "0002" + "00000006" + "020000000001", ANNOUNCED),
        ("02fd" + "0003" + "00000011" + VIN.hex(), ANNOUNCED),
        ("02fd" + "4001" + "00000000", ("4002", "00040000010000")),
        ("02fd" + "4003" + "00000000", ("4004", "01")),
        ("02fd" + "0002" + "00000006" + "029999990001", None),
        ("02fd" + "0003" + "00000011" + (VIN[:-1] + b"9").hex(), None),
        ("02fd" + "0005" + "00000007" + "0e800000000000", ("0000", "01")),
        ("02fd" + "1234" + "00000000", ("0000", "01")),
        ("0000" + "0001" + "00000000", ("0000", "00")),
        ("02fd" + "0000" + "00000001" + "00", None),
    ],
)
def test_discovery(scenario, frame, answer):
    async def talk(entity):
        loop = asyncio.get_running_loop()
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
            sock.setblocking(False)  # noqa: FBT003 - the library's own
            sock.connect(("127.0.0.1", entity.port))
            await loop.sock_sendall(sock, bytes.fromhex(frame))
            try:
                data = await asyncio.wait_for(
                    loop.sock_recv(sock, 2000), 0.3 if answer is None else 3
                )
            except TimeoutError:
                return None
            return data[2:4].hex(), data[8:].hex()

    assert serve(scenario, talk) == answer


def test_announcements(scenario):
    async def run():
        loop = asyncio.get_running_loop()
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
            sock.setblocking(False)  # noqa: FBT003 - the library's own
            sock.bind(("127.0.0.1", 0))
            entity = DoipEntity(
                SimulatedCar(scenario), identify(scenario), announce_to=sock.getsockname()
            )
            await entity.open()
            try:
                for _ in range(3):
                    data = await asyncio.wait_for(loop.sock_recv(sock, 2000), 3)
                    assert (data[2:4].hex(), data[8:].hex()) == ANNOUNCED
            finally:
                await entity.close()

    asyncio.run(run())


def test_a_port_in_use_is_said(scenario):
    async def talk(entity):
        second = DoipEntity(SimulatedCar(scenario), identify(scenario), port=entity.port)
        with pytest.raises(LinkError, match="cannot be listened on"):
            await second.open()

    serve(scenario, talk)
