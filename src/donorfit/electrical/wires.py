"""Choose a wire and its fuse together."""

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise
from types import MappingProxyType

from donorfit.electrical.fuses import CONTINUOUS_SHARE, FuseChoice, choose_fuse
from donorfit.electrical.lead_drop import (
    ConductorClass,
    ReturnPath,
    compute_lead_drop,
    list_lead_mistakes,
    refuse_lead,
)
from donorfit.electrical.pins import PinMatch, PinWire
from donorfit.records.plan import WireOrder
from donorfit.vehicle.network import Cavity, PinFunction

NOMINAL_VOLTS = 13.5
FEED_DROP_SHARE = 0.03
"""Share of the supply that a feed that matters may lose: the 3 % that building wiring rules
recommend for a branch (a forum quoting them); marine practice agrees, from memory."""
WARM_C = 60.0
SIGNAL_MM2 = 0.5
_FED_BY_HOST = frozenset((PinFunction.SUPPLY, PinFunction.SWITCHED_SUPPLY))


@dataclass(frozen=True, slots=True, kw_only=True)
class CableList:
    """What vehicle cable carries for long, by cross-section in mm2, and where that was read."""

    name: str
    source: str
    rating_a: tuple[tuple[float, float], ...]


CABLE_LISTS: tuple[CableList, ...] = (
    CableList(
        name="towing",
        source="a towing supplier's page",
        rating_a=((0.65, 5.75), (1, 8.75), (1.5, 12.75), (2, 17.5), (2.5, 21.75), (3, 25.5)),
    ),
    CableList(
        name="general",
        source="trade page, lower confidence",
        rating_a=((0.5, 5), (0.75, 7), (1, 9), (1.5, 13), (2, 15), (2.5, 17), (6, 35)),
    ),
    CableList(
        name="thin wall",
        source="105 degC insulation, from memory, unverified",
        rating_a=((0.5, 11), (1, 16.5), (2, 25), (3, 33)),
    ),
)
"""Published lists of continuous currents; they disagree by a factor of two."""


def _read_between(listed: tuple[tuple[float, float], ...], size: float) -> float:
    """What a list says of a size, straight between its neighbours; endless where it says nothing.

    Without it, a size that only the more generous list names would carry half as much again as
    the next thinner one.
    """
    for (below, low_a), (above, high_a) in pairwise(listed):
        if below <= size <= above:
            return low_a + (high_a - low_a) * (size - below) / (above - below)
    return float("inf")


RATING_A: Mapping[float, float] = MappingProxyType(
    {
        size: round(min(_read_between(each.rating_a, size) for each in CABLE_LISTS[:2]), 2)
        for size in (0.5, 0.75, 1.0, 1.5, 2.0, 2.5, 3.0, 6.0)
    }
)
"""Continuous current by cross-section: the lower of the two published lists."""
BUNCHED: Mapping[int, float] = MappingProxyType(
    {1: 1.0, 2: 0.8, 3: 0.7, 4: 0.65, 5: 0.6, 6: 0.57, 7: 0.54, 8: 0.52, 9: 0.5}
    | {12: 0.45, 16: 0.41, 20: 0.38}
)
"""What is left of the rating of each of so many loaded cables bunched in air: wiring rules for
buildings (BS 7671 table 4C1, row 1). 2, 4, and all from 9 on were read in discussions of that
table, the others are from memory, unverified; whether they hold in a car is not known."""


def find_bundle_factor(conductors: int) -> float:
    """What a bundle of so many loaded conductors leaves of the rating of each.

    Raises:
        InputError: no conductor at all.
    """
    if conductors < 1:
        raise refuse_lead([f"a bundle of {conductors} conductors is none"])
    return BUNCHED[max(size for size in BUNCHED if size <= conductors)]


@dataclass(frozen=True, slots=True, kw_only=True)
class WireSize:
    """A wire with its fuse, or why there is none.

    Attributes:
        cross_section_mm2: the wire; 0 where no listed one does.
        fuse: the fuse in front of it.
        drop_volts: voltage lost at the continuous current.
        drop_share: the same as a share of the supply.
        reason: which test decided.
    """

    cross_section_mm2: float
    fuse: FuseChoice
    drop_volts: float
    drop_share: float
    reason: str

    @property
    def found(self) -> bool:
        """Whether a listed wire passes every test."""
        return self.cross_section_mm2 > 0


