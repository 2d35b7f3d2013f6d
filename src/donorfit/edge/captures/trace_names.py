"""Names that a pack gives to what a trace shows: units, identifiers, routines."""

from dataclasses import dataclass, field
from types import MappingProxyType

from donorfit.diagnostics.uds_words import NO_NAMES, Names
from donorfit.vehicle.control_unit import ControlUnit
from donorfit.vehicle.pack import Pack

_TESTERS = range(0x0E00, 0x1000)
_FUNCTIONAL = range(0xE400, 0xF000)


@dataclass(frozen=True, slots=True, kw_only=True)
class CanSide:
    """What an identifier on the CAN bus is for.

    Attributes:
        unit: address of the control unit.
        is_answer: whether the unit sends it.
        prefix_bytes: address bytes in front of each frame's own.
    """

    unit: int
    is_answer: bool
    prefix_bytes: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class TraceNames:
    """All names of one pack; empty where there is none.

    Attributes:
        units: name of each unit by its address.
        details: names inside each unit by its address.
        sides: what CAN identifiers are for, by identifier, 29 bits or not, and first byte; the
            byte is None with normal addressing.
    """

    units: MappingProxyType[int, str] = field(default_factory=lambda: MappingProxyType({}))
    details: MappingProxyType[int, Names] = field(default_factory=lambda: MappingProxyType({}))
    sides: MappingProxyType[tuple[int, bool, int | None], CanSide] = field(
        default_factory=lambda: MappingProxyType({})
    )

    def name(self, address: int | None) -> str:
        """An address for people."""
        if address is None:
            return "?"
        if address in self.units:
            return self.units[address]
        if address in _TESTERS:
            return f"tester {address:04X}"
        return f"{'all ' if address in _FUNCTIONAL else ''}{address:04X}"

    def find_details(self, *addresses: int | None) -> Names:
        """Names inside the first of these units that has some."""
        known = (self.details.get(each) for each in addresses if each is not None)
        return next((each for each in known if each is not None), NO_NAMES)

    def find_side(self, identifier: int, frame: bytes, *, wide: bool) -> CanSide | None:
        """What a frame is for; None where the pack says nothing."""
        first = frame[0] if frame else None
        return self.sides.get((identifier, wide, None)) or self.sides.get(
            (identifier, wide, first)
        )

    def find_address(self, text: str) -> int | None:
        """The address of a unit that a person names, by its name or in hex."""
        for address, name in self.units.items():
            if name == text:
                return address
        try:
            return int(text, 16)
        except ValueError:
            return None


def gather_trace_names(pack: Pack) -> TraceNames:
    """The names of a pack."""
    sides: dict[tuple[int, bool, int | None], CanSide] = {}
    for unit in pack.units:
        can = unit.can
        if can is None:
            continue
        prefix = 0 if can.request_byte is None else 1
        ways = (
            (can.request, can.request_byte, False),
            (can.response, can.response_byte, True),
        )
        for identifier, byte, is_answer in ways:
            sides[identifier, can.wide, byte] = CanSide(
                unit=unit.address, is_answer=is_answer, prefix_bytes=prefix
            )
    supply = pack.supply
    return TraceNames(
        units=MappingProxyType({unit.address: str(unit.id) for unit in pack.units}),
        details=MappingProxyType(
            {
                unit.address: _gather(
                    unit,
                    {supply.identifier: "supply"} if supply and supply.unit == unit.id else {},
                )
                for unit in pack.units
            }
        ),
        sides=MappingProxyType(sides),
    )


def _gather(unit: ControlUnit, more: dict[int, str]) -> Names:
    identifiers: dict[int, str] = {record.identifier: record.name for record in unit.records}
    if unit.option_list is not None:
        identifiers[unit.option_list.identifier] = "option list"
    return Names(
        identifiers=MappingProxyType({**more, **identifiers}),
        routines=MappingProxyType(
            {block.routine_check: "check of the software" for block in unit.software_blocks}
        ),
    )
