"""Where a ring is broken, told by who still hears light.

The first node that sees darkness starts to send by itself, so everything from there to the
master is heard. Source of the algebra: an industrial fibre-ring function block that reports
"break before the N-th module ahead of the receiver".
"""

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from enum import Enum

from donorfit.vehicle.identity import UnitId


class BreakKind(Enum):
    """What the nodes heard say."""

    NONE = "no break"
    ONE = "one break"
    MORE = "more than one break, or a unit without power"


@dataclass(frozen=True, slots=True, kw_only=True)
class RingBreak:
    """The break nearest to the master's input.

    Attributes:
        kind: what the nodes heard say.
        before: last node ahead of the break in the direction of the light; empty without one.
        behind: first node behind it.
        heard_to_master: nodes in an unbroken row up to the master's input.
        silent: nodes not heard.
        reason: the finding in one sentence.
    """

    kind: BreakKind
    before: UnitId
    behind: UnitId
    heard_to_master: tuple[UnitId, ...]
    silent: tuple[UnitId, ...]
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ExpectedNodes:
    """The master's list of expected nodes against those that are there.

    Attributes:
        missing: expected, not there.
        unexpected: there, not expected: the master has to be told.
        same_order: whether those in both stand in the same order.
    """

    missing: tuple[UnitId, ...]
    unexpected: tuple[UnitId, ...]
    same_order: bool


def locate_break(order: Sequence[UnitId], heard: Collection[UnitId]) -> RingBreak:
    """Say between which nodes the light is lost.

    Args:
        order: nodes in the direction of the light, the master first.
        heard: nodes that the master hears; the master itself does not count.
    """
    master, nodes = order[0], list(order[1:])
    silent = tuple(node for node in nodes if node not in heard)
    row: list[UnitId] = []
    for node in reversed(nodes):
        if node not in heard:
            break
        row.insert(0, node)
    if not silent:
        return RingBreak(
            kind=BreakKind.NONE,
            before=UnitId(""),
            behind=UnitId(""),
            heard_to_master=tuple(row),
            silent=(),
            reason="every node is heard",
        )
    behind = row[0] if row else master
    before = order[order.index(behind) - 1] if row else nodes[-1]
    stray = [node for node in nodes if node in heard and node not in row]
    reason = f"the light is lost between {before} and {behind}"
    if stray:
        reason = f"{reason}; {', '.join(stray)} ahead of it are heard, so it is not the only one"
    return RingBreak(
        kind=BreakKind.MORE if stray else BreakKind.ONE,
        before=before,
        behind=behind,
        heard_to_master=tuple(row),
        silent=silent,
        reason=reason,
    )


def locate_weak_hop(
    order: Sequence[UnitId], heard: Collection[UnitId], heard_dimmed: Collection[UnitId]
) -> RingBreak | None:
    """Say which hop is weak: dark only while every node sends with less light.

    A ring test at some 3 dB less (from memory, unverified) finds hops that hold today and will not
    with a little more dirt: what is lost at full light is a cut, what is lost only then is weak.

    Args:
        order: nodes in the direction of the light, the master first.
        heard: nodes heard at full light.
        heard_dimmed: nodes heard at less light.

    Returns:
        The weak hop; None where less light loses nothing more, or a cut hides it.
    """
    full, dimmed = locate_break(order, heard), locate_break(order, heard_dimmed)
    if dimmed.kind is BreakKind.NONE or (full.before, full.behind) == (
        dimmed.before,
        dimmed.behind,
    ):
        return None
    return replace(
        dimmed,
        reason=(
            f"the hop from {dimmed.before} to {dimmed.behind} is weak: dark with less light only"
        ),
    )


def list_expected(expected: Sequence[UnitId], order: Sequence[UnitId]) -> tuple[str, ...]:
    """What the master has to be told, in words, so that its list fits the ring."""
    found = compare_expected(expected, order)
    texts = [f"add {unit} at place {order.index(unit)}" for unit in found.unexpected]
    texts += [f"take out {unit}" for unit in found.missing]
    if not found.same_order:
        texts.append(f"put them into this order: {', '.join(order)}")
    return tuple(texts)


def compare_expected(expected: Sequence[UnitId], present: Sequence[UnitId]) -> ExpectedNodes:
    """Compare the master's list of expected nodes with the nodes that are there."""
    shared = [unit for unit in expected if unit in present]
    return ExpectedNodes(
        missing=tuple(unit for unit in expected if unit not in present),
        unexpected=tuple(unit for unit in present if unit not in expected),
        same_order=shared == [unit for unit in present if unit in expected],
    )
