"""Checks across the keys of a scenario file: names that must exist, bytes that must fit."""

from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING

from donorfit.edge.packs.scenario_values import build_can
from donorfit.errors import Mistake
from donorfit.records.counted import count
from donorfit.simulator.checksums import ALGORITHMS, is_right
from donorfit.vehicle.can_identifiers import list_mistakes

if TYPE_CHECKING:
    from donorfit.edge.packs.scenario_fault_shapes import DemandShape, FaultShape
    from donorfit.edge.packs.scenario_shapes import (
        DisturbanceShape,
        KeeperShape,
        RecordShape,
        ScenarioShape,
        SentWhenShape,
        SoftwareBlockShape,
        UnitShape,
    )
    from donorfit.edge.packs.toml_lines import Path, TomlText

VIN = 0xF190
BUILT_IN = frozenset((0xF186, 0xF187, 0xF189, 0xF18C, 0xF190, 0xF191))
VIN_BYTES = 17

_NEEDED = {
    "pending": {"seconds"},
    "late answer": {"seconds"},
    "refuse": {"code"},
    "store differently": {"byte", "value"},
    "supply dip": {"volts", "seconds"},
}
_ALLOWED = {
    "busy": {"times"},
    "silence": {"executed"},
    "drop connection": {"refuse_s", "executed"},
    "reset": {"executed"},
}
_DISTURBANCE_KEYS = (
    "times",
    "seconds",
    "executed",
    "refuse_s",
    "code",
    "byte",
    "value",
    "volts",
)

Found = tuple["Path", str, str]


def check_scenario(text: "TomlText", shape: "ScenarioShape") -> tuple[Mistake, ...]:
    """Everything that is wrong across the file, in the order of its lines."""
    checks = _Checks(shape)
    found = dict.fromkeys(text.mistake(*each) for each in checks.run())
    return tuple(sorted(found, key=lambda mistake: mistake.line))


