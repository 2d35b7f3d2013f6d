"""Optical ring: light margin of every hop, one more node, a bypass.

Every active node regenerates the light, so a margin belongs to one hop:
``margin = weakest transmitter - weakest light received - a * length - connectors - bends``. At the
strong end ``strongest transmitter - least loss`` must not blind the receiver.

Sources: fibre IEC 60793-2-40 A4a, at most 40 dB/100 m (trade article), typically 0.22 dB/m (data
sheet). The power windows of the 25 Mbit/s ring were searched and not found in an open text: from
memory, unverified, and parameters here.
"""

from collections.abc import Iterator
from dataclasses import dataclass, fields, replace
from math import inf, isfinite

from donorfit.errors import InputError
from donorfit.vehicle.identity import UnitId
from donorfit.vehicle.network import OpticalRing, RingHop

MOST_NODES = 64
LONGEST_HOP_M = 1000.0


@dataclass(frozen=True, slots=True, kw_only=True)
class RingBudget:
    """Powers in dBm and losses in dB of one ring technology.

    Attributes:
        weakest_transmit_dbm: from memory, unverified.
        strongest_transmit_dbm: from memory, unverified.
        weakest_receive_dbm: from memory, unverified.
        strongest_receive_dbm: from memory, unverified.
        fibre_db_per_m: most that the fibre takes (IEC 60793-2-40 A4a).
        least_fibre_db_per_m: what a good fibre takes (data sheet, typical).
        connector_db: one connector inside a hop (from memory, unverified).
        least_connector_db: what a good connector takes (from memory, unverified).
        bend_db: one sharp bend (from memory, unverified).
        enough_db: margin below which a hop is called weak (common practice, no source).
    """

    weakest_transmit_dbm: float = -10.0
    strongest_transmit_dbm: float = -1.5
    weakest_receive_dbm: float = -24.0
    strongest_receive_dbm: float = -2.0
    fibre_db_per_m: float = 0.40
    least_fibre_db_per_m: float = 0.22
    connector_db: float = 1.5
    least_connector_db: float = 0.5
    bend_db: float = 0.5
    enough_db: float = 3.0

    @property
    def window_db(self) -> float:
        """Loss that one hop may have."""
        return self.weakest_transmit_dbm - self.weakest_receive_dbm


@dataclass(frozen=True, slots=True, kw_only=True)
class HopMargin:
    """One hop against the budget.

    Attributes:
        hop: the hop.
        loss_db: largest loss.
        margin_db: what is left of the window.
        overload_db: by how much the strongest light exceeds the receiver; 0 where it does not.
        verdict: ``holds``, ``weak``, ``too dark`` or ``too bright``.
    """

    hop: RingHop
    loss_db: float
    margin_db: float
    overload_db: float
    verdict: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RingReport:
    """A ring against a budget.

    Attributes:
        order: nodes in the direction of the light, the master first.
        hops: one a node, in that order.
        lowest_margin_db: of all hops.
        holds: whether enough light reaches every node. A hop that may be too bright is said, but
            decides nothing, because the upper window is unverified.
    """

    order: tuple[UnitId, ...]
    hops: tuple[HopMargin, ...]
    lowest_margin_db: float
    holds: bool


DEFAULT_BUDGET = RingBudget()


def judge_ring(ring: OpticalRing, budget: RingBudget = DEFAULT_BUDGET) -> RingReport:
    """Margin of every hop.

    Raises:
        InputError: the hops do not close into one ring, or the budget is none.
    """
    _check_budget(ring, budget)
    hops = tuple(_judge_hop(hop, budget) for hop in _list_hops(ring))
    return RingReport(
        order=tuple(each.hop.source for each in hops),
        hops=hops,
        lowest_margin_db=min(each.margin_db for each in hops),
        holds=all(each.margin_db >= 0 for each in hops),
    )


def list_ring_order(ring: OpticalRing) -> tuple[UnitId, ...]:
    """Nodes in the direction of the light, the master first; the list that the master expects.

    Raises:
        InputError: the hops do not close into one ring.
    """
    return tuple(hop.source for hop in _list_hops(ring))


def insert_node(
    ring: OpticalRing,
    unit: UnitId,
    *,
    after: UnitId,
    length_in_m: float,
    length_out_m: float,
    connectors_in: int = 1,
    connectors_out: int = 1,
) -> OpticalRing:
    """The ring with one more active node behind ``after``.

    Raises:
        InputError: ``after`` is not on the ring, or ``unit`` is already.
    """
    hops = list(_list_hops(ring))
    names = [hop.source for hop in hops]
    if unit in names:
        raise _refuse(ring, f"{unit} is on the ring already")
    if after not in names:
        raise _refuse(ring, f"{after} is not on the ring")
    place = names.index(after)
    old = hops[place]
    hops[place : place + 1] = [
        RingHop(source=after, target=unit, length_m=length_in_m, inline_connectors=connectors_in),
        RingHop(
            source=unit, target=old.target, length_m=length_out_m, inline_connectors=connectors_out
        ),
    ]
    return replace(ring, hops=tuple(hops))


