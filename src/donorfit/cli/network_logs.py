"""Commands on recorded bus traffic; they join the group ``network``."""

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from donorfit.cli.answers import print_json, print_rows, print_text
from donorfit.cli.columns import count
from donorfit.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Iterator

    from donorfit.network.frames import Frames, LogReading
    from donorfit.network.log_coverage import MeasuredLoad, Rhythm, SeenCheck
    from donorfit.network.protection import Protection
    from donorfit.vehicle.donor import NeededSignal
    from donorfit.vehicle.network import Network

_FILE = click.Path(path_type=Path)
_JSON = click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")


@click.command("log")
@click.argument("log", type=_FILE, metavar="LOG")
@click.option("--pack", "pack_path", type=_FILE, default=None, help="Pack with the module.")
@click.option("--module", "module_id", default="", help="Donor module: are its needs seen?")
@click.option("--protection", is_flag=True, help="Look for counters and check bytes.")
@click.option("--bit-rate", type=click.IntRange(1, 10_000_000), default=None, help="Bit/s: load.")
@_JSON
def log_command(
    log: Path,
    pack_path: Path | None,
    module_id: str,
    bit_rate: int | None,
    *,
    protection: bool,
    as_json: bool,
) -> None:
    """Identifiers, rhythms and protection in a record; which needs of a module it shows."""
    from donorfit.edge.logs import read_log_file  # noqa: PLC0415
    from donorfit.network.log_coverage import (  # noqa: PLC0415
        check_record,
        list_rhythms,
        measure_load,
    )

    reading = read_log_file(log)
    rhythms = list_rhythms(reading.frames)
    seen: tuple[SeenCheck, ...] = ()
    if module_id or pack_path:
        needed, networks = _find_needs(pack_path, module_id)
        seen = check_record(needed, networks, reading.frames)
    found = list(_find_protection(reading.frames, rhythms)) if protection else []
    load = measure_load(reading.frames, bit_rate) if bit_rate else None
    if as_json:
        print_json(
            "donorfit network log 1",
            load=load,
            frames=len(reading.frames.ids),
            lines=reading.lines,
            left_out=[each._asdict() for each in reading.left_out],
            identifiers=rhythms,
            needs=seen,
            protection=[{"frame_id": each, "found": what} for each, what in found],
        )
        return
    _print_log(reading, rhythms)
    if bit_rate:
        _print_load(load)
    _print_seen(seen)
    print_rows(("identifier", "protection"), [(f"{each:#x}", what.reason) for each, what in found])


@click.command("values")
@click.argument("log", type=_FILE, metavar="LOG")
@click.argument("files", type=_FILE, nargs=-1, required=True, metavar="FILE...")
@click.option("--signal", "wanted", multiple=True, help="Only signals of this name.")
@_JSON
def values_command(
    log: Path, files: tuple[Path, ...], wanted: tuple[str, ...], *, as_json: bool
) -> None:
    """Decode a record by network descriptions: count, range and last value of every signal."""
    from donorfit.edge.logs import read_log_file  # noqa: PLC0415
    from donorfit.edge.packs.network_files import read_network_file  # noqa: PLC0415

    networks = [each for file in files for each in read_network_file(file).networks]
    frames = read_log_file(log).frames
    rows = [row for row in _list_values(frames, networks) if not wanted or row["signal"] in wanted]
    if as_json:
        print_json("donorfit network values 1", signals=rows)
        return
    print_rows(
        ("message", "signal", "frames", "lowest", "highest", "last", "unit"),
        [
            (
                row["message"],
                row["signal"],
                str(row["frames"]),
                *(_write(row[name]) for name in ("lowest", "highest", "last")),
                row["unit"],
            )
            for row in rows
        ],
        right=(2, 3, 4, 5),
    )
    click.echo(f"{count(len(rows), 'signal')} over {count(len(frames.ids), 'frame')}.")