class _Checks:
    """One walk over a scenario's shapes."""

    def __init__(self, shape: "ScenarioShape") -> None:
        self._shape = shape
        self._units = {unit.id: unit for unit in shape.unit}
        self._lengths = {unit.id: measure_memory(unit) for unit in shape.unit}
        self._messages = {message.name for message in shape.message}

    def run(self) -> Iterator[Found]:
        yield from self._check_car()
        for place, unit in enumerate(self._shape.unit):
            yield from self._check_unit(("unit", place), unit)
        for place, message in enumerate(self._shape.message):
            path: Path = ("message", place)
            yield from self._check_unit_name((*path, "sender"), message.sender)
            for at, each in enumerate(message.sent_when):
                yield from self._check_byte_test(
                    (*path, "sent_when", at), each, each.unit or message.sender
                )
        for place, disturbance in enumerate(self._shape.disturbance):
            yield from self._check_disturbance(("disturbance", place), disturbance)

    def _check_car(self) -> Iterator[Found]:
        shape = self._shape
        addresses = [unit.address for unit in shape.unit]
        yield from _find_repeated("unit", "id", [unit.id for unit in shape.unit])
        yield from _find_repeated("unit", "address", addresses)
        if shape.car.gateway not in addresses:
            what = f"no unit has the gateway's address 0x{shape.car.gateway:04X}"
            yield ("car", "gateway"), what, "name the address of the unit that is the gateway"
        if shape.car.functional_address in addresses:
            where: Path = ("car", "functional_address")
            yield where, "a unit has this address too", "give one of them another address"
        if shape.kind == "bench" and len(shape.unit) != 1:
            what = f"a bench scenario has one unit, this one has {len(shape.unit)}"
            yield ("kind",), what, 'use kind = "car", or leave one unit'
        on_can = [
            (at, unit.id, unit.can) for at, unit in enumerate(shape.unit) if unit.can is not None
        ]
        mistakes = list_mistakes((id_, build_can(can)) for _, id_, can in on_can)
        for place, key, what, next_step in mistakes:
            yield ("unit", on_can[place][0], "can", key), what, next_step
        masters = [
            place
            for place, unit in enumerate(shape.unit)
            if unit.keeper is not None and unit.keeper.role == "master" and unit.fitted
        ]
        for place in masters[1:]:
            where = ("unit", place, "keeper", "role")
            yield where, "a second fitted unit is master", 'make it a "copy"'

    def _check_unit(self, path: "Path", unit: "UnitShape") -> Iterator[Found]:
        if unit.lowest_volts >= unit.highest_volts:
            where = (*path, "lowest_volts")
            yield where, "lowest_volts is not below highest_volts", "swap or correct them"
        yield from self._check_identifiers(path, unit)
        for place, record in enumerate(unit.record):
            yield from _check_record((*path, "record", place), record)
        if unit.keeper is not None:
            yield from _check_keeper((*path, "keeper"), unit.keeper)
        yield from self._check_blocks(path, unit)
        codes = [fault.code for fault in unit.fault]
        yield from _find_repeated("fault", "code", codes, before=path)
        for place, fault in enumerate(unit.fault):
            yield from self._check_cause((*path, "fault", place), unit, fault)

    def _check_identifiers(self, path: "Path", unit: "UnitShape") -> Iterator[Found]:
        seen = set(BUILT_IN)
        used: list[tuple[Path, int]] = []
        if unit.keeper is not None:
            used.append((("keeper", "identifier"), unit.keeper.identifier))
        if unit.supply_reading is not None:
            used.append((("supply_reading", "identifier"), unit.supply_reading.identifier))
        used += [(("data", text), int(text, 16)) for text in unit.data]
        used += [
            (("record", place, "identifier"), record.identifier)
            for place, record in enumerate(unit.record)
        ]
        for where, identifier in used:
            if identifier in seen:
                what = f"identifier 0x{identifier:04X} is used twice in unit {unit.id}"
                why = "give it an identifier of its own (F186 to F191 are built in)"
                yield (*path, *where), what, why
            seen.add(identifier)

    def _check_blocks(self, path: "Path", unit: "UnitShape") -> Iterator[Found]:
        records = {record.identifier for record in unit.record}
        seen: set[tuple[int, int] | str] = set()
        for place, block in enumerate(unit.software_block):
            where: Path = (*path, "software_block", place)
            for key in _list_places(block):
                if key in seen:
                    what = "another block has the same address and size, or the same file"
                    yield (*where, "memory_address"), what, "the unit could not tell them apart"
                seen.add(key)
            total = sum(each.size_bytes for each in block.segments)
            if block.segments and total != block.size_bytes:
                what = (
                    f"the segments have {count(total, 'byte')}, size_bytes says {block.size_bytes}"
                )
                yield (*where, "segments"), what, "correct one of them"
            if block.file_path and len(block.segments) > 1:
                what = "a file in the unit's file system is one piece"
                yield (*where, "segments"), what, "take segments or file_path out"
            for at, record in enumerate(block.record):
                if record.identifier not in records:
                    what = f"unit {unit.id} has no record 0x{record.identifier:04X}"
                    yield (*where, "record", at, "identifier"), what, "add it to the unit"

    def _check_cause(  # noqa: C901, PLR0912 - one case a kind
        self, path: "Path", unit: "UnitShape", fault: "FaultShape"
    ) -> Iterator[Found]:
        where: Path = (*path, "cause")
        cause = fault.cause
        match cause.kind:
            case "unit not declared" | "unit missing":
                yield from self._check_unit_name((*where, "unit"), cause.unit)
            case "lists disagree":
                if unit.keeper is None:
                    yield where, f"unit {unit.id} keeps no option list", "add its keeper"
            case "month disagrees":
                if cause.month_from is None and cause.month_before is None:
                    yield where, "no month is given", "add month_from or month_before"
            case "configuration disagrees":
                for at, demand in enumerate(cause.demand):
                    yield from self._check_byte_test(
                        (*where, "demand", at), demand, demand.unit or unit.id
                    )
            case "message missing":
                for at, name in enumerate(cause.messages):
                    if name not in self._messages:
                        what = f"there is no message {name!r}"
                        yield (*where, "messages", at), what, "add it under [[message]]"
            case "ring break":
                for at, name in enumerate(cause.units):
                    yield from self._check_unit_name((*where, "units", at), name)
            case "option contradicts" | "supply low" | "another car's vin" | "stored":
                pass

    def _check_unit_name(self, path: "Path", name: str) -> Iterator[Found]:
        if name not in self._units:
            yield path, f"there is no unit {name!r}", "correct the name, or add the unit"

    def _check_byte_test(
        self, path: "Path", test: "SentWhenShape | DemandShape", unit: str
    ) -> Iterator[Found]:
        if unit not in self._units:
            yield from self._check_unit_name((*path, "unit"), unit)
            return
        length = self._lengths[unit].get(test.identifier)
        if length is None:
            what = f"unit {unit} stores nothing under 0x{test.identifier:04X}"
            yield (*path, "identifier"), what, "name one of its records"
        elif test.byte >= length:
            what = (
                f"byte {test.byte} lies beyond the {count(length, 'byte')} of "
                f"0x{test.identifier:04X}"
            )
            yield (*path, "byte"), what, "places count from 0"
        if test.value & ~test.mask:
            what = f"value 0x{test.value:02X} has bits outside mask 0x{test.mask:02X}"
            yield (*path, "value"), what, "this could never be met"

    def _check_disturbance(self, path: "Path", disturbance: "DisturbanceShape") -> Iterator[Found]:
        yield from self._check_unit_name((*path, "unit"), disturbance.unit)
        kind = disturbance.kind
        needed = _NEEDED.get(kind, set())
        allowed = needed | _ALLOWED.get(kind, set())
        given = {key for key in _DISTURBANCE_KEYS if getattr(disturbance, key) is not None}
        for key in sorted(needed - given):
            yield path, f"a disturbance of kind {kind!r} needs {key}", f"add {key}"
        for key in sorted(given - allowed):
            what = f"{key} means nothing for a disturbance of kind {kind!r}"
            yield (*path, key), what, "remove it"


