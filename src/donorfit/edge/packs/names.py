"""Names that the parts of a pack refer to each other by."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from donorfit.edge.packs.pack_parts import PackParts
from donorfit.edge.packs.part_reader import Part


@dataclass(frozen=True, slots=True, kw_only=True)
class Names:
    """What can be referred to.

    Entries that are wrong elsewhere count as well, so that one mistake does not make ten.

    Attributes:
        options: options of the rules; None where nothing gives them.
        units: control units.
        units_incomplete: some unit or file of units could not be read.
        networks: networks.
        connectors: connectors.
        cautions: cautions of the pack.
    """

    options: frozenset[str] | None
    units: frozenset[str]
    units_incomplete: bool
    networks: frozenset[str]
    connectors: frozenset[str]
    cautions: frozenset[str]


def collect_names(parts: PackParts) -> Names:
    """All names of a pack."""
    return Names(
        options=parts.options,
        units=_list_names(parts.units, "unit", "id"),
        units_incomplete=len(parts.units) != len(parts.manifest.values.parts.units)
        or any(part.values.is_partial for part in parts.units),
        networks=_list_names(parts.networks, "network", "name"),
        connectors=_list_names(parts.connectors, "connector", "id"),
        cautions=_list_names(parts.cautions, "caution", "id"),
    )


def _list_names(parts: Iterable[Part[Any]], table: str, key: str) -> frozenset[str]:
    return frozenset(name for part in parts for name in part.list_names(table, key))