def _list_values(frames: "Frames", networks: "list[Network]") -> "Iterator[dict[str, Any]]":
    import numpy as np  # noqa: PLC0415

    from donorfit.network.decode import decode_network  # noqa: PLC0415

    for network in networks:
        units = {(m.name, s.name): s.unit for m in network.messages for s in m.signals}
        for each in decode_network(frames, network):
            usable = each.values[np.isfinite(each.values)]
            yield {
                "network": network.name,
                "message": each.message,
                "signal": each.signal,
                "frames": len(each.rows),
                "lowest": float(usable.min()) if len(usable) else None,
                "highest": float(usable.max()) if len(usable) else None,
                "last": float(usable[-1]) if len(usable) else None,
                "unit": units[each.message, each.signal],
            }


def _find_needs(
    pack_path: Path | None, module_id: str
) -> "tuple[tuple[NeededSignal, ...], tuple[Network, ...]]":
    if pack_path is None or not module_id:
        raise InputError(
            what="A pack and a module belong together.",
            where="--pack and --module",
            next_step="Give both, or neither.",
        )
    from donorfit.edge.packs.pack_reader import read_pack  # noqa: PLC0415

    pack = read_pack(pack_path)
    module = pack.find_module(module_id)
    if module is None:
        raise InputError(
            what=f"The pack has no donor module {module_id!r}.",
            why=f"It has {', '.join(each.id for each in pack.modules) or 'none'}.",
            next_step="Name one of these.",
        )
    return module.signals, pack.networks


def _find_protection(
    frames: "Frames", rhythms: "tuple[Rhythm, ...]"
) -> "Iterator[tuple[int, Protection]]":
    import numpy as np  # noqa: PLC0415

    from donorfit.network.protection import find_protection  # noqa: PLC0415

    for each in rhythms:
        rows = np.flatnonzero((frames.ids == each.frame_id) & (frames.extended == each.extended))
        lengths = frames.lengths[rows]
        usual = int(np.bincount(lengths).argmax())
        yield each.frame_id, find_protection(frames.payload[rows[lengths == usual], :usual])


def _print_log(reading: "LogReading", rhythms: "tuple[Rhythm, ...]") -> None:
    frames, kinds = len(reading.frames.ids), count(len(rhythms), "identifier")
    click.echo(f"{count(frames, 'frame')} with {kinds} in {count(reading.lines, 'line')}")
    for each in reading.left_out:
        lines = count(each.number, "line")
        click.echo(f"  {lines} without a data frame: {each.kind}, first in line {each.first_line}")
    print_rows(
        ("identifier", "frames", "median ms", "99 % ms", "longest ms"),
        [
            (
                f"{each.frame_id:#x}" + (" ext" if each.extended else ""),
                str(each.count),
                *(_write(value, 1) for value in (each.median_ms, each.p99_ms, each.longest_ms)),
            )
            for each in rhythms
        ],
        right=(1, 2, 3),
    )


def _print_load(load: "MeasuredLoad | None") -> None:
    if load is None:
        click.echo("The load cannot be measured: the record has no usable times.")
        return
    print_text(
        f"Load over {load.seconds:.1f} s: {load.plain:.1%} without stuff bits, at most "
        f"{load.worst:.1%}; busiest tenth of a second {load.peak_plain:.1%}"
        + (f"; {load.not_counted} CAN FD frames are not counted" if load.not_counted else "")
    )


def _print_seen(seen: "tuple[SeenCheck, ...]") -> None:
    print_rows(
        ("need", "verdict", "reason"),
        [
            (f"{each.need.network}/{each.need.signal}", each.verdict.value, each.reason)
            for each in seen
        ],
    )
    if seen:
        print_text("What a record does not show may still be sent in another state of the car.")


def _write(value: float | None, digits: int | None = None) -> str:
    if value is None:
        return ""
    return f"{value:.6g}" if digits is None else f"{value:.{digits}f}"