def _list_places(block: "SoftwareBlockShape") -> list[tuple[int, int] | str]:
    """By what a unit tells its pieces apart: address and size in memory, or a file name."""
    if block.file_path:
        return [block.file_path]
    if not block.segments:
        return [(block.memory_address, block.size_bytes)]
    return [
        (each.memory_address, each.unpacked_bytes or each.size_bytes) for each in block.segments
    ]


def measure_memory(unit: "UnitShape") -> dict[int, int]:
    """Length of what a unit stores under each identifier, the longest over its software."""
    lengths = {VIN: VIN_BYTES} | {each.identifier: len(each.bytes) for each in unit.record}
    for block in unit.software_block:
        for each in block.record:
            lengths[each.identifier] = max(lengths.get(each.identifier, 0), len(each.bytes))
    if unit.keeper is not None:
        lengths[unit.keeper.identifier] = unit.keeper.length_bytes
    return lengths


def _find_repeated(
    table: str, key: str, values: Iterable[object], *, before: "Path" = ()
) -> Iterator[Found]:
    seen: set[object] = set()
    for place, value in enumerate(values):
        if value in seen:
            shown = f"0x{value:04X}" if isinstance(value, int) else repr(value)
            what = f"{key} {shown} is given to a second {table}"
            yield (*before, table, place, key), what, "every one has its own"
        seen.add(value)


def _check_record(path: "Path", record: "RecordShape") -> Iterator[Found]:
    length = len(record.bytes)
    beyond = "places count from 0"
    for at, place in enumerate(record.kept_bytes):
        if place >= length:
            yield (*path, "kept_bytes", at), f"byte {place} lies beyond the record", beyond
    for at, each in enumerate(record.allowed):
        where: Path = (*path, "allowed", at)
        if each.byte >= length:
            yield (*where, "byte"), f"byte {each.byte} lies beyond the record", beyond
        elif record.bytes[each.byte] & each.mask not in each.values:
            yield (*where, "values"), "the record's own bytes are not among them", "add the value"
    checksum = record.checksum
    if checksum is None:
        return
    width = len(ALGORITHMS[checksum.algorithm](b""))
    if checksum.byte + width > length or checksum.last_byte >= length:
        yield (*path, "checksum", "byte"), "the checksum lies beyond the record", beyond
    elif not is_right(
        record.bytes,
        checksum.algorithm,
        checksum.byte,
        checksum.first_byte,
        checksum.last_byte,
    ):
        what = "the record's own bytes do not carry the right checksum"
        yield (*path, "bytes"), what, "correct the bytes"


def _check_keeper(path: "Path", keeper: "KeeperShape") -> Iterator[Found]:
    spelled = keeper.build_month is not None and keeper.options is not None
    if spelled == (keeper.bytes is not None):
        what = "a keeper has either build_month and options, or bytes"
        yield path, what, "give one of the two"
    if keeper.bytes is not None and len(keeper.bytes) != keeper.length_bytes:
        what = (
            f"{count(len(keeper.bytes), 'byte is', 'bytes are')} given, length_bytes is "
            f"{keeper.length_bytes}"
        )
        yield (*path, "bytes"), what, "make them agree"
