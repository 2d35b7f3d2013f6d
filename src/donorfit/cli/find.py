"""``donorfit find``: which cars answer on the network."""

import asyncio
import json
from typing import Any

import click

from donorfit.cli.car_target import search_options
from donorfit.cli.columns import count, tabulate
from donorfit.edge.links.car_search import CarSearch, parse_eid, search_cars
from donorfit.edge.links.vehicle_identification import Discovery, FoundVehicle
from donorfit.errors import InputError, LinkError
from donorfit.vehicle.vin import describe_vin_mistake

SCHEMA = "donorfit/cars-found/1"
_FURTHER_ACTION = {
    0x00: "",
    0x10: "asks for authentication before routing: out of reach for this program",
}


def _add_search_options(command: Any) -> Any:
    for option in reversed(search_options()):
        command = option(command)
    return command


@click.command("find")
@_add_search_options
@click.option("--vin", default="", metavar="VIN", help="Only the car with this VIN.")
@click.option("--eid", default="", metavar="HEX", help="Only the entity with these six bytes.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def find_command(
    asked: tuple[str, ...],
    networks: tuple[str, ...],
    wait_s: float,
    vin: str,
    eid: str,
    *,
    as_json: bool,
) -> None:
    """List the cars that answer to vehicle identification (ISO 13400-2) or announce themselves.

    Only what is named is asked: addresses with --at, whole networks with --broadcast. Without
    either, only this computer is asked.
    """
    mistake = describe_vin_mistake(vin) if vin else ""
    if mistake or (vin and eid):
        raise InputError(
            what=f"{vin!r} is no VIN." if mistake else "A car has one of --vin and --eid.",
            where="--vin",
            why=mistake or "The standard knows a request by VIN and one by EID, none by both.",
            next_step="Give the 17 characters as they stand on the car, or leave one out.",
        )
    search = CarSearch(
        asked=asked,
        networks=networks,
        vin=vin,
        eid=parse_eid(eid) if eid else b"",
        wait_s=wait_s,
    )
    discovery = asyncio.run(search_cars(search))
    if as_json:
        click.echo(json.dumps(to_plain(discovery), indent=2))
    else:
        click.echo("\n".join(word_discovery(discovery)))
    if not discovery.vehicles:
        raise LinkError(
            what="No car answered.",
            where=", ".join((*asked, *networks)) or "this computer",
            why="; ".join([f"nothing came within {wait_s:g} s", *discovery.refusals]),
            next_step="Check cable and ignition, ask a network with --broadcast INTERFACE, or "
            "wait longer with --wait.",
        )


def to_plain(discovery: Discovery) -> dict[str, Any]:
    """What was found, as plain JSON values."""
    return {
        "schema": SCHEMA,
        "cars": [_car_to_plain(each) for each in discovery.vehicles],
        "unreadable": discovery.unreadable,
        "refusals": list(discovery.refusals),
    }


def _car_to_plain(car: FoundVehicle) -> dict[str, Any]:
    said = car.announcement
    return {
        "host": car.host,
        "port": car.port,
        "vin": car.vin,
        "address": said.logical_address,
        "eid": said.eid.hex(),
        "gid": said.gid.hex(),
        "further_action": said.further_action,
        "asked": car.asked,
    }


def word_discovery(discovery: Discovery) -> list[str]:
    """What was found, as lines for a terminal."""
    rows = [
        (
            car.vin or "not known",
            f"{car.host}:{car.port}",
            f"{car.announcement.logical_address:04X}",
            car.announcement.eid.hex(":"),
            "; ".join(filter(None, ("" if car.asked else "announced itself", _word_action(car))))
            or "answered",
        )
        for car in discovery.vehicles
    ]
    lines = tabulate(rows, head=("VIN", "where", "gateway", "EID", "how")) if rows else []
    if discovery.unreadable:
        unreadable = count(discovery.unreadable, "datagram was", "datagrams were")
        lines.append(f"  ! {unreadable} no vehicle announcement")
    if discovery.vehicles:
        lines += [f"  ! not asked or heard: {why}" for why in discovery.refusals]
    return lines


def _word_action(car: FoundVehicle) -> str:
    code = car.announcement.further_action
    return _FURTHER_ACTION.get(code, f"further action 0x{code:02X}, not known here")
