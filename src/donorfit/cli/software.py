"""Commands on software files: show what one holds and what it fits."""

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from donorfit.cli.columns import clean, count
from donorfit.vehicle.software import SoftwareFormat

if TYPE_CHECKING:
    from donorfit.edge.software.reading import SoftwareReading
    from donorfit.vehicle.pack import Pack

_FORMATS = {
    SoftwareFormat.BINARY: "plain binary",
    SoftwareFormat.INTEL_HEX: "Intel HEX",
    SoftwareFormat.S_RECORD: "Motorola S-record",
    SoftwareFormat.ODX_F: "ODX-F",
}


def _read_number(_context: click.Context, _option: click.Parameter, text: str) -> int | None:
    if not text:
        return None
    try:
        return int(text, 0)
    except ValueError as error:
        message = f"{text!r} is no number such as 0x40000"
        raise click.BadParameter(message) from error


@click.group("software")
def software_group() -> None:
    """Show software files in open formats."""


@software_group.command("show")
@click.argument("file", type=click.Path(path_type=Path), metavar="FILE")
@click.option(
    "--format",
    "kind",
    type=click.Choice([each.value for each in SoftwareFormat]),
    help="The format, where its first bytes do not tell.",
)
@click.option(
    "--address", default="", callback=_read_number, help="Where a plain binary file goes."
)
@click.option("--session", default="", help="Programming session of an ODX-F file.")
@click.option("--pack", "pack_path", type=click.Path(path_type=Path), help="What does it fit?")
@click.option("--toml", "as_toml", is_flag=True, help="Print the lines for a pack.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def show_command(
    file: Path,
    *,
    kind: str | None,
    address: int | None,
    session: str,
    pack_path: Path | None,
    as_toml: bool,
    as_json: bool,
) -> None:
    """Show the software FILE: its pieces with sizes and digests, and which units it fits."""
    from donorfit.edge.software.read_software import read_software_file  # noqa: PLC0415 - slow

    reading = read_software_file(
        file,
        format=None if kind is None else SoftwareFormat(kind),
        address=address,
        session=session,
    )
    fits = None if pack_path is None else _find_fits(reading, pack_path)
    if as_json:
        click.echo(json.dumps(describe_reading(reading, fits), indent=2, ensure_ascii=False))
    elif as_toml:
        click.echo("\n".join(_write_toml(reading, session)))
    else:
        for line in _write_lines(reading, fits):
            click.echo(line)


def describe_reading(
    reading: "SoftwareReading", fits: dict[str, list[dict[str, Any]]] | None
) -> dict[str, Any]:
    """A software file as plain values: ``donorfit software show 1``."""
    from donorfit.edge.software.reading import describe_segment  # noqa: PLC0415 - slow

    segments = []
    for each in reading.image.segments:
        first, last, size, crc32, digest = describe_segment(each)
        segments.append(
            {
                "first_address": first if reading.has_address else None,
                "last_address": last if reading.has_address else None,
                "bytes": size,
                "unpacked_bytes": each.place.memory_bytes,
                "crc32": f"{crc32:08x}",
                "sha256": digest,
            }
        )
    plain: dict[str, Any] = {
        "schema": "donorfit software show 1",
        "file": reading.file,
        "format": reading.format.value,
        "file_bytes": reading.file_bytes,
        "sha256": reading.image.sha256,
        "data_format": reading.data_format,
        "bytes": sum(each["bytes"] for each in segments),
        "segments": segments,
        "idents": [{"name": name, "values": list(values)} for name, values in reading.idents],
        "notes": list(reading.notes),
    }
    return plain | (fits or {})


