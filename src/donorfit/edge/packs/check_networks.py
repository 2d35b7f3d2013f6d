"""Check networks, the optical ring and connectors."""

from collections import Counter

from donorfit.edge.packs.names import Names
from donorfit.edge.packs.pack_notes import PackNotes, suggest
from donorfit.edge.packs.pack_parts import PackParts
from donorfit.edge.packs.part_shapes import ConnectorShape, NetworkShape, RingShape

_DESCRIBED = frozenset(("can", "lin"))
_NETWORKED = frozenset(("can high", "can low", "ethernet plus", "ethernet minus"))


def check_networks(parts: PackParts, names: Names, notes: PackNotes) -> None:
    """Check every network, the ring and every connector."""
    seen: set[str] = set()
    rings: list[tuple[str, RingShape]] = []
    for part in parts.networks:
        for network in part.values.network:
            _check_network(part.file, network, seen, parts=parts, names=names, notes=notes)
        rings.extend((part.file, ring) for ring in part.values.ring)
    for file, extra in rings[1:]:
        notes.add(file, extra.get_line(), "there is a second ring", "keep one ring a family")
    for file, ring in rings[:1]:
        _check_ring(file, ring, parts, names, notes)
    if not rings:
        for file, unit in parts.list_units():
            if unit.ring_position is not None:
                what = f"{unit.id} has a place on a ring, but the pack has none"
                notes.add(file, unit.get_line("ring_position"), what, "describe the ring")
    ids: set[str] = set()
    for connectors in parts.connectors:
        for connector in connectors.values.connector:
            _check_connector(connectors.file, connector, ids, names, notes)


def _check_network(
    file: str,
    network: NetworkShape,
    seen: set[str],
    *,
    parts: PackParts,
    names: Names,
    notes: PackNotes,
) -> None:
    if network.name in seen:
        line = network.get_line("name")
        notes.add(file, line, f"there are two networks {network.name!r}", "rename one of them")
    seen.add(network.name)
    if network.kind in _DESCRIBED and network.messages is None:
        what = f"{network.name}: nothing says which messages it carries"
        notes.warn(file, network.get_line(), what, "name its description under 'messages'")
    if network.kind in _DESCRIBED and not network.bit_rate:
        what = f"{network.name}: the bit rate is not said"
        notes.warn(file, network.get_line("bit_rate"), what, "give bit_rate in bit/s")
    for node in network.terminated_by:
        if node not in names.units:
            what = f"{network.name}: there is no unit {node!r} to hold a terminating resistor"
            line = network.get_line("terminated_by")
            notes.add(file, line, what, suggest(node, names.units))
    if len(set(network.terminated_by)) != len(network.terminated_by):
        what = f"{network.name}: a unit is named twice under 'terminated_by'"
        notes.add(file, network.get_line("terminated_by"), what, "name each unit once")
    described = parts.described.get(network.name)
    if described is None:
        return
    nodes = {node for message in described.messages for node in message.senders}
    unknown = sorted(node for node in nodes if node.lower() not in names.units)
    if unknown:
        what = f"{network.name}: senders that are no unit of the pack: {', '.join(unknown)}"
        notes.warn(file, network.get_line("messages"), what, "describe them or leave it so")


def _check_ring(
    file: str, ring: RingShape, parts: PackParts, names: Names, notes: PackNotes
) -> None:
    nodes = [ring.hop[0].source]
    for hop in ring.hop:
        for key, node in (("source", hop.source), ("target", hop.target)):
            if node not in names.units:
                what = f"ring: there is no unit {node!r}"
                notes.add(file, hop.get_line(key), what, suggest(node, names.units))
        if hop.source != nodes[-1]:
            what = f"ring: the hop begins at {hop.source}, the one before ends at {nodes[-1]}"
            notes.add(file, hop.get_line("source"), what, "write the hops in the light's order")
        nodes.append(hop.target)
    if nodes[-1] != nodes[0]:
        what = f"the ring is not closed: it begins at {nodes[0]} and ends at {nodes[-1]}"
        notes.add(file, ring.hop[-1].get_line("target"), what, f"add the hop to {nodes[0]}")
    for node, count in Counter(nodes[:-1] if nodes[-1] == nodes[0] else nodes).items():
        if count > 1:
            hop = next(each for each in ring.hop if each.target == node)
            notes.add(file, hop.get_line("target"), f"ring: {node} is there twice", "correct it")
    if ring.master not in nodes:
        what = f"ring: the master {ring.master!r} is not on it"
        notes.add(file, ring.get_line("master"), what, suggest(ring.master, nodes))
        return
    start = nodes.index(ring.master)
    order = [*nodes[start:-1], *nodes[:start]]
    _check_positions(ring.name, {node: place for place, node in enumerate(order)}, parts, notes)


def _check_positions(
    ring: str, places: dict[str, int], parts: PackParts, notes: PackNotes
) -> None:
    for file, unit in parts.list_units():
        expected = places.get(unit.id)
        if unit.ring_position == expected:
            continue
        line = unit.get_line("ring_position")
        if expected is None:
            what = f"{unit.id} has a place on the ring, but is not on {ring!r}"
            notes.add(file, line, what, "add it to the ring or take the place out")
        else:
            what = f"{unit.id} is at place {expected} of the ring {ring!r}"
            notes.add(file, line, what, f"say ring_position = {expected}")


def _check_connector(
    file: str, connector: ConnectorShape, ids: set[str], names: Names, notes: PackNotes
) -> None:
    if connector.id in ids:
        line = connector.get_line("id")
        notes.add(file, line, f"there are two connectors {connector.id!r}", "rename one of them")
    ids.add(connector.id)
    numbers: set[int] = set()
    for cavity in connector.cavity:
        if cavity.number in numbers:
            what = f"{connector.id}: cavity {cavity.number} is there twice"
            notes.add(file, cavity.get_line("number"), what, "number the cavities")
        numbers.add(cavity.number)
        networked = cavity.function in _NETWORKED
        if networked and cavity.detail and cavity.detail not in names.networks:
            what = f"{connector.id}: there is no network {cavity.detail!r}"
            next_step = suggest(cavity.detail, sorted(names.networks))
            notes.add(file, cavity.get_line("detail"), what, next_step)
