"""Check fault codes, the session's conditions and cautions."""

from collections.abc import Mapping

from donorfit.edge.packs.names import Names
from donorfit.edge.packs.pack_notes import PackNotes, suggest
from donorfit.edge.packs.pack_parts import PackParts
from donorfit.edge.packs.part_shapes import CauseShape, FaultShape, SupplyShape, WakeShape
from donorfit.vehicle.fault import CauseKind


def check_faults(parts: PackParts, names: Names, notes: PackNotes) -> None:
    """Check every known fault code and what its causes are about."""
    subjects = _collect_subjects(parts, names)
    seen: set[tuple[str, str]] = set()
    for part in parts.faults:
        for fault in part.values.fault:
            if fault.unit not in names.units:
                line = fault.get_line("unit")
                what = f"{fault.code}: there is no unit {fault.unit!r}"
                notes.add(part.file, line, what, suggest(fault.unit, names.units))
            if (fault.unit, fault.code) in seen:
                what = f"{fault.unit} has the fault code {fault.code} twice"
                notes.add(part.file, fault.get_line("code"), what, "join their causes")
            seen.add((fault.unit, fault.code))
            for cause in fault.causes:
                _check_cause(part.file, fault, cause, subjects, notes)


def _collect_subjects(parts: PackParts, names: Names) -> Mapping[CauseKind, frozenset[str] | None]:
    """What each kind of cause can be about; None where anything goes or is not known."""
    messages = {
        name
        for network in parts.described.values()
        for message in network.messages
        for name in (message.name, f"{network.name}/{message.name}")
    }
    described = len(parts.described) == len(names.networks)
    records = {
        name
        for _, unit, record in parts.list_records()
        for number in (f"0x{record.identifier:04X}",)
        for name in (record.name, number, f"{unit.id}/{record.name}", f"{unit.id}/{number}")
    }
    records |= {
        name
        for _, unit in parts.list_units()
        if unit.option_list is not None
        for number in (f"0x{unit.option_list.identifier:04X}",)
        for name in (number, f"{unit.id}/{number}")
    }
    rings = {ring.name for part in parts.networks for ring in part.values.ring}
    options = names.options
    complete = options is not None and not names.units_incomplete
    return {
        CauseKind.UNIT_NOT_DECLARED: names.units | options if options is not None else None,
        CauseKind.CONFIGURATION_DISAGREES: frozenset(names.units | records | (options or set()))
        if complete
        else None,
        CauseKind.MESSAGE_MISSING: frozenset(messages | names.units) if described else None,
        CauseKind.SUPPLY_LOW: names.units,
        CauseKind.OTHER_CARS_VIN: names.units,
        CauseKind.RING_BREAK: frozenset(names.units | rings),
        CauseKind.PART_ITSELF: None,
    }


def _check_cause(
    file: str,
    fault: FaultShape,
    cause: CauseShape,
    subjects: Mapping[CauseKind, frozenset[str] | None],
    notes: PackNotes,
) -> None:
    known = subjects[CauseKind(cause.kind)]
    if known is None or not cause.subject or cause.subject in known:
        return
    what = f"{fault.code}: nothing is called {cause.subject!r} that can cause {cause.kind!r}"
    notes.add(file, cause.get_line("subject"), what, suggest(cause.subject, sorted(known)))


def check_session(parts: PackParts, names: Names, notes: PackNotes) -> None:
    """Check wake conditions, supply and cautions."""
    seen: set[str] = set()
    supplies: list[tuple[str, SupplyShape]] = []
    for part in parts.session:
        for wake in part.values.wake_condition:
            if wake.id in seen:
                what = f"there are two wake conditions {wake.id!r}"
                notes.add(part.file, wake.get_line("id"), what, "rename one of them")
            seen.add(wake.id)
            _check_wake(part.file, wake, names, notes)
        if part.values.supply is not None:
            supplies.append((part.file, part.values.supply))
            _check_supply(part.file, part.values.supply, names, notes)
    for file, extra in supplies[1:]:
        notes.add(file, extra.get_line(), "there is a second supply", "keep one of them")
    _check_side_by_side(parts, [supply for _, supply in supplies], notes)
    cautions: set[str] = set()
    for texts in parts.cautions:
        for caution in texts.values.caution:
            if caution.id in cautions:
                what = f"there are two cautions {caution.id!r}"
                notes.add(texts.file, caution.get_line("id"), what, "rename one of them")
            cautions.add(caution.id)


def _check_side_by_side(parts: PackParts, supplies: list[SupplyShape], notes: PackNotes) -> None:
    """Check what may be done at the same time: said once, and not less than nothing at all."""
    tables = [
        (part.file, part.values.side_by_side)
        for part in parts.session
        if part.values.side_by_side is not None
    ]
    for file, extra in tables[1:]:
        notes.add(file, extra.get_line(), "there is a second side_by_side", "keep one of them")
    base = max((supply.base_current_a for supply in supplies), default=0.0)
    for file, table in tables:
        if table.most_current_a is not None and table.most_current_a <= base:
            what = f"side_by_side: the awake car alone takes {base:g} A, so that nothing may begin"
            next_step = "correct most_current_a or the supply's base_current_a"
            notes.add(file, table.get_line("most_current_a"), what, next_step)


def _check_wake(file: str, wake: WakeShape, names: Names, notes: PackNotes) -> None:
    if wake.unit is None:
        if wake.identifier is not None:
            what = f"{wake.id}: an identifier is given, but no unit to read it from"
            notes.add(file, wake.get_line("identifier"), what, "name the unit")
        return
    if wake.unit not in names.units:
        what = f"{wake.id}: there is no unit {wake.unit!r}"
        notes.add(file, wake.get_line("unit"), what, suggest(wake.unit, names.units))
    if wake.identifier is None:
        what = f"{wake.id}: the data identifier to read is missing"
        notes.add(file, wake.get_line(), what, "add identifier")
    if wake.value & ~wake.mask:
        what = f"{wake.id}: the value has bits that the mask leaves out"
        notes.add(file, wake.get_line("value"), what, "correct mask or value")


def _check_supply(file: str, supply: SupplyShape, names: Names, notes: PackNotes) -> None:
    if supply.unit not in names.units:
        what = f"supply: there is no unit {supply.unit!r}"
        notes.add(file, supply.get_line("unit"), what, suggest(supply.unit, names.units))
    if supply.lowest_volts >= supply.highest_volts:
        what = "supply: the lowest voltage is not below the highest"
        notes.add(file, supply.get_line("lowest_volts"), what, "correct one of them")