def _find_fits(reading: "SoftwareReading", path: Path) -> dict[str, list[dict[str, Any]]]:
    """Blocks of a pack that are this file, by its digest, and units with room at its places."""
    from donorfit.edge.packs.pack_reader import read_pack  # noqa: PLC0415 - slow to load

    pack: Pack = read_pack(path)
    fits = [
        {
            "unit": unit.id,
            "title": unit.title,
            "version": str(block.version),
            "hardware": list(block.hardware),
        }
        for unit in pack.units
        for block in unit.software_blocks
        if block.sha256 == reading.image.sha256
    ]
    room = [
        {"unit": unit.id, "title": unit.title}
        for unit in pack.units
        if reading.has_address and unit.has_room_for(reading.image.places)
    ]
    return {"fits": fits, "room": room}


def _write_lines(
    reading: "SoftwareReading", fits: dict[str, list[dict[str, Any]]] | None
) -> list[str]:
    plain = describe_reading(reading, fits)
    segments = plain["segments"]
    lines = [
        clean(f"{reading.file}: {_FORMATS[reading.format]}, {count(reading.file_bytes, 'byte')}"),
        f"  SHA-256 {reading.image.sha256}",
    ]
    if reading.data_format:
        lines.append(f"  packed: dataFormatIdentifier 0x{reading.data_format:02X}")
    lines += ["", "  piece  first address  last address        bytes  CRC-32    SHA-256"]
    before = None
    for number, each in enumerate(segments, start=1):
        first, last = each["first_address"], each["last_address"]
        if before is not None and first is not None and first > before + 1:
            lines.append(f"         {count(first - before - 1, 'byte is', 'bytes are')} left out")
        places = f"{_write_address(first):<13}  {_write_address(last):<12}"
        digest = each["sha256"][:16]
        lines.append(f"  {number:>5}  {places} {each['bytes']:>12}  {each['crc32']}  {digest}...")
        before = last
    lines.append(f"  {count(plain['bytes'], 'byte')} in {count(len(segments), 'piece')}")
    said = [f"for {name}: {', '.join(values)}" for name, values in reading.idents]
    said += [f"note: {each}" for each in reading.notes]
    if fits is not None:
        said += _write_fits(fits)
    return lines + [f"  {clean(each)}" for each in said]


def _write_fits(fits: dict[str, list[dict[str, Any]]]) -> list[str]:
    lines = [
        f"fits {each['unit']} ({each['title']}), hardware {', '.join(each['hardware'])}: "
        f"it becomes software {each['version']}"
        for each in fits["fits"]
    ] or ["no control unit of the pack is programmed with this file"]
    fitting = {each["unit"] for each in fits["fits"]}
    return lines + [
        f"has room at these addresses, which alone says little: {each['unit']} ({each['title']})"
        for each in fits["room"]
        if each["unit"] not in fitting
    ]


def _write_address(address: int | None) -> str:
    return "not said" if address is None else f"0x{address:08X}"


def _write_toml(reading: "SoftwareReading", session: str) -> list[str]:
    places = reading.image.places
    lines = [
        "[[unit.software]]",
        'version = ""                   # that the unit reports afterwards',
        f"file = {json.dumps(Path(reading.file).name)}",
        f'format = "{reading.format.value}"',
        f'sha256 = "{reading.image.sha256}"',
        f"memory_address = 0x{places[0].address:08X}"
        + ("" if reading.has_address else "      # not said by the file"),
        f"size_bytes = {sum(each.size_bytes for each in places)}",
    ]
    if session:
        lines.append(f"odx_session = {json.dumps(session)}")
    if reading.data_format:
        lines.append(f"data_format = 0x{reading.data_format:02X}")
    if len(places) > 1 or places[0].unpacked_bytes:
        lines.append("segments = [")
        for each in places:
            packed = f", unpacked_bytes = {each.unpacked_bytes}" if each.unpacked_bytes else ""
            lines.append(
                f"  {{ address = 0x{each.address:08X}, size_bytes = {each.size_bytes}{packed} }},"
            )
        lines.append("]")
    return [
        *lines,
        "hardware = []                  # numbers that it fits",
        "routine_check = 0x0202         # the unit's own",
        "seconds = 0.0                  # realistic duration",
    ]
