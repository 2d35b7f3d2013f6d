"""Which blocks bring a unit from one software to another, one after the other.

A block may only be loaded over the versions that it names, so that a unit may need some in a row.
Every block of such a way takes the unit nearer: a way up never goes down in between, and a way
back never up, since each download leaves the unit for a while with no software at all.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from types import MappingProxyType

from donorfit.vehicle.control_unit import SoftwareBlock
from donorfit.vehicle.identity import SoftwareVersion

_THOUSAND = 1000

Cost = tuple[int, int, int]
"""Milliseconds, bytes, blocks, compared in that order; whole numbers, so that equal is equal."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Arrival:
    """How a version is reached at the lowest cost.

    Attributes:
        cost: of all blocks from the start on.
        before: the version that the last block replaces.
        block: the last block.
    """

    cost: Cost
    before: SoftwareVersion
    block: SoftwareBlock


@dataclass(frozen=True, slots=True, kw_only=True)
class SoftwareWays:
    """Every version that can be reached from one, each at the lowest cost.

    Attributes:
        start: the version that the unit has.
        arrivals: how the others are reached.
    """

    start: SoftwareVersion
    arrivals: MappingProxyType[SoftwareVersion, Arrival]

    @property
    def reached(self) -> tuple[SoftwareVersion, ...]:
        """Versions that blocks lead to, the lowest first."""
        return tuple(sorted(self.arrivals))

    def trace(self, version: SoftwareVersion) -> tuple[SoftwareBlock, ...] | None:
        """The blocks that lead to a version, in order; none at the start, None where none do."""
        blocks = []
        while version != self.start:
            arrival = self.arrivals.get(version)
            if arrival is None:
                return None
            blocks.append(arrival.block)
            version = arrival.before
        return tuple(reversed(blocks))

    def find_cheapest(self, least: SoftwareVersion) -> tuple[SoftwareBlock, ...] | None:
        """The cheapest way to a version that is new enough; of equal ones the oldest."""
        enough = [(each.cost, version) for version, each in self.arrivals.items()]
        enough = [each for each in enough if each[1] >= least]
        return self.trace(min(enough)[1]) if enough else None


def find_ways_up(
    blocks: Iterable[SoftwareBlock],
    hardware: str,
    start: SoftwareVersion,
    *,
    restart_seconds: float = 0.0,
) -> SoftwareWays:
    """Newer versions that a unit can be brought to, block by block.

    Args:
        blocks: what the pack has for the unit.
        hardware: the unit's hardware number, which every block has to fit.
        start: the version that it has.
        restart_seconds: what comes on top of each block's duration.
    """
    fitting = [each for each in blocks if hardware in each.hardware and each.version > start]
    return _search(fitting, start, restart_seconds, down=False)


def find_ways_back(
    blocks: Iterable[SoftwareBlock],
    hardware: str,
    start: SoftwareVersion,
    *,
    restart_seconds: float = 0.0,
) -> SoftwareWays:
    """Older versions that a unit can be brought to; arguments as in :func:`find_ways_up`."""
    fitting = [each for each in blocks if hardware in each.hardware and each.version < start]
    return _search(fitting, start, restart_seconds, down=True)


def _search(
    blocks: list[SoftwareBlock], start: SoftwareVersion, restart_seconds: float, *, down: bool
) -> SoftwareWays:
    """Look at the versions in their order: whatever leads to one is settled before it.

    The time grows with the versions that all blocks name together, however many ways there are.
    """
    over: dict[SoftwareVersion, list[SoftwareBlock]] = {start: []}
    for each in blocks:
        # What may replace anything is loaded at once: a way to it is never cheaper than none.
        for version in dict.fromkeys(each.replaces or (start,)):
            over.setdefault(version, []).append(each)
    arrivals: dict[SoftwareVersion, Arrival] = {}
    ways = SoftwareWays(start=start, arrivals=MappingProxyType(arrivals))
    for version in sorted({start, *(each.version for each in blocks)}, reverse=down):
        if version != start and version not in arrivals:
            continue
        for each in over.get(version, ()):
            if each.version == version or (each.version < version) is not down:
                continue
            arrival = _arrive(ways, version, each, restart_seconds)
            known = arrivals.get(each.version)
            if known is None or _is_better(ways, arrival, known):
                arrivals[each.version] = arrival
    return ways


def _arrive(
    ways: SoftwareWays, before: SoftwareVersion, block: SoftwareBlock, restart_seconds: float
) -> Arrival:
    known = ways.arrivals.get(before)
    spent = known.cost if known is not None else (0, 0, 0)
    milliseconds = round((block.seconds + restart_seconds) * _THOUSAND)
    cost = (spent[0] + milliseconds, spent[1] + block.size_bytes, spent[2] + 1)
    return Arrival(cost=cost, before=before, block=block)


def _is_better(ways: SoftwareWays, new: Arrival, known: Arrival) -> bool:
    """Whether a way is cheaper; of equal ones the same one is always taken."""
    if new.cost != known.cost:
        return new.cost < known.cost
    return list(_name(ways, new)) < list(_name(ways, known))


def _name(ways: SoftwareWays, arrival: Arrival) -> Iterator[tuple[SoftwareVersion, str, str]]:
    for each in (*(ways.trace(arrival.before) or ()), arrival.block):
        yield each.version, each.file, each.sha256
