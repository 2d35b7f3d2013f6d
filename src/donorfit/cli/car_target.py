"""Which car a command is about: an address, a bus, or one that is looked for first."""

import asyncio
import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Protocol

import click

from donorfit.cli.number_types import FiniteRange
from donorfit.edge.links.car_search import CarSearch, search_cars
from donorfit.edge.links.places import DoipPlace, Place, parse_can_place, parse_doip_place
from donorfit.edge.links.vehicle_identification import Discovery, FoundVehicle
from donorfit.errors import InputError, LinkError, StoppedError
from donorfit.job.progress import Person

FIND = "find"
QUESTION = "which-car"
_VIN = re.compile(r"[A-HJ-NPR-Z0-9]{17}")


class Wishes(Protocol):
    """What the person typed about the car."""

    @property
    def address(self) -> str | None:
        """HOST:PORT, a VIN, or the word find."""

    @property
    def bus(self) -> str | None:
        """INTERFACE:CHANNEL of a CAN bus."""

    @property
    def asked(self) -> tuple[str, ...]:
        """Addresses to ask."""

    @property
    def networks(self) -> tuple[str, ...]:
        """Interfaces to broadcast on."""

    @property
    def wait_s(self) -> float:
        """Longest wait for answers."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Target:
    """Where the car is; its VIN where one was asked for or found."""

    place: Place
    vin: str = ""


def search_options() -> tuple[Callable[[Any], Any], ...]:
    """Options that say where to look for cars."""
    return (
        click.option(
            "--at",
            "asked",
            multiple=True,
            metavar="HOST[:PORT]",
            help="Look for the car at this address.  [default: this computer]",
        ),
        click.option(
            "--broadcast",
            "networks",
            multiple=True,
            metavar="INTERFACE",
            help="Look for the car on this network interface, asking everybody there.",
        ),
        click.option(
            "--wait",
            "wait_s",
            type=FiniteRange(0.1, 600),
            default=2.0,
            show_default=True,
            help="Longest wait for answers of cars, in seconds.",
        ),
    )


def choose_target(wishes: Wishes, person: Person) -> Target:
    """The car that the command is about.

    Raises:
        InputError: no place is given, or more than one, or one that is none.
        LinkError: the car that was looked for does not answer.
        StoppedError: several cars answer, and nobody is there to choose.
    """
    if (wishes.address is None) is (wishes.bus is None):
        raise InputError(
            what="Two cars are named." if wishes.bus else "No car is named.",
            where="--car, --can",
            next_step="Give --car HOST:PORT, --car VIN, --car find, or --can INTERFACE:CHANNEL.",
        )
    if wishes.bus is not None:
        return Target(place=parse_can_place(wishes.bus))
    text = wishes.address or ""
    vin = text if re.fullmatch(_VIN, text) else ""
    if not vin and text.lower() != FIND:
        return Target(place=parse_doip_place(text))
    search = CarSearch(asked=wishes.asked, networks=wishes.networks, vin=vin, wait_s=wishes.wait_s)
    found = _choose(asyncio.run(search_cars(search)), search, person)
    click.echo(f"  found {describe(found)}", err=True)
    return Target(place=DoipPlace(host=found.host, port=found.port), vin=found.vin)


def describe(vehicle: FoundVehicle) -> str:
    """One car in one phrase."""
    return f"{vehicle.vin or 'a car without VIN'} at {vehicle.host}:{vehicle.port}"


def _choose(discovery: Discovery, search: CarSearch, person: Person) -> FoundVehicle:
    vehicles = discovery.vehicles
    if not vehicles:
        reasons = [f"nothing came within {search.wait_s:g} s", *discovery.refusals]
        raise LinkError(
            what=f"The car {search.vin} does not answer." if search.vin else "No car answers.",
            where=", ".join((*search.asked, *search.networks)) or "this computer",
            why="; ".join(reasons),
            next_step="Check cable and ignition; say where to look: --at HOST or --broadcast "
            "INTERFACE.",
        )
    if len(vehicles) == 1:
        return vehicles[0]
    choices = tuple(each.vin or f"{each.host}:{each.port}" for each in vehicles)
    if len(set(choices)) < len(choices):
        choices = tuple(f"{each.host}:{each.port}" for each in vehicles)
    text = "Several cars answer: " + "; ".join(describe(each) for each in vehicles)
    answer = person.answer(QUESTION, f"{text}. Which one?", choices)
    if answer is None:
        raise StoppedError(
            what="Several cars answer, and nobody is there to choose.",
            where=QUESTION,
            why=text,
            state="Nothing was sent to any of them but the question who they are.",
            next_step="Name one: --car VIN or --car HOST:PORT.",
        )
    return vehicles[choices.index(answer)]
