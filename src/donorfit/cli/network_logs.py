"""Commands on recorded bus traffic; they join the group ``network``."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from donorfit.cli.answers import print_json, print_rows, print_text
from donorfit.cli.columns import count
from donorfit.cli.number_types import FiniteRange, WholeRange
from donorfit.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Iterator

    from donorfit.network.answers import SignalValues
    from donorfit.network.frames import Frames
    from donorfit.network.log_coverage import SeenCheck
    from donorfit.network.loops import Loops
    from donorfit.vehicle.donor import NeededSignal
    from donorfit.vehicle.network import Network

_ASLEEP_AFTER_S = 2.0  # that of donorfit.network.awake, which loads numpy
_FILE = click.Path(path_type=Path)
_JSON = click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")


@click.command("log")
@click.argument("logs", type=_FILE, nargs=-1, required=True, metavar="LOG...")
@click.option("--pack", "pack_path", type=_FILE, default=None, help="Pack with the module.")
@click.option("--module", "module_id", default="", help="Donor module: are its needs seen?")
@click.option(
    "--channel",
    "channels",
    multiple=True,
    metavar="NETWORK=CHANNEL",
    help="Which channel of the records a network is; may be repeated.",
)
@click.option(
    "--asleep-after",
    type=FiniteRange(0.05, 3600),
    default=_ASLEEP_AFTER_S,
    show_default=True,
    help="Seconds without any frame after which a bus counts as asleep.",
)
@click.option("--protection", is_flag=True, help="Look for counters and check bytes.")
@click.option("--bit-rate", type=WholeRange(1, 10_000_000), default=None, help="Bit/s: load.")
@_JSON
def log_command(  # noqa: PLR0917 - by name from the command line
    logs: tuple[Path, ...],
    pack_path: Path | None,
    module_id: str,
    channels: tuple[str, ...],
    asleep_after: float,
    bit_rate: int | None,
    *,
    protection: bool,
    as_json: bool,
) -> None:
    """Identifiers, rhythms and protection in records; which needs of a module they show.

    Several records are several states of the car, such as parked, ignition on and driving.
    """
    named = _split_channels(channels)
    needed, networks = _find_needs(pack_path, module_id) if module_id or pack_path else ((), ())
    _check_channels(named, networks)
    from donorfit.cli.network_record import look_at, print_look  # noqa: PLC0415 - loads numpy
    from donorfit.network.log_coverage import check_records  # noqa: PLC0415

    looks = []
    for log in logs:
        look = look_at(log, asleep_after, bit_rate, protection=protection)
        if not as_json:
            print_look(look, several=len(logs) > 1)
        looks.append(look)
    seen = check_records(needed, networks, [each.state for each in looks], named)
    if as_json:
        print_json("donorfit network log 2", records=[each.plain for each in looks], needs=seen)
    else:
        _print_seen(seen)


@click.command("values")
@click.argument("log", type=_FILE, metavar="LOG")
@click.argument("files", type=_FILE, nargs=-1, required=True, metavar="FILE...")
@click.option("--signal", "wanted", multiple=True, help="Only signals of this name.")
@_JSON
def values_command(
    log: Path, files: tuple[Path, ...], wanted: tuple[str, ...], *, as_json: bool
) -> None:
    """Decode a record by network descriptions: count, range and last value of every signal."""
    from donorfit.cli.network_reading import read_networks  # noqa: PLC0415
    from donorfit.cli.network_record import print_left_out, start_loops  # noqa: PLC0415
    from donorfit.edge.logs import read_log_file  # noqa: PLC0415

    networks = read_networks(files)
    _check_names(networks, wanted)
    loops = start_loops(log)
    reading = read_log_file(log, loops)
    frames = reading.frames
    rows = [
        row for row in _list_values(frames, networks, loops) if not wanted or row.signal in wanted
    ]
    if as_json:
        print_json(
            "donorfit network values 2",
            signals=rows,
            left_out=reading.left_out,
            notes=reading.notes,
        )
        return
    print_rows(
        ("message", "signal", "frames", "lowest", "highest", "last", "unit"),
        [
            (
                row.message,
                row.signal,
                str(row.frames),
                *(_write(value) for value in (row.lowest, row.highest, row.last)),
                row.unit,
            )
            for row in rows
        ],
        right=(2, 3, 4, 5),
    )
    click.echo(f"{count(len(rows), 'signal')} over {count(len(frames.ids), 'frame')}.")
    print_left_out(reading.left_out)
    for note in reading.notes:
        print_text(note, first="  ")


def _check_names(networks: "tuple[Network, ...]", wanted: tuple[str, ...]) -> None:
    known = {s.name for network in networks for m in network.messages for s in m.signals}
    unknown = [name for name in wanted if name not in known]
    if unknown:
        raise InputError(
            what=f"The descriptions have no signal {', '.join(map(repr, unknown))}.",
            where="--signal",
            next_step="Read them with 'donorfit network read --json' and name one of their own.",
        )


def _list_values(
    frames: "Frames", networks: "tuple[Network, ...]", loops: "Loops | None"
) -> "Iterator[SignalValues]":
    import numpy as np  # noqa: PLC0415

    from donorfit.network.answers import SignalValues  # noqa: PLC0415
    from donorfit.network.decode import decode_network  # noqa: PLC0415

    for network in networks:
        units = {(m.name, s.name): s.unit for m in network.messages for s in m.signals}
        for each in decode_network(frames, network, loops):
            usable = each.values[np.isfinite(each.values)]
            yield SignalValues(
                network=network.name,
                message=each.message,
                signal=each.signal,
                frames=len(each.rows),
                lowest=float(usable.min()) if len(usable) else None,
                highest=float(usable.max()) if len(usable) else None,
                last=float(usable[-1]) if len(usable) else None,
                unit=units[each.message, each.signal],
            )


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
            where="--module",
            why=f"It has {', '.join(each.id for each in pack.modules) or 'none'}.",
            next_step="Name one of these.",
        )
    return module.signals, pack.networks


def _split_channels(given: tuple[str, ...]) -> dict[str, str]:
    pairs = [each.partition("=") for each in given]
    for text, (network, mark, channel) in zip(given, pairs, strict=True):
        if not (network and mark and channel):
            raise InputError(
                what=f"{text!r} does not say which channel a network is.",
                where="--channel",
                next_step="Write NETWORK=CHANNEL, such as can_body=can0.",
            )
    return {network: channel for network, _, channel in pairs}


def _check_channels(channels: dict[str, str], networks: "tuple[Network, ...]") -> None:
    known = sorted({each.name for each in networks})
    for network in channels:
        if network not in known:
            raise InputError(
                what=f"No network is called {network!r}.",
                where="--channel",
                why=f"The pack has {', '.join(known) or 'none'}.",
                next_step="Name one of these, and give --pack and --module.",
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
        print_text("What no record shows may still be sent in another state of the car.")


def _write(value: float | None) -> str:
    return "" if value is None else f"{value:.6g}"
