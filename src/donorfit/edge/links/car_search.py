"""Look for cars where a person says: at addresses, or by broadcast on a named interface."""

import re
from dataclasses import dataclass

from donorfit.diagnostics.doip_codes import UDP_DISCOVERY_PORT
from donorfit.diagnostics.doip_messages import VehicleIdentificationRequest
from donorfit.edge.host.network_interfaces import NetworkInterface, list_network_interfaces
from donorfit.edge.links.places import DoipPlace, parse_doip_place
from donorfit.edge.links.vehicle_identification import (
    MOST_VEHICLES,
    AskedPlace,
    Discovery,
    search_vehicles,
)
from donorfit.errors import InputError

DEFAULT_PLACE = "127.0.0.1"
_EID_BYTES = 6


@dataclass(frozen=True, slots=True, kw_only=True)
class CarSearch:
    """Where to look, for whom, and for how long.

    Attributes:
        asked: ``HOST`` or ``HOST:PORT`` texts that are asked one by one.
        networks: interfaces on whose broadcast address everybody is asked.
        vin: only this car; empty for any.
        eid: only this entity, six bytes; empty for any.
        wait_s: longest wait.
    """

    asked: tuple[str, ...] = ()
    networks: tuple[str, ...] = ()
    vin: str = ""
    eid: bytes = b""
    wait_s: float = 2.0


def parse_eid(text: str) -> bytes:
    """Six bytes in hex; colons, dashes and blanks between them are let pass.

    Raises:
        InputError: another form.
    """
    try:
        eid = bytes.fromhex(re.sub("[:-]", " ", text))
    except ValueError:
        eid = b""
    if len(eid) != _EID_BYTES:
        raise InputError(
            what=f"{text!r} is no entity identification.",
            where="--eid",
            why="It is six bytes in hex, usually the address of the entity's network interface.",
            next_step="For example: --eid 02:00:00:00:10:10",
        )
    return eid


async def search_cars(search: CarSearch) -> Discovery:
    """Ask, and listen to announcements where they can arrive.

    Nothing is broadcast unless an interface is named. Where nothing is named at all, only this
    computer is asked.

    Raises:
        InputError: an address or interface is none.
    """
    request = VehicleIdentificationRequest(
        vin=search.vin.encode("ascii"), eid=b"" if search.vin else search.eid
    )
    asked = search.asked or (() if search.networks else (DEFAULT_PLACE,))
    hosts = [parse_doip_place(text, "--at") for text in asked]
    places = [AskedPlace(host=each.host, port=each.port) for each in hosts]
    places += [_find_network(name) for name in search.networks]
    return await search_vehicles(
        places,
        wait_s=search.wait_s,
        request=request,
        enough=_count_enough(search, len(places)),
        listen_at=_choose_listening(hosts, networks=bool(search.networks)),
    )


def _count_enough(search: CarSearch, places: int) -> int:
    """How many finds end the search early: nobody knows how many answer to a broadcast."""
    if search.vin or search.eid:
        return 1
    return MOST_VEHICLES if search.networks else places


def _choose_listening(hosts: list[DoipPlace], *, networks: bool) -> tuple[str, int] | None:
    """Announcements are broadcast: all addresses where a network is asked, else only our own."""
    if networks:
        return "", UDP_DISCOVERY_PORT
    if any(each.on_this_computer for each in hosts):
        return "127.0.0.1", UDP_DISCOVERY_PORT
    return None


def _find_network(name: str) -> AskedPlace:
    interfaces = list_network_interfaces()
    for each in interfaces:
        if each.name == name and each.broadcast:
            return AskedPlace(host=each.broadcast, source=each.address)
    raise InputError(
        what=f"There is no network {name!r} that can be asked as a whole.",
        where="--broadcast",
        why=f"Interfaces of this computer: {_list(interfaces)}.",
        next_step="Name one with a broadcast address, or ask one address with --at.",
    )


def _list(interfaces: tuple[NetworkInterface, ...]) -> str:
    return ", ".join(
        f"{each.name} ({each.address}, broadcast {each.broadcast or 'none'})"
        for each in interfaces
    )
