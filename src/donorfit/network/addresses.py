"""Diagnostic addresses and identifiers that two units would answer, or a message would use.

Sources: ISO 13400-2 and ISO 14229-1 give every unit one logical address; ISO 15765-2 has one pair
of identifiers for each pair of speakers. ISO 15765-4 keeps 7DFh for requests to all and 7E0h to
7EFh for emission-related units, with 11 bits (from memory).
"""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from enum import Enum

from donorfit.vehicle.control_unit import ControlUnit
from donorfit.vehicle.network import Message, Network, NetworkKind

ASK_ALL = 0x7DF
LEGISLATED = range(0x7E0, 0x7F0)


class AddressClashKind(Enum):
    """What two users of one address come to."""

    ADDRESS = "two units have one diagnostic address"
    IDENTIFIER = "two units have one diagnostic identifier"
    MESSAGE = "a message uses a diagnostic identifier"
    LEGISLATED = "a message uses an identifier kept for emission-related diagnosis"


@dataclass(frozen=True, slots=True, kw_only=True)
class AddressClash:
    """Two users of one address.

    Attributes:
        kind: what they come to.
        number: address or identifier.
        users: units and messages in words.
        why: the finding in one sentence.
    """

    kind: AddressClashKind
    number: int
    users: tuple[str, ...]
    why: str


def find_address_clashes(
    units: Sequence[ControlUnit], networks: Iterable[Network] = ()
) -> tuple[AddressClash, ...]:
    """Clashes among diagnostic addresses, and between them and the messages of CAN networks.

    Args:
        units: every unit that would be in the car together.
        networks: their networks with what is sent on them.
    """
    found = [*_compare_addresses(units), *_compare_identifiers(units)]
    for network in networks:
        if network.kind is NetworkKind.CAN:
            found += _compare_messages(units, network)
    return tuple(found)


def _compare_addresses(units: Iterable[ControlUnit]) -> Iterator[AddressClash]:
    holders: dict[int, list[str]] = defaultdict(list)
    for unit in units:
        holders[unit.address].append(unit.id)
    for address, names in sorted(holders.items()):
        if len(names) > 1:
            yield AddressClash(
                kind=AddressClashKind.ADDRESS,
                number=address,
                users=tuple(names),
                why=f"{' and '.join(names)} would both answer at {address:#06x}",
            )


def _compare_identifiers(units: Iterable[ControlUnit]) -> Iterator[AddressClash]:
    holders: dict[tuple[int, bool, int | None], list[str]] = defaultdict(list)
    for unit in units:
        if unit.can is not None:
            can = unit.can
            holders[can.request, can.wide, can.request_byte].append(f"requests to {unit.id}")
            holders[can.response, can.wide, can.response_byte].append(f"answers of {unit.id}")
    for (number, _, _), names in sorted(holders.items(), key=lambda pair: pair[0][:2]):
        if len(names) > 1:
            yield AddressClash(
                kind=AddressClashKind.IDENTIFIER,
                number=number,
                users=tuple(names),
                why=f"{' and '.join(names)} share {number:#x}",
            )


def _compare_messages(units: Iterable[ControlUnit], network: Network) -> Iterator[AddressClash]:
    taken = {
        (number, unit.can.wide): f"{what} {unit.id}"
        for unit in units
        if unit.can is not None
        for number, what in (
            (unit.can.request, "requests to"),
            (unit.can.response, "answers of"),
        )
    }
    for message in network.messages:
        other = taken.get((message.frame_id, message.extended))
        name = f"{network.name}/{message.name}"
        if other is not None:
            yield AddressClash(
                kind=AddressClashKind.MESSAGE,
                number=message.frame_id,
                users=(name, other),
                why=f"{name} and {other} share {message.frame_id:#x}",
            )
        elif _is_legislated(message):
            yield AddressClash(
                kind=AddressClashKind.LEGISLATED,
                number=message.frame_id,
                users=(name,),
                why=f"{name} is sent at {message.frame_id:#x}, where test equipment asks",
            )


def _is_legislated(message: Message) -> bool:
    number = message.frame_id
    return not message.extended and (number == ASK_ALL or number in LEGISLATED)