def size_wire(
    current_a: float,
    length_m: float,
    *,
    allowed_drop_share: float = FEED_DROP_SHARE,
    supply_volts: float = NOMINAL_VOLTS,
    temperature_c: float = WARM_C,
    return_path: ReturnPath = ReturnPath.BODY,
    bundle_factor: float = 1.0,
    continuous_share: float = CONTINUOUS_SHARE,
    fused: bool = True,
    rating_a: Mapping[float, float] = RATING_A,
) -> WireSize:
    """Thinnest listed wire that loses little enough and that a standard fuse protects.

    Args:
        current_a: continuous current.
        length_m: one way.
        allowed_drop_share: share of ``supply_volts`` that may be lost.
        supply_volts: voltage at the source.
        temperature_c: of the conductor.
        return_path: wire of the same size, or the car body.
        bundle_factor: what a bundle leaves of the rating, see :func:`find_bundle_factor`.
        continuous_share: see :func:`choose_fuse`.
        fused: false for a wire without a fuse of its own (a ground, or one behind the host's
            fuse): then the wire's rating alone has to carry the current.
        rating_a: what each cross-section carries for long.

    Raises:
        InputError: figures that no wire has; all of them at once.
    """
    _check_wire(current_a, length_m, allowed_drop_share, supply_volts, bundle_factor)
    failed = ""
    for size, rating in sorted(rating_a.items()):
        fuse = (
            choose_fuse(current_a, rating * bundle_factor, continuous_share=continuous_share)
            if fused
            else _judge_rating(current_a, rating * bundle_factor)
        )
        drop = compute_lead_drop(
            current_a,
            length_m,
            size,
            conductor=ConductorClass.FLEXIBLE,
            temperature_c=temperature_c,
            return_path=return_path,
        )
        share = drop / supply_volts
        if not fuse.found:
            failed = f"{size:g} mm2 fails: {fuse.reason}"
        elif share > allowed_drop_share:
            failed = f"{size:g} mm2 loses {share:.1%}, more than {allowed_drop_share:.0%}"
        else:
            reason = f"{fuse.reason}; {drop:.2f} V lost ({share:.1%})"
            if failed:
                reason = f"{reason}; one size less: {failed}"
            return WireSize(
                cross_section_mm2=size,
                fuse=fuse,
                drop_volts=drop,
                drop_share=share,
                reason=reason,
            )
    none = FuseChoice(rating_a=0, load_share=0, wire_rating_a=0, reason=failed)
    return WireSize(cross_section_mm2=0, fuse=none, drop_volts=0, drop_share=0, reason=failed)


def _check_wire(
    current_a: float, length_m: float, drop_share: float, supply_volts: float, bundle: float
) -> None:
    checks = (
        (0 < drop_share < 1, f"an allowed drop of {drop_share} is not in 0..1"),
        (0 < supply_volts <= 60, f"a supply of {supply_volts} V is not in 0..60"),  # noqa: PLR2004
        (0 < bundle <= 1, f"a bundle factor of {bundle} is not in 0..1"),
    )
    mistakes = list_lead_mistakes(current_a, length_m)
    mistakes += [text for right, text in checks if not right]
    if mistakes:
        raise refuse_lead(mistakes)


@dataclass(frozen=True, slots=True, kw_only=True)
class ListedWire:
    """The wire that one published list of ratings leads to."""

    name: str
    source: str
    wire: WireSize


def compare_lists(
    current_a: float,
    length_m: float,
    *,
    allowed_drop_share: float = FEED_DROP_SHARE,
    temperature_c: float = WARM_C,
    return_path: ReturnPath = ReturnPath.BODY,
    bundle_factor: float = 1.0,
    continuous_share: float = CONTINUOUS_SHARE,
) -> tuple[ListedWire, ...]:
    """The same wire by every list of ratings; arguments as in :func:`size_wire`.

    Raises:
        InputError: figures that no wire has.
    """
    return tuple(
        ListedWire(
            name=each.name,
            source=each.source,
            wire=size_wire(
                current_a,
                length_m,
                allowed_drop_share=allowed_drop_share,
                temperature_c=temperature_c,
                return_path=return_path,
                bundle_factor=bundle_factor,
                continuous_share=continuous_share,
                rating_a=dict(each.rating_a),
            ),
        )
        for each in CABLE_LISTS
    )


def _judge_rating(current_a: float, rating_a: float) -> FuseChoice:
    """A wire without a fuse: its rating against the current, written as a choice of no fuse."""
    carries = current_a <= rating_a
    verb = "carries" if carries else "is rated for only"
    return FuseChoice(
        rating_a=rating_a if carries else 0,
        load_share=current_a / rating_a,
        wire_rating_a=rating_a,
        reason=f"the wire {verb} {current_a if carries else rating_a:g} A",
    )


