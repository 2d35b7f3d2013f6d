"""Check donor modules: what they need must be there to be needed."""

from donorfit.edge.packs.names import Names
from donorfit.edge.packs.pack_notes import PackNotes, suggest
from donorfit.edge.packs.pack_parts import PackParts
from donorfit.edge.packs.part_shapes import ModuleShape, NeededSignalShape
from donorfit.edge.packs.unit_shapes import UnitShape
from donorfit.records.caution_catalogue import CAUTIONS
from donorfit.vehicle.identity import BuildMonth


def check_modules(parts: PackParts, names: Names, notes: PackNotes) -> None:
    """Check every donor module."""
    units = {unit.id: unit for _, unit in parts.list_units()}
    seen: set[str] = set()
    for part in parts.modules:
        for module in part.values.module:
            if module.id in seen:
                line = module.get_line("id")
                notes.add(part.file, line, f"there are two modules {module.id!r}", "rename one")
            seen.add(module.id)
            _check_references(part.file, module, names, notes)
            _check_options(part.file, module, names, notes)
            _check_unit(part.file, module, units.get(module.unit), parts, notes)
            _check_months(part.file, module, parts, notes)
            checks: set[str] = set()
            for check in module.hand_check:
                if check.id in checks:
                    what = f"{module.id}: the check {check.id!r} is there twice"
                    notes.add(part.file, check.get_line("id"), what, "rename one")
                checks.add(check.id)
            for signal in module.signal:
                _check_signal(part.file, module, signal, parts=parts, names=names, notes=notes)


def _check_references(file: str, module: ModuleShape, names: Names, notes: PackNotes) -> None:
    rows = [
        ("unit", module.unit, names.units, "unit", module.get_line("unit")),
        *(
            ("unit", each.unit, names.units, "unit", each.get_line("unit"))
            for each in module.companion
        ),
    ]
    for key in ("connector", "host_connector"):
        value = getattr(module, key)
        if value:
            rows.append((key, value, names.connectors, "connector", module.get_line(key)))
    known = names.cautions | frozenset(CAUTIONS)
    rows.extend(
        ("cautions", each, known, "caution", module.get_line("cautions"))
        for each in module.cautions
    )
    for _, value, allowed, kind, line in rows:
        if value not in allowed:
            what = f"{module.id}: there is no {kind} {value!r}"
            notes.add(file, line, what, suggest(value, sorted(allowed)))


def _check_options(file: str, module: ModuleShape, names: Names, notes: PackNotes) -> None:
    for key in ("options_on", "options_off"):
        for option in getattr(module, key):
            if names.options is not None and option not in names.options:
                what = f"{module.id}: there is no option {option!r}"
                notes.add(file, module.get_line(key), what, suggest(option, names.options))
    for option in sorted({*module.options_on} & {*module.options_off}):
        what = f"{module.id}: {option} must be declared and must not be"
        notes.add(file, module.get_line("options_off"), what, "take it out of one list")


def _check_unit(
    file: str, module: ModuleShape, unit: UnitShape | None, parts: PackParts, notes: PackNotes
) -> None:
    if unit is None:
        return
    for text in module.hardware:
        if text not in unit.hardware:
            what = f"{module.id}: the unit {unit.id} has no hardware {text!r}"
            notes.add(file, module.get_line("hardware"), what, suggest(text, unit.hardware))
    on_ring = any(
        unit.id in (hop.source, hop.target)
        for part in parts.networks
        for ring in part.values.ring
        for hop in ring.hop
    )
    if module.on_ring and not on_ring:
        what = f"{module.id} needs a place on the ring, but {unit.id} has none"
        notes.add(file, module.get_line("on_ring"), what, "add the unit to the ring")


def _check_months(file: str, module: ModuleShape, parts: PackParts, notes: PackNotes) -> None:
    manifest = parts.manifest.values
    family = BuildMonth.parse(manifest.family_from), BuildMonth.parse(manifest.family_before)
    for key in ("month_from", "month_before"):
        value = getattr(module, key)
        if value and not family[0] <= BuildMonth.parse(value) <= family[1]:
            what = f"{module.id}: {value} lies outside the family's months"
            notes.add(file, module.get_line(key), what, "correct the month")
    start, end = module.month_from, module.month_before
    if start and end and BuildMonth.parse(start) >= BuildMonth.parse(end):
        what = f"{module.id}: it works in no month at all"
        notes.add(file, module.get_line("month_before"), what, "correct the months")


def _check_signal(
    file: str,
    module: ModuleShape,
    need: NeededSignalShape,
    *,
    parts: PackParts,
    names: Names,
    notes: PackNotes,
) -> None:
    if need.network not in names.networks:
        what = f"{module.id}: there is no network {need.network!r}"
        notes.add(file, need.get_line("network"), what, suggest(need.network, names.networks))
    network = parts.described.get(need.network)
    if network is None:
        return
    message = next((each for each in network.messages if each.name == need.message), None)
    if message is None:
        known = [each.name for each in network.messages]
        what = f"{module.id}: {need.network} carries no message {need.message!r}"
        notes.add(file, need.get_line("message"), what, suggest(need.message, known))
        return
    signals = [each.name for each in message.signals]
    if need.signal not in signals:
        what = f"{module.id}: the message {need.message} has no signal {need.signal!r}"
        notes.add(file, need.get_line("signal"), what, suggest(need.signal, signals))
    if message.cycle_ms is not None and message.cycle_ms > need.longest_gap_ms:
        what = (
            f"{module.id}: {need.message} comes every {message.cycle_ms} ms, the module waits "
            f"{need.longest_gap_ms} ms"
        )
        notes.warn(file, need.get_line("longest_gap_ms"), what, "check both figures")
