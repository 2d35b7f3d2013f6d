"""What has to be bought for a set of wires: cable by size, fuses, terminals, fibre."""

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass

from donorfit.records.plan import WireOrder

SPARE_SHARE = 0.1
"""Cable more than measured, for routing and a second crimp (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PartsLine:
    """One line of a parts list.

    Attributes:
        part: what to buy.
        quantity: how much of it.
        unit: ``m`` or ``pcs``.
        used_for: the cavities that it is for.
    """

    part: str
    quantity: float
    unit: str
    used_for: tuple[str, ...]


def list_parts(orders: Iterable[WireOrder]) -> tuple[PartsLine, ...]:
    """Parts for wires to be made: cable with 10 % to spare, fuses with holders, terminals.

    A wire that no listed size fits (0 mm2 and no fibre) is a line of its own: it is not dropped.
    """
    wires = tuple(orders)
    metres: dict[str, float] = {}
    places: dict[str, list[str]] = {}
    pieces: Counter[str] = Counter()

    def note(part: str, place: str) -> None:
        places.setdefault(part, []).append(place)

    for order in wires:
        cable = _name_cable(order)
        metres[cable] = metres.get(cable, 0.0) + order.length_m
        note(cable, order.module_cavity)
        if order.fuse_a > 0:
            for part in (f"fuse {order.fuse_a:g} A", "fuse holder in the line"):
                pieces[part] += 1
                note(part, order.module_cavity)
        for cavity in filter(None, (order.host_cavity, order.module_cavity)):
            terminal = f"terminal for connector {cavity.partition(':')[0]}"
            pieces[terminal] += 1
            note(terminal, cavity)
    lines = [
        PartsLine(
            part=part,
            quantity=round(length * (1 + SPARE_SHARE), 2),
            unit="m",
            used_for=tuple(places[part]),
        )
        for part, length in sorted(metres.items())
    ]
    lines += [
        PartsLine(part=part, quantity=float(number), unit="pcs", used_for=tuple(places[part]))
        for part, number in sorted(pieces.items())
    ]
    return tuple(lines)


def _name_cable(order: WireOrder) -> str:
    if order.cross_section_mm2 > 0:
        twisted = "twist" in order.note
        return f"cable {order.cross_section_mm2:g} mm2" + (", twisted in pairs" if twisted else "")
    if order.purpose.startswith("optical"):
        return "optical fibre with its plugs"
    return "a feed that no listed cable fits: see the wire's note"
