"""All parts of one pack as read, before they are checked against each other."""

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import TypeVar

from donorfit.edge.packs.network_files import read_network_bytes
from donorfit.edge.packs.pack_notes import PackNotes
from donorfit.edge.packs.pack_source import MANIFEST, PackSource
from donorfit.edge.packs.part_reader import Part, read_part
from donorfit.edge.packs.part_shapes import (
    CautionsFile,
    ConnectorsFile,
    FaultsFile,
    ManifestFile,
    ModulesFile,
    NetworksFile,
    NetworkShape,
    SessionFile,
)
from donorfit.edge.packs.shape_base import Shape
from donorfit.edge.packs.unit_shapes import RecordShape, UnitsFile, UnitShape
from donorfit.equipment.read_uvl import list_imports, read_uvl
from donorfit.errors import InputError
from donorfit.vehicle.identity import UnitId
from donorfit.vehicle.network import Network, NetworkKind
from donorfit.vehicle.rules import RuleBase

S = TypeVar("S", bound=Shape)
SOFTWARE_FOLDER = "software"
_OPTION_LINE = re.compile(
    r'^[ \t]+(?:(?:Boolean|Integer|Real|String)[ \t]+)?"?(\w+)', re.MULTILINE
)
_PLAIN = ("readme", "license", "licence", "notice", "changes", "changelog")


@dataclass(frozen=True, slots=True, kw_only=True)
class PackParts:
    """What was read, part by part; wrong entries are left out and noted.

    Attributes:
        source: the files.
        manifest: ``pack.toml``.
        rules: options and rules; None where their file cannot be read.
        options: names of all options, as far as even a wrong file gives them; None where there is
            no such file.
        units: files of control units.
        networks: files of networks.
        connectors: files of connectors.
        faults: files of fault codes.
        modules: files of donor modules.
        session: files on the car's state during a session.
        cautions: files of cautions.
        described: networks by name, with the messages of their descriptions; a network whose
            description is wrong is missing here.
    """

    source: PackSource
    manifest: Part[ManifestFile]
    rules: RuleBase | None
    options: frozenset[str] | None
    units: tuple[Part[UnitsFile], ...]
    networks: tuple[Part[NetworksFile], ...]
    connectors: tuple[Part[ConnectorsFile], ...]
    faults: tuple[Part[FaultsFile], ...]
    modules: tuple[Part[ModulesFile], ...]
    session: tuple[Part[SessionFile], ...]
    cautions: tuple[Part[CautionsFile], ...]
    described: Mapping[str, Network]

    def list_units(self) -> Iterator[tuple[str, UnitShape]]:
        """File and shape of every control unit that could be read."""
        for part in self.units:
            for unit in part.values.unit:
                yield part.file, unit

    def list_records(self) -> Iterator[tuple[str, UnitShape, RecordShape]]:
        """File, unit and shape of every configuration record."""
        for file, unit in self.list_units():
            for record in unit.record:
                yield file, unit, record


def read_parts(source: PackSource, notes: PackNotes) -> PackParts:
    """Read every part that the manifest names.

    Raises:
        InputError: the manifest itself is missing or wrong, so that nothing else can be found.
    """
    manifest = read_part(source, MANIFEST, ManifestFile, notes)
    if manifest is None:
        notes.raise_if_any(source.name)
        raise AssertionError
    named = manifest.values.parts
    networks = _read_all(source, named.networks, NetworksFile, notes)
    rules, options = _read_rules(source, named.options, notes)
    parts = PackParts(
        source=source,
        manifest=manifest,
        rules=rules,
        options=options,
        units=_read_all(source, named.units, UnitsFile, notes),
        networks=networks,
        connectors=_read_all(source, named.connectors, ConnectorsFile, notes),
        faults=_read_all(source, named.faults, FaultsFile, notes),
        modules=_read_all(source, named.modules, ModulesFile, notes),
        session=_read_all(source, named.session, SessionFile, notes),
        cautions=_read_all(source, named.cautions, CautionsFile, notes),
        described=_describe_networks(source, networks, notes),
    )
    _warn_of_strays(parts, notes)
    return parts


