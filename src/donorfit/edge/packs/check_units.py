"""Check control units: identifiers, safety, software, places in the car."""

from collections import Counter

from donorfit.edge.packs.build_units import build_can
from donorfit.edge.packs.check_software import check_software
from donorfit.edge.packs.check_software_rows import check_software_rows
from donorfit.edge.packs.names import Names
from donorfit.edge.packs.pack_notes import PackNotes, suggest
from donorfit.edge.packs.pack_parts import PackParts
from donorfit.edge.packs.unit_shapes import UnitShape
from donorfit.vehicle.can_identifiers import list_mistakes
from donorfit.vehicle.control_unit import (
    HARDWARE_IDENTIFIER,
    PART_IDENTIFIER,
    SERIAL_IDENTIFIER,
    SOFTWARE_IDENTIFIER,
    VIN_IDENTIFIER,
    System,
)

_STANDARD = frozenset(
    (
        VIN_IDENTIFIER,
        SERIAL_IDENTIFIER,
        HARDWARE_IDENTIFIER,
        SOFTWARE_IDENTIFIER,
        PART_IDENTIFIER,
    )
)


def check_units(parts: PackParts, names: Names, notes: PackNotes) -> None:
    """Check every control unit by itself and against the others."""
    found = list(parts.list_units())
    addresses: dict[int, str] = {}
    seen: set[str] = set()
    for file, unit in found:
        if unit.id in seen:
            line = unit.get_line("id")
            notes.add(file, line, f"there are two units {unit.id!r}", "rename one of them")
        seen.add(unit.id)
        other = addresses.setdefault(unit.address, unit.id)
        if other != unit.id:
            what = f"{unit.id} and {other} have the same address 0x{unit.address:04X}"
            notes.add(file, unit.get_line("address"), what, "correct one of them")
        _check_places(file, unit, names, notes)
        _check_identifiers(file, unit, notes)
        _check_safety(file, unit, notes)
        for block in unit.software:
            check_software(file, unit, block, parts, notes)
        check_software_rows(file, unit, notes)
    on_can = [(file, unit.id, unit.can) for file, unit in found if unit.can is not None]
    mistakes = list_mistakes((id_, build_can(can)) for _, id_, can in on_can)
    for place, key, what, next_step in mistakes:
        file, _, can = on_can[place]
        notes.add(file, can.get_line(key), what, next_step)
    gateway = parts.manifest.values.gateway
    if found and gateway not in addresses and not names.units_incomplete:
        line = parts.manifest.values.get_line("gateway")
        what = f"no unit has the gateway's address 0x{gateway:04X}"
        notes.add(parts.manifest.file, line, what, "correct the address")


def _check_places(file: str, unit: UnitShape, names: Names, notes: PackNotes) -> None:
    if unit.network not in names.networks:
        what = f"{unit.id}: there is no network {unit.network!r}"
        notes.add(file, unit.get_line("network"), what, suggest(unit.network, names.networks))
    option = unit.present_option
    if option is not None and names.options is not None and option not in names.options:
        what = f"{unit.id}: there is no option {option!r}"
        notes.add(file, unit.get_line("present_option"), what, suggest(option, names.options))
    for text, count in Counter(unit.hardware).items():
        if count > 1:
            what = f"{unit.id}: the hardware number {text!r} is there twice"
            notes.add(file, unit.get_line("hardware"), what, "take one out")


def _check_identifiers(file: str, unit: UnitShape, notes: PackNotes) -> None:
    used: dict[int, str] = dict.fromkeys(_STANDARD, "identification by ISO 14229-1")
    places = [(r.identifier, f"record {r.name!r}", r.get_line("identifier")) for r in unit.record]
    if unit.option_list is not None:
        store = unit.option_list
        places.append((store.identifier, "the option list", store.get_line("identifier")))
    for identifier, what, line in places:
        if identifier in used:
            text = f"{unit.id}: {what} and {used[identifier]} share 0x{identifier:04X}"
            notes.add(file, line, text, "give one another data identifier")
        used.setdefault(identifier, what)


def _check_safety(file: str, unit: UnitShape, notes: PackNotes) -> None:
    """Units of these systems are read, never written: the pack must not offer otherwise."""
    if not System(unit.system).read_only:
        return
    reason = f"a unit of the {unit.system} system is read, never written"
    for record in unit.record:
        if record.writable:
            line = record.get_line("writable")
            what = f"{unit.id}, record {record.name!r} is writable, but {reason}"
            notes.add(file, line, what, "say writable = false")
    if unit.option_list is not None:
        what = f"{unit.id} keeps the option list, but {reason}"
        notes.add(file, unit.option_list.get_line(), what, "take its option_list out")
    for block in unit.software:
        what = f"{unit.id} has software to load, but {reason}"
        notes.add(file, block.get_line(), what, "take the software out")