def order_wires(
    match: PinMatch, *, adapter_length_m: float = 0.3, run_length_m: float = 5.0
) -> tuple[WireOrder, ...]:
    """Wires to make: an adapter between matched cavities, a new run where the host has none.

    Cavities without a partner, or with one whose wire is too weak, get a run of ``run_length_m``
    from a fused source or the network named in the purpose.
    """
    none = "the host's connector has no partner: run a new wire"
    orders = [
        _order_run(match, wire.module, run_length_m, wire.note)
        if wire.too_weak
        else _order(match, wire, adapter_length_m)
        for wire in match.wires
    ]
    orders += [_order_run(match, cavity, run_length_m, none) for cavity in match.missing]
    return tuple(orders)


def _order(match: PinMatch, wire: PinWire, length_m: float) -> WireOrder:
    """A wire of an adapter: behind the host's fuse, so as strong as the host's own wire."""
    size, fuse, note = _size_for(wire.module, length_m, fused=False)
    if wire.module.function in _FED_BY_HOST and size > 0:
        size, note = _protect(wire, size, length_m, note)
    return WireOrder(
        host_cavity=f"{match.host}:{wire.host.number}",
        module_cavity=f"{match.module}:{wire.module.number}",
        purpose=describe_cavity(wire.module),
        cross_section_mm2=size,
        fuse_a=fuse,
        length_m=length_m,
        note="; ".join(each for each in (wire.note, note) if each),
    )


def _protect(wire: PinWire, size: float, length_m: float, note: str) -> tuple[float, str]:
    """Size that the host's unknown fuse protects too, and what has to be looked at.

    The fuse in front of the host's wire is at most what that wire is made for; an adapter wire
    that carries less would burn before it.
    """
    carries = RATING_A[size]
    if wire.host.current_a <= 0:
        return size, "; ".join(
            (*filter(None, (note,)), f"look up the host's fuse: at most {carries:g} A")
        )
    strong = size_wire(max(wire.host.current_a, wire.module.current_a), length_m, fused=False)
    if strong.found and strong.cross_section_mm2 > size:
        reason = f"as strong as the host's own wire, {wire.host.current_a:g} A, for its fuse"
        return strong.cross_section_mm2, "; ".join((*filter(None, (note,)), reason))
    if not strong.found:
        reason = f"the host's fuse must be at most {carries:g} A, or put one of its own in"
        return size, "; ".join((*filter(None, (note,)), reason))
    return size, note


def _order_run(match: PinMatch, cavity: Cavity, length_m: float, why: str) -> WireOrder:
    size, fuse, note = _size_for(cavity, length_m, fused=True)
    if fuse > 0 and cavity.current_a <= 0:
        note = "how much it takes is not said: look it up before wire and fuse are bought"
    return WireOrder(
        host_cavity="",
        module_cavity=f"{match.module}:{cavity.number}",
        purpose=describe_cavity(cavity),
        cross_section_mm2=size,
        fuse_a=fuse,
        length_m=length_m,
        note="; ".join(each for each in (why, note) if each),
    )


def _size_for(cavity: Cavity, length_m: float, *, fused: bool) -> tuple[float, float, str]:
    match cavity.function:
        case PinFunction.OPTICAL_IN | PinFunction.OPTICAL_OUT:
            return 0.0, 0.0, "optical fibre, no copper"
        case PinFunction.CAN_HIGH | PinFunction.CAN_LOW:
            return SIGNAL_MM2, 0.0, "twist with its partner"
        case PinFunction.ETHERNET_PLUS | PinFunction.ETHERNET_MINUS:
            return SIGNAL_MM2, 0.0, "use the twisted pair made for it"
        case PinFunction.SUPPLY | PinFunction.SWITCHED_SUPPLY | PinFunction.OUTPUT:
            wire = size_wire(cavity.current_a, length_m, fused=fused)
            fuse = wire.fuse.rating_a if fused and cavity.function is not PinFunction.OUTPUT else 0
            return wire.cross_section_mm2, fuse, "" if wire.found else wire.reason
        case PinFunction.GROUND:
            # its feed's fuse has to protect the way back too: what it lets through comes back here
            wire = size_wire(cavity.current_a, length_m, fused=fused)
            return wire.cross_section_mm2, 0.0, "" if wire.found else wire.reason
        case _:
            return SIGNAL_MM2, 0.0, ""


def describe_cavity(cavity: Cavity) -> str:
    """Function and detail of a cavity in words."""
    return f"{cavity.function.value} {cavity.detail}".strip()
