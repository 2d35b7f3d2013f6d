"""Diagnostic addresses and identifiers held twice."""

from dataclasses import replace

from donorfit.network.addresses import AddressClashKind, find_address_clashes
from donorfit.vehicle.can_identifiers import CanIdentifiers
from donorfit.vehicle.control_unit import ControlUnit
from donorfit.vehicle.identity import Address, UnitId


def make_unit(name: str, address: int, request: int = 0, response: int = 0) -> ControlUnit:
    can = CanIdentifiers(request=request, response=response) if request else None
    return ControlUnit(
        id=UnitId(name), title=name, address=Address(address), network="can", can=can
    )


def test_two_units_at_one_address() -> None:
    clashes = find_address_clashes(
        [make_unit("a", 0x10), make_unit("b", 0x10), make_unit("c", 0x11)]
    )
    assert [(each.kind, each.users) for each in clashes] == [
        (AddressClashKind.ADDRESS, ("a", "b"))
    ]


def test_identifiers_and_extended_addressing() -> None:
    first, second = make_unit("a", 1, 0x700, 0x708), make_unit("b", 2, 0x700, 0x709)
    (clash,) = find_address_clashes([first, second])
    assert (clash.kind, clash.number) == (AddressClashKind.IDENTIFIER, 0x700)
    apart = [
        replace(each, can=replace(each.can, request_byte=n, response_byte=n))
        for n, each in enumerate((first, second))
    ]
    assert find_address_clashes(apart) == ()
    wide = replace(second, can=replace(second.can, wide=True))
    assert find_address_clashes([first, wide]) == ()


def test_messages_on_diagnostic_identifiers(message, network) -> None:
    there = network(
        message("Speed", 0x700),
        message("Far", 0x700, extended=True),
        message("Odd", 0x7E8),
        message("Fine", 0x100),
    )
    clashes = find_address_clashes([make_unit("a", 1, 0x700, 0x708)], [there])
    assert [(each.kind, each.number) for each in clashes] == [
        (AddressClashKind.MESSAGE, 0x700),
        (AddressClashKind.LEGISLATED, 0x7E8),
    ]