def _read_all(
    source: PackSource, files: list[str], shape: type[S], notes: PackNotes
) -> tuple[Part[S], ...]:
    found = (read_part(source, file, shape, notes) for file in dict.fromkeys(files))
    return tuple(part for part in found if part is not None)


def _read_rules(
    source: PackSource, file: str, notes: PackNotes
) -> tuple[RuleBase | None, frozenset[str] | None]:
    text = source.read_text(file, notes)
    if text is None:
        return None, None
    try:
        imports = list_imports(text, file=file)
        for each in imports:
            what = f"{each.name!r} is imported, but a pack's rules stand in one file"
            notes.add(source.show(file), each.line, what, "join the files")
        if imports:
            return None, _scan_names(text)
        # the name inside the pack: it goes into records, which must not depend on this machine
        rules = read_uvl(text, file=file)
    except InputError as error:
        notes.extend(replace(each, file=source.show(each.file)) for each in error.mistakes)
        return None, _scan_names(text)
    for warning in rules.warnings:
        notes.warn(
            source.show(warning.file),
            warning.line,
            f"{warning.kind}: {warning.what}",
            "it is used without this",
        )
    return rules, frozenset(rules.names)


def _scan_names(text: str) -> frozenset[str]:
    """Names of the options in a file that is wrong somewhere, so that the rest can be checked."""
    tree = text.partition("features")[2].partition("\nconstraints")[0]
    return frozenset(match[1] for match in _OPTION_LINE.finditer(tree))


def _describe_networks(
    source: PackSource, parts: tuple[Part[NetworksFile], ...], notes: PackNotes
) -> dict[str, Network]:
    described: dict[str, Network] = {}
    for part in parts:
        for shape in part.values.network:
            network = _describe_network(source, part.file, shape, notes)
            if network is not None:
                described.setdefault(shape.name, network)
    return described


def _describe_network(
    source: PackSource, file: str, shape: NetworkShape, notes: PackNotes
) -> Network | None:
    plain = Network(
        name=shape.name,
        kind=NetworkKind(shape.kind),
        bit_rate=shape.bit_rate,
        data_bit_rate=shape.data_bit_rate,
        terminated_by=tuple(map(UnitId, shape.terminated_by)),
    )
    if shape.messages is None:
        return plain
    data = source.files.get(shape.messages)
    if data is None:
        notes.add(
            file,
            shape.get_line("messages"),
            f"the description {shape.messages} is missing",
            "add the file or take the line out",
        )
        return None
    try:
        reading = read_network_bytes(
            data, file=source.show(shape.messages), name=shape.name, bit_rate=shape.bit_rate
        )
    except InputError as error:
        notes.extend(error.mistakes)
        return None
    for each in (*reading.repairs, *reading.left_out):
        notes.warn(each.file, each.line, each.what, each.next_step)
    buses = [each for each in reading.networks if not shape.bus or each.name == shape.bus]
    if len(buses) != 1:
        known = ", ".join(each.name for each in reading.networks)
        notes.add(
            file,
            shape.get_line("bus"),
            f"{shape.messages} describes {len(reading.networks)} buses ({known})",
            "say by 'bus' which one is meant",
        )
        return None
    return replace(
        plain,
        bit_rate=shape.bit_rate or buses[0].bit_rate,
        data_bit_rate=shape.data_bit_rate or buses[0].data_bit_rate,
        messages=buses[0].messages,
        lin=buses[0].lin,
    )


def _warn_of_strays(parts: PackParts, notes: PackNotes) -> None:
    """A file that no part names is often one that was forgotten."""
    named = parts.manifest.values.parts
    lists = (
        named.units,
        named.networks,
        named.connectors,
        named.faults,
        named.modules,
        named.session,
        named.cautions,
    )
    known = {MANIFEST, named.options, *(file for files in lists for file in files)}
    for part in parts.networks:
        known.update(each.messages for each in part.values.network if each.messages)
    for _, unit in parts.list_units():
        known.update(f"{SOFTWARE_FOLDER}/{block.file}" for block in unit.software)
    for file in sorted(set(parts.source.files) - known):
        if not file.rsplit("/", 1)[-1].lower().startswith(_PLAIN):
            notes.warn(
                parts.source.show(file), 0, "nothing in the pack names this file", "name it"
            )
