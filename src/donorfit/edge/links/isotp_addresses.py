"""Which CAN identifiers a control unit listens and answers on (ISO 15765-2 addressing)."""

from dataclasses import dataclass

from donorfit.vehicle.can_identifiers import CanIdentifiers
from donorfit.vehicle.identity import Address


@dataclass(frozen=True, slots=True, kw_only=True)
class CanAddress:
    """One unit's identifiers.

    Attributes:
        unit: logical address by which the rest of the program knows it.
        request: identifier of requests.
        response: identifier of answers.
        wide: whether both have 29 bits.
        target_extension: first data byte of requests with extended addressing; None for normal.
        source_extension: first data byte of answers with extended addressing.
        flexible_rate: whether the unit is talked to in CAN FD frames of up to 64 bytes.
    """

    unit: Address
    request: int
    response: int
    wide: bool = False
    target_extension: int | None = None
    source_extension: int | None = None
    flexible_rate: bool = False


def make_can_address(unit: Address, can: CanIdentifiers) -> CanAddress:
    """The address of a unit whose identifiers a pack or scenario gives, as the tester sees it."""
    return CanAddress(
        unit=unit,
        request=can.request,
        response=can.response,
        wide=can.wide,
        target_extension=can.request_byte,
        source_extension=can.response_byte,
        flexible_rate=can.flexible_rate,
    )


def turn_round(address: CanAddress) -> CanAddress:
    """The same unit as the car sees it: it listens to requests and sends answers."""
    return CanAddress(
        unit=address.unit,
        request=address.response,
        response=address.request,
        wide=address.wide,
        target_extension=address.source_extension,
        source_extension=address.target_extension,
        flexible_rate=address.flexible_rate,
    )
