"""Which CAN identifiers a control unit listens and answers on (ISO 15765-2 addressing)."""

from dataclasses import dataclass

from donorfit.diagnostics.pdu import TESTER_ADDRESS
from donorfit.vehicle.identity import Address

_FIXED_PHYSICAL = 0x18DA0000


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
    """

    unit: Address
    request: int
    response: int
    wide: bool = False
    target_extension: int | None = None
    source_extension: int | None = None


def make_fixed_address(
    unit: Address, target: int, source: int = TESTER_ADDRESS & 0xFF
) -> CanAddress:
    """Normal fixed addressing: 29 bits with target and source in them (0x18DA target source)."""
    return CanAddress(
        unit=unit,
        request=_FIXED_PHYSICAL | target << 8 | source,
        response=_FIXED_PHYSICAL | source << 8 | target,
        wide=True,
    )
