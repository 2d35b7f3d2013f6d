"""Looking for cars: only where told to, by VIN and EID, and by what announces itself."""

import asyncio
import socket

import pytest

from donorfit.cli.car_target import choose_target
from donorfit.diagnostics.doip_messages import VehicleAnnouncement, encode_message
from donorfit.edge.host.network_interfaces import NetworkInterface
from donorfit.edge.links import car_search
from donorfit.edge.links.car_search import CarSearch, parse_eid, search_cars
from donorfit.edge.links.doip_entity import DoipEntity
from donorfit.edge.links.doip_entity_identity import EntityIdentity
from donorfit.edge.links.vehicle_identification import AskedPlace, search_vehicles
from donorfit.errors import InputError, LinkError, StoppedError
from donorfit.vehicle.identity import Address

VINS = (b"ZZ9MRE1A3L0004217", b"ZZ9MRE1A3L0004225")


def identity(place):
    return EntityIdentity(
        vin=VINS[place],
        logical_address=Address(0x1010 + place),
        eid=bytes((2, 0, 0, 0, 0, place + 1)),
        gid=bytes(6),
    )


def with_cars(play, count=2):
    async def main():
        entities = [DoipEntity(None, identity(place)) for place in range(count)]
        for each in entities:
            await each.open()
        try:
            return await play(tuple(f"127.0.0.1:{each.port}" for each in entities))
        finally:
            for each in entities:
                await each.close()

    return asyncio.run(main())


def search(**wishes):
    async def play(places):
        return await search_cars(CarSearch(asked=places, wait_s=1.0, **wishes))

    return with_cars(play)


def test_everybody_who_was_asked_answers():
    found = search()
    assert {each.announcement.vin for each in found.vehicles} == set(VINS)
    assert all(each.asked for each in found.vehicles)


@pytest.mark.parametrize("wish", [{"vin": VINS[1].decode()}, {"eid": identity(1).eid}])
def test_one_car_is_found_by_vin_or_eid(wish):
    (vehicle,) = search(**wish).vehicles
    assert vehicle.announcement.logical_address == 0x1011


def test_nobody_is_found_by_another_number():
    assert search(vin="ZZ9MRE1A3L0009999").vehicles == ()


def test_a_car_that_announces_itself_is_found_unasked():
    async def main():
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
            probe.bind(("127.0.0.1", 0))
            port = probe.getsockname()[1]
        searching = asyncio.ensure_future(
            search_vehicles([], wait_s=3.0, enough=1, listen_at=("127.0.0.1", port))
        )
        await asyncio.sleep(0.1)
        said = VehicleAnnouncement(
            vin=VINS[0], logical_address=Address(1), eid=bytes(6), gid=bytes(6), sync_status=0
        )
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as car:
            car.sendto(b"rubbish", ("127.0.0.1", port))
            car.sendto(encode_message(said), ("127.0.0.1", port))
        return await searching

    found = asyncio.run(main())
    (vehicle,) = found.vehicles
    assert not vehicle.asked
    assert vehicle.vin == VINS[0].decode()
    assert found.unreadable == 1


def test_a_place_that_refuses_is_told_and_ends_the_wait():
    async def main():
        loop = asyncio.get_running_loop()
        began = loop.time()
        # an own address that this computer does not have
        place = AskedPlace(host="127.0.0.1", port=9, source="203.0.113.9")
        found = await search_vehicles([place], wait_s=30.0)
        return found, loop.time() - began

    found, seconds = asyncio.run(main())
    assert found.vehicles == ()
    assert "127.0.0.1:9 (UDP)" in found.refusals[0]
    assert seconds < 20


@pytest.fixture
def asked(monkeypatch):
    """What would be asked, without asking it; eth7 is the only network."""
    calls = []

    async def note(places, **options):
        calls.append((places, options))

    monkeypatch.setattr(car_search, "search_vehicles", note)
    monkeypatch.setattr(
        car_search,
        "list_network_interfaces",
        lambda: (
            NetworkInterface(name="lo", address="127.0.0.1", broadcast="", up=True),
            NetworkInterface(name="eth7", address="192.0.2.7", broadcast="192.0.2.255", up=True),
        ),
    )
    return calls


def test_nothing_is_broadcast_unless_an_interface_is_named(asked):
    asyncio.run(search_cars(CarSearch()))
    asyncio.run(search_cars(CarSearch(asked=("192.0.2.9",))))
    asyncio.run(search_cars(CarSearch(networks=("eth7",))))
    hosts = [[place.host for place in places] for places, _ in asked]
    assert hosts == [["127.0.0.1"], ["192.0.2.9"], ["192.0.2.255"]]
    listening = [options["listen_at"] for _, options in asked]
    assert listening == [("127.0.0.1", 13400), None, ("", 13400)]
    assert asked[2][0][0].source == "192.0.2.7"


@pytest.mark.parametrize("name", ["lo", "eth8", ""])
def test_an_interface_that_cannot_be_asked_is_told_with_those_that_can(asked, name):
    with pytest.raises(InputError) as refused:
        asyncio.run(search_cars(CarSearch(networks=(name,))))
    assert "eth7 (192.0.2.7, broadcast 192.0.2.255)" in refused.value.why
    assert asked == []


def test_eid_is_read_as_people_write_it():
    assert (
        parse_eid("02:00:00:00:10:1f")
        == parse_eid("02000000101F")
        == bytes.fromhex("02000000101f")
    )
    for text in ("", "02", "02:00:00:00:10:1g", "02000000101F00"):
        with pytest.raises(InputError):
            parse_eid(text)


class Wishes:
    def __init__(self, address, asked=(), bus=None):
        self.address, self.asked, self.bus = address, asked, bus
        self.networks, self.wait_s = (), 1.0


class Person:
    def __init__(self, choice):
        self.choice, self.asked = choice, []

    def answer(self, question_id, text, choices):
        self.asked.append((question_id, choices))
        return self.choice


def choose(address, person, count=2):
    async def play(places):
        return await asyncio.to_thread(choose_target, Wishes(address, places), person)

    return with_cars(play, count)


def test_several_cars_are_a_question():
    person = Person(VINS[1].decode())
    target = choose("find", person)
    assert target.vin == VINS[1].decode()
    ((question, choices),) = person.asked
    assert question == "which-car"
    assert set(choices) == {each.decode() for each in VINS}
    with pytest.raises(StoppedError) as stopped:
        choose("find", Person(None))
    assert VINS[0].decode() in stopped.value.why


def test_one_car_or_one_vin_is_no_question():
    assert choose("find", Person(None), count=1).vin == VINS[0].decode()
    assert choose(VINS[1].decode(), Person(None)).vin == VINS[1].decode()


def test_a_car_that_is_not_there_is_told_with_the_time_limit():
    with pytest.raises(LinkError) as missing:
        choose("ZZ9MRE1A3L0009999", Person(None))
    assert "within 1 s" in missing.value.why


@pytest.mark.parametrize("wishes", [Wishes(None), Wishes("127.0.0.1", bus="virtual:x")])
def test_exactly_one_car_is_named(wishes):
    with pytest.raises(InputError, match="named"):
        choose_target(wishes, Person(None))
