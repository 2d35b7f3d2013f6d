"""Commands on packs: check one, show one, print the schemas, import a description."""

import json
from pathlib import Path
from typing import Any

import click

from donorfit.cli.columns import clean, count
from donorfit.errors import InputError, Mistake
from donorfit.vehicle.pack import Pack

_PATH = click.argument("path", type=click.Path(path_type=Path), metavar="PATH")
_JSON = click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")


@click.group("pack")
def pack_group() -> None:
    """Check and show what is known about a car family."""


@pack_group.command("check")
@_PATH
@_JSON
def check_command(path: Path, *, as_json: bool) -> None:
    """Check the pack at PATH, a folder or a zip file: all mistakes at once, or a summary."""
    from donorfit.edge.packs.pack_reader import load_pack  # noqa: PLC0415 - slow to load

    try:
        reading = load_pack(path, thorough=True)
    except InputError as error:
        if as_json:
            _print_json(
                {
                    "schema": "donorfit pack check 1",
                    "usable": False,
                    "what": error.what,
                    "mistakes": [_to_plain(each) for each in error.mistakes],
                }
            )
        raise
    counts = count_content(reading.pack) | {"warnings": len(reading.warnings)}
    if as_json:
        _print_json(
            {
                "schema": "donorfit pack check 1",
                "usable": True,
                "id": reading.pack.id,
                "digest": reading.pack.digest,
                "counts": counts,
                "warnings": [_to_plain(each) for each in reading.warnings],
            }
        )
        return
    _print_head(reading.pack)
    width = max(len(each) for each in counts)
    for name, number in counts.items():
        click.echo(f"  {name:<{width}}  {number:>5}")
    for each in reading.warnings:
        click.echo(f"warning: {clean(str(each))}", err=True)
    click.echo("The pack can be used.")


@pack_group.command("show")
@_PATH
@_JSON
def show_command(path: Path, *, as_json: bool) -> None:
    """Show what the pack at PATH holds: units, networks, modules."""
    from donorfit.edge.packs.pack_reader import load_pack  # noqa: PLC0415 - slow to load

    pack = load_pack(path).pack
    if as_json:
        _print_json(_describe(pack))
        return
    _print_head(pack)
    _print_rows(
        ("control unit", "address", "network", "system", "records"),
        [
            (
                f"{unit.id}: {unit.title}",
                f"0x{unit.address:04X}",
                unit.network,
                unit.system.value,
                str(len(unit.records)),
            )
            for unit in pack.units
        ],
    )
    _print_rows(
        ("network", "kind", "kbit/s", "messages"),
        [
            (
                each.name,
                each.kind.value,
                f"{each.bit_rate / 1000:g}" if each.bit_rate else "",
                str(len(each.messages)),
            )
            for each in pack.networks
        ],
    )
    _print_rows(
        ("donor module", "becomes", "needs", "must not be there"),
        [
            (
                f"{each.id}: {each.title}",
                each.unit,
                ", ".join(each.options_on),
                ", ".join(each.options_off),
            )
            for each in pack.modules
        ],
    )


@pack_group.command("schema")
@click.argument("name", required=False)
def schema_command(name: str | None) -> None:
    """Print the JSON Schema called NAME; without NAME, list them."""
    from donorfit.edge.packs.schema_files import SHAPES, read_shipped_schema  # noqa: PLC0415

    if name is None:
        for each, shape in SHAPES.items():
            click.echo(f"{each:<16}  {(shape.__doc__ or '').splitlines()[0]}")
        return
    if name not in SHAPES:
        raise InputError(
            what=f"There is no schema {name!r}.",
            why=f"There are {', '.join(SHAPES)}.",
            next_step="Use one of these names.",
        )
    click.echo(read_shipped_schema(name), nl=False)


