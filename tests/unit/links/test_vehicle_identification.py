"""Vehicle identification over UDP on loopback (ISO 13400-2)."""

from __future__ import annotations

import asyncio

from donorfit.diagnostics.doip import Frame, FrameReader
from donorfit.diagnostics.doip_messages import (
    VehicleAnnouncement,
    VehicleIdentificationRequest,
    decode_message,
    encode_message,
)
from donorfit.edge.links.vehicle_identification import AskedPlace, search_vehicles
from donorfit.vehicle.identity import Address

VIN = b"ZZ9MERLE0L1000017"


class Entity(asyncio.DatagramProtocol):
    def __init__(self, answers: list[bytes]) -> None:
        self.answers = answers
        self.requests = []

    def connection_made(self, transport):
        self.transport = transport

    def datagram_received(self, data, addr):
        (frame,) = FrameReader().feed(data)
        assert isinstance(frame, Frame)
        self.requests.append((frame.version, decode_message(frame)))
        for answer in self.answers:
            self.transport.sendto(answer, addr)


def announcement(vin: bytes = VIN, eid: bytes = b"\x02\x00\x00\x00\x00\x01") -> bytes:
    return encode_message(
        VehicleAnnouncement(
            vin=vin, logical_address=Address(0x1010), eid=eid, gid=bytes(6), sync_status=0
        )
    )


def identify(answers: list[bytes], **options):
    async def main():
        loop = asyncio.get_running_loop()
        transport, entity = await loop.create_datagram_endpoint(
            lambda: Entity(answers), local_addr=("127.0.0.1", 0)
        )
        port = transport.get_extra_info("sockname")[1]
        place = AskedPlace(host="127.0.0.1", port=port)
        found = await search_vehicles([place], wait_s=0.2, **options)
        transport.close()
        return found, entity.requests

    return asyncio.run(main())


def test_a_vehicle_says_vin_address_and_where_it_is() -> None:
    found, requests = identify([announcement()])
    (vehicle,) = found.vehicles
    assert vehicle.vin == VIN.decode()
    assert vehicle.announcement.logical_address == 0x1010
    assert vehicle.host == "127.0.0.1"
    # Version 0xFF is what the standard gives for identification requests.
    assert requests == [(0xFF, VehicleIdentificationRequest())]


def test_two_vehicles_and_a_repeated_announcement() -> None:
    other = announcement(eid=b"\x02\x00\x00\x00\x00\x02")
    found, _ = identify([announcement(), announcement(), other])
    assert len(found.vehicles) == 2


def test_what_is_no_announcement_is_counted() -> None:
    found, _ = identify([b"hello", b"\x02\xfd\x00\x07\x00\x00\x00\x00", announcement()])
    assert len(found.vehicles) == 1
    assert found.unreadable == 2


def test_a_vin_that_is_not_known_yet_is_empty() -> None:
    for vin in (bytes(17), b"\xff" * 17):
        found, _ = identify([announcement(vin=vin)])
        assert found.vehicles[0].vin == ""


def test_asking_for_one_vin_and_silence() -> None:
    found, requests = identify([], request=VehicleIdentificationRequest(vin=VIN))
    assert found.vehicles == ()
    assert requests == [(0xFF, VehicleIdentificationRequest(vin=VIN))]
