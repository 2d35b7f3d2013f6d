"""What is typed for a car, read or refused."""

import asyncio
import sys

import pytest

from donorfit.edge.clock import RealClock
from donorfit.edge.links.places import (
    CanPlace,
    DoipPlace,
    list_bus_options,
    open_link,
    parse_can_place,
    parse_doip_place,
)
from donorfit.errors import InputError
from donorfit.vehicle.can_identifiers import CanIdentifiers
from donorfit.vehicle.control_unit import ControlUnit
from donorfit.vehicle.identity import Address, UnitId

UNIT = ControlUnit(
    id=UnitId("tow"),
    title="Tow",
    address=Address(0x1071),
    network="can",
    can=CanIdentifiers(request=0x671, response=0x771, flexible_rate=True),
)


@pytest.mark.parametrize(
    ("text", "host", "port", "inside"),
    [
        ("127.0.0.1:13400", "127.0.0.1", 13400, True),
        ("192.0.2.1", "192.0.2.1", 13400, False),
        ("gateway.example:1", "gateway.example", 1, False),
        ("localhost:99", "localhost", 99, True),
        ("[::1]:99", "::1", 99, True),
        ("[fe80::1%eth0]", "fe80::1%eth0", 13400, False),
        ("fe80::1", "fe80::1", 13400, False),
    ],
)
def test_an_address_is_read(text, host, port, inside):
    place = parse_doip_place(text)
    assert place == DoipPlace(host=host, port=port)
    assert place.on_this_computer is inside


@pytest.mark.parametrize(
    "text",
    ["", ":", ":13400", "host:", "host:0", "host:65536", "host:٣", "a b", "host:1x", "a/b:1"],
)
def test_no_address_is_refused(text):
    with pytest.raises(InputError, match="no address"):
        parse_doip_place(text)


@pytest.mark.parametrize(
    ("text", "place"),
    [
        ("socketcan:can0", CanPlace(interface="socketcan", channel="can0")),
        ("pcan:PCAN_USBBUS1@500000",
         CanPlace(interface="pcan", channel="PCAN_USBBUS1", bit_rate=500_000)),
        ("vector:0@500000/2000000",
         CanPlace(interface="vector", channel="0", bit_rate=500_000, data_bit_rate=2_000_000)),
        ("slcan:/dev/ttyUSB0@115200@500000",
         CanPlace(interface="slcan", channel="/dev/ttyUSB0@115200", bit_rate=500_000)),
        ("loopback:127.0.0.1:29000", CanPlace(interface="loopback", channel="127.0.0.1:29000")),
    ],
)  # fmt: skip
def test_a_bus_is_read(text, place):
    assert parse_can_place(text) == place
    assert place.on_this_computer is (place.interface == "loopback")


@pytest.mark.parametrize(
    "text",
    ["", "can0", "socketcan:", ":can0", "socketcan:can0@0", "socketcan:can0@99999999",
     "loopback:127.0.0.1", "loopback:127.0.0.1:0", "loopback:29000", "loopback:127.0.0.1:x"],
)  # fmt: skip
def test_no_bus_is_refused(text):
    with pytest.raises(InputError, match=r"no CAN bus|no address of a loopback bus"):
        parse_can_place(text)


def test_only_what_was_given_goes_to_the_adapter():
    place = CanPlace(interface="x", channel="y")
    assert list_bus_options(place, fd=False) == {}
    place = CanPlace(interface="x", channel="y", bit_rate=5, data_bit_rate=6)
    assert list_bus_options(place, fd=True) == {"fd": True, "bitrate": 5, "data_bitrate": 6}


def open_(place, *units):
    return asyncio.run(open_link(place, units, RealClock()))


def test_a_pack_without_identifiers_cannot_be_used_over_can():
    plain = ControlUnit(id=UnitId("a"), title="A", address=Address(1), network="n")
    with pytest.raises(InputError, match="no control unit CAN identifiers"):
        open_(CanPlace(interface="loopback", channel="127.0.0.1:1"), plain)


def test_an_unknown_kind_of_adapter_names_those_that_are_known():
    pytest.importorskip("can")
    with pytest.raises(InputError) as refused:
        open_(CanPlace(interface="nonsense", channel="1"), UNIT)
    assert "socketcan" in refused.value.why


@pytest.mark.parametrize("package", ["can", "isotp"])
def test_without_the_extra_the_error_names_it(monkeypatch, package):
    for name in [each for each in sys.modules if each.startswith("donorfit.edge.links.isotp")]:
        monkeypatch.delitem(sys.modules, name)
    monkeypatch.setitem(sys.modules, package, None)
    with pytest.raises(InputError) as refused:
        open_(CanPlace(interface="virtual", channel="places"), UNIT)
    assert "extra `can`" in refused.value.next_step