@pack_group.command("import-odx")
@click.argument("file", type=click.Path(path_type=Path), metavar="FILE")
@click.option(
    "--out",
    "folder",
    type=click.Path(path_type=Path, file_okay=False),
    required=True,
    help="Folder for the draft; nothing in it is overwritten.",
)
@_JSON
def import_odx_command(file: Path, folder: Path, *, as_json: bool) -> None:
    """Draft the control units of a pack from the ODX data set FILE (PDX or ODX-D)."""
    from donorfit.edge.packs.odx_draft import write_draft  # noqa: PLC0415 - slow to load
    from donorfit.edge.packs.odx_files import import_odx  # noqa: PLC0415

    described = import_odx(file)
    written = write_draft(described, folder)
    services = sum(len(unit.services) for unit in described.units)
    if as_json:
        _print_json(
            {
                "schema": "donorfit pack import-odx 1",
                "units": [unit.id for unit in described.units],
                "services": services,
                "files": [str(each) for each in written],
                "notes": list(described.notes),
            }
        )
        return
    size = f"{count(len(described.units), 'unit')}, {count(services, 'service')}"
    click.echo(clean(f"{described.title}: {size}"))
    for each in written:
        click.echo(f"  written {each}")
    for note in described.notes:
        click.echo(f"left out: {clean(note)}", err=True)


def count_content(pack: Pack) -> dict[str, int]:
    """How much of everything a pack holds."""
    layouts = [
        layout for unit in pack.units for record in unit.records for layout in record.layouts
    ]
    abstract = pack.rules.list_abstract()
    return {
        "options": len(pack.rules) - len(abstract) - len(pack.rules.types),
        "groups of options": len(abstract),
        "rules": len(pack.rules.rules),
        "control units": len(pack.units),
        "records": sum(len(unit.records) for unit in pack.units),
        "fields": sum(len(layout.fields) for layout in layouts),
        "software files": sum(len(unit.software_blocks) for unit in pack.units),
        "networks": len(pack.networks),
        "messages": sum(len(network.messages) for network in pack.networks),
        "ring nodes": len(pack.ring.hops) if pack.ring else 0,
        "connectors": len(pack.connectors),
        "fault codes": len(pack.faults),
        "donor modules": len(pack.modules),
        "wake conditions": len(pack.wake_conditions),
        "cautions": len(pack.cautions),
    }


def _describe(pack: Pack) -> dict[str, Any]:
    return {
        "schema": "donorfit pack show 1",
        "id": pack.id,
        "title": pack.title,
        "version": pack.version,
        "digest": pack.digest,
        "family_from": str(pack.family_from),
        "family_before": str(pack.family_before),
        "counts": count_content(pack),
        "units": [
            {
                "id": unit.id,
                "title": unit.title,
                "address": unit.address,
                "network": unit.network,
                "system": unit.system.value,
                "present_option": unit.present_option,
                "records": [
                    {"name": each.name, "identifier": each.identifier, "writable": each.writable}
                    for each in unit.records
                ],
            }
            for unit in pack.units
        ],
        "modules": [
            {
                "id": each.id,
                "title": each.title,
                "unit": each.unit,
                "options_on": list(each.options_on),
                "options_off": list(each.options_off),
            }
            for each in pack.modules
        ],
    }


def _to_plain(mistake: Mistake) -> dict[str, str | int]:
    return {
        "file": mistake.file,
        "line": mistake.line,
        "what": mistake.what,
        "next_step": mistake.next_step,
    }


def _print_head(pack: Pack) -> None:
    click.echo(clean(f"{pack.title} ({pack.id}), version {pack.version}"))
    click.echo(f"  built from {pack.family_from}, before {pack.family_before}")
    click.echo(f"  SHA-256 {pack.digest}")


def _print_rows(head: tuple[str, ...], rows: list[tuple[str, ...]]) -> None:
    table = [head, *(tuple(clean(cell) for cell in row) for row in rows)]
    widths = [max(len(row[column]) for row in table) for column in range(len(head))]
    click.echo()
    for row in table:
        cells = (f"{cell:<{width}}" for cell, width in zip(row, widths, strict=True))
        click.echo("  ".join(cells).rstrip())


def _print_json(value: object) -> None:
    click.echo(json.dumps(value, indent=2, ensure_ascii=False))