def bypass_node(ring: OpticalRing, unit: UnitId, *, connectors: int = 1) -> OpticalRing:
    """The ring with one node bridged by a passive connector: its two hops become one.

    Raises:
        InputError: the unit is not on the ring, or is its master.
    """
    hops = list(_list_hops(ring))
    place = next((n for n, hop in enumerate(hops) if hop.source == unit), None)
    if place is None:
        raise _refuse(ring, f"{unit} is not on the ring")
    if unit == ring.master:
        raise _refuse(ring, "the master cannot be bridged")
    into, out = hops[place - 1], hops[place]
    hops[place - 1 : place + 1] = [
        RingHop(
            source=into.source,
            target=out.target,
            length_m=into.length_m + out.length_m,
            inline_connectors=into.inline_connectors + out.inline_connectors + connectors,
            sharp_bends=into.sharp_bends + out.sharp_bends,
            extra_db=into.extra_db + out.extra_db,
        )
    ]
    return replace(ring, hops=tuple(hops))


def _check_budget(ring: OpticalRing, budget: RingBudget) -> None:
    values = {each.name: float(getattr(budget, each.name)) for each in fields(budget)}
    wrong = [name for name, value in values.items() if not isfinite(value)]
    wrong += [n for n, value in values.items() if n.endswith(("_db", "_m")) and value < 0]
    for end in ("transmit_dbm", "receive_dbm"):
        if values[f"weakest_{end}"] > values[f"strongest_{end}"]:
            wrong.append(f"weakest_{end} above strongest_{end}")
    if wrong:
        raise _refuse(ring, f"its light budget is no budget: {', '.join(wrong)}")


def _judge_hop(hop: RingHop, budget: RingBudget) -> HopMargin:
    fixed = hop.inline_connectors * budget.connector_db + hop.sharp_bends * budget.bend_db
    fixed += hop.extra_db
    loss = hop.length_m * budget.fibre_db_per_m + fixed
    margin = budget.window_db - loss
    least_loss = (
        hop.length_m * budget.least_fibre_db_per_m
        + hop.inline_connectors * budget.least_connector_db
    )
    brightest = budget.strongest_transmit_dbm - least_loss
    overload = max(0.0, brightest - budget.strongest_receive_dbm)
    if margin < 0:
        verdict = "too dark"
    elif overload > 0:
        verdict = "too bright"
    else:
        verdict = "weak" if margin < budget.enough_db else "holds"
    return HopMargin(
        hop=hop, loss_db=loss, margin_db=margin, overload_db=overload, verdict=verdict
    )


def _list_hops(ring: OpticalRing) -> tuple[RingHop, ...]:
    """Hops from the master on; checked to close into one ring."""
    mistakes = list(_list_mistakes(ring))
    if mistakes:
        raise _refuse(ring, "; ".join(mistakes))
    following = {hop.source: hop for hop in ring.hops}
    hops: list[RingHop] = []
    node = ring.master
    while len(hops) <= len(ring.hops):
        hop = following.get(node)
        if hop is None:
            raise _refuse(ring, f"no hop leaves {node}")
        hops.append(hop)
        node = hop.target
        if node == ring.master:
            break
    if len(hops) != len(ring.hops):
        raise _refuse(ring, "the hops do not close into one ring through the master")
    return tuple(hops)


def _list_mistakes(ring: OpticalRing) -> Iterator[str]:
    if not 1 < len(ring.hops) <= MOST_NODES:
        yield f"it has {len(ring.hops)} hops; 2 to {MOST_NODES} make a ring"
    sources = [hop.source for hop in ring.hops]
    for unit in sorted({each for each in sources if sources.count(each) > 1}):
        yield f"two hops leave {unit}"
    targets = [hop.target for hop in ring.hops]
    for unit in sorted({each for each in targets if targets.count(each) > 1}):
        yield f"{unit} is there twice: two hops arrive at it"
    for hop in ring.hops:
        if not 0 <= hop.length_m <= LONGEST_HOP_M:
            yield f"hop {hop.source} to {hop.target} is {hop.length_m} m long"
        if hop.inline_connectors < 0 or hop.sharp_bends < 0 or not 0 <= hop.extra_db < inf:
            yield f"hop {hop.source} to {hop.target} has a negative count or loss"


def _refuse(ring: OpticalRing, why: str) -> InputError:
    return InputError(
        what=f"optical ring {ring.name} cannot be worked out",
        where=ring.name,
        why=why,
        next_step="correct the ring's hops in the pack",
    )
