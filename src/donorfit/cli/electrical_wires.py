"""Commands on wires, fuses, plugs and the parts to buy."""

import csv
import io
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from donorfit.cli.answers import print_json, print_rows, print_text
from donorfit.cli.number_types import FiniteRange
from donorfit.errors import InputError

if TYPE_CHECKING:
    from donorfit.records.plan import WireOrder
    from donorfit.vehicle.network import Connector

_JSON = click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
_RUN = click.option(
    "--run", "run_m", type=FiniteRange(0, 100), default=5.0, help="New run, metres."
)
_PATH = click.Path(path_type=Path)


@click.command("wire")
@click.option("--current", "current_a", type=float, required=True, help="Ampere, continuous.")
@click.option("--length", "length_m", type=float, required=True, help="Metres, one way.")
@click.option("--drop", type=float, default=0.03, help="Share of 13.5 V that may be lost.")
@click.option("--back", type=click.Choice(("body", "wire")), default="body", help="Return path.")
@click.option("--temperature", type=float, default=60.0, help="Degrees C of the conductor.")
@click.option("--bundle", type=float, default=None, help="Share that a bundle leaves, 0..1.")
@click.option("--bunched", type=int, default=None, help="Loaded conductors in the bundle.")
@click.option("--load-share", type=float, default=0.75, help="Of a fuse, for long.")
@_JSON
def wire_command(current_a: float, length_m: float, *, as_json: bool, **facts: Any) -> None:
    """Thinnest wire that loses little enough, with the fuse that protects it."""
    from donorfit.electrical import compare_lists, find_bundle_factor, size_wire  # noqa: PLC0415
    from donorfit.electrical.fuses import OPENING_S  # noqa: PLC0415
    from donorfit.electrical.gauge import choose_gauge  # noqa: PLC0415
    from donorfit.electrical.lead_drop import ReturnPath  # noqa: PLC0415

    if facts["bundle"] is not None and facts["bunched"] is not None:
        raise InputError(
            what="Both say what a bundle leaves, and only one can count.",
            where="--bundle and --bunched",
            next_step="Give the share itself, or the number of loaded conductors.",
        )
    bunched = find_bundle_factor(1 if facts["bunched"] is None else facts["bunched"])
    wanted: dict[str, Any] = {
        "allowed_drop_share": facts["drop"],
        "temperature_c": facts["temperature"],
        "return_path": ReturnPath.WIRE if facts["back"] == "wire" else ReturnPath.BODY,
        "bundle_factor": bunched if facts["bundle"] is None else facts["bundle"],
    }
    wire = size_wire(current_a, length_m, **wanted, continuous_share=facts["load_share"])
    gauge = choose_gauge(wire.cross_section_mm2) if wire.found else None
    lists = compare_lists(current_a, length_m, **wanted, continuous_share=facts["load_share"])
    if as_json:
        print_json("donorfit electrical wire 2", wire=wire, gauge=gauge, lists=lists)
        return
    if wire.found:
        awg = "" if gauge is None else f" (AWG {gauge} or thicker)"
        click.echo(f"{wire.cross_section_mm2:g} mm2{awg} with a {wire.fuse.rating_a:g} A fuse")
    else:
        click.echo("no listed wire does")
    print_text(wire.reason)
    print_text(
        "By each list of ratings; resistance after IEC 60228 class 5, that of 0.65, 2 and 3 mm2 "
        "after a towing supplier's page:"
    )
    print_rows(
        ("wire", "fuse", "list"),
        [
            (
                f"{each.wire.cross_section_mm2:g} mm2" if each.wire.found else "none",
                f"{each.wire.fuse.rating_a:g} A" if each.wire.found else "",
                f"{each.name} ({each.source})",
            )
            for each in lists
        ],
        right=(0, 1),
    )
    if wire.found:
        fuse_a = wire.fuse.rating_a
        print_text(
            f"The fuse may pass {OPENING_S[1][0] * fuse_a:.4g} A for as long as "
            f"{OPENING_S[1][2] / 60:g} minutes and {OPENING_S[0][0] * fuse_a:.4g} A for "
            f"{OPENING_S[0][1] / 3600:g} hours (ISO 8820-3, from memory, unverified)."
        )


@click.command("pins")
@click.argument("pack_path", type=_PATH, metavar="PACK")
@click.argument("host_id", metavar="HOST_CONNECTOR")
@click.argument("module_id", metavar="MODULE_CONNECTOR")
@_RUN
@_JSON
def pins_command(
    pack_path: Path, host_id: str, module_id: str, run_m: float, *, as_json: bool
) -> None:
    """Pair two connectors of a pack, and say what a plug that only seems to fit would do."""
    from donorfit.edge.packs.pack_reader import read_pack  # noqa: PLC0415
    from donorfit.electrical import match_pins, order_wires  # noqa: PLC0415

    connectors = {each.id: each for each in read_pack(pack_path).connectors}
    match = match_pins(_find(connectors, host_id), _find(connectors, module_id))
    wires = order_wires(match, run_length_m=run_m)
    if as_json:
        print_json("donorfit electrical pins 1", match=match, wires=wires)
        return
    print_rows(
        ("host", "module", "purpose", "mm2", "fuse A", "note"),
        [
            (
                each.host_cavity or "new",
                each.module_cavity,
                each.purpose,
                f"{each.cross_section_mm2:g}",
                f"{each.fuse_a:g}" if each.fuse_a else "",
                each.note,
            )
            for each in wires
        ],
        right=(3, 4),
    )
    for danger in match.dangers:
        print_text(f"{danger.what}: {danger.why}", first=f"  {danger.severity.value}: ")
    click.echo("It can be plugged in as it is." if match.straight else "An adapter is needed.")


@click.command("parts")
@click.argument("pack_path", type=_PATH, metavar="[PACK]", required=False)
@click.argument("host_id", metavar="[HOST_CONNECTOR]", required=False)
@click.argument("module_id", metavar="[MODULE_CONNECTOR]", required=False)
@click.option("--job", "job_path", type=_PATH, help="A job: the wires of its plan.")
@_RUN
@click.option("--csv", "as_csv", is_flag=True, help="Print CSV.")
@_JSON
def parts_command(
    pack_path: Path | None,
    host_id: str | None,
    module_id: str | None,
    job_path: Path | None,
    run_m: float,
    *,
    as_csv: bool,
    as_json: bool,
) -> None:
    """What has to be bought for an adapter, or for all wires of a job's plan."""
    from donorfit.electrical import list_parts  # noqa: PLC0415

    if as_csv and as_json:
        raise InputError(
            what="A list is printed in one form.",
            where="--csv and --json",
            next_step="Give one of both.",
        )
    if job_path is not None and pack_path is not None:
        raise InputError(
            what="Wires of a plan and wires between two connectors cannot be listed together.",
            where="--job and PACK",
            next_step="Give --job JOB alone, or PACK HOST_CONNECTOR MODULE_CONNECTOR.",
        )
    if job_path is not None:
        wires = _read_planned_wires(job_path)
    elif pack_path is not None and host_id is not None and module_id is not None:
        wires = _order(pack_path, host_id, module_id, run_m)
    else:
        raise InputError(
            what="There are no wires to list parts for.",
            where="parts",
            next_step="Name PACK HOST_CONNECTOR MODULE_CONNECTOR, or give --job JOB.",
        )
    lines = list_parts(wires)
    if as_json:
        print_json("donorfit electrical parts 1", parts=lines)
        return
    rows = [
        (each.part, f"{each.quantity:g}", each.unit, " ".join(each.used_for)) for each in lines
    ]
    if as_csv:
        out = io.StringIO()
        csv.writer(out, lineterminator="\n").writerows(
            [("part", "quantity", "unit", "for"), *rows]
        )
        click.echo(out.getvalue(), nl=False)
        return
    print_rows(("part", "", "", "for"), rows, right=(1,))
    if not lines:
        click.echo("No wire is needed.")


def _order(pack_path: Path, host_id: str, module_id: str, run_m: float) -> "tuple[WireOrder, ...]":
    from donorfit.edge.packs.pack_reader import read_pack  # noqa: PLC0415
    from donorfit.electrical import match_pins, order_wires  # noqa: PLC0415

    connectors = {each.id: each for each in read_pack(pack_path).connectors}
    match = match_pins(_find(connectors, host_id), _find(connectors, module_id))
    return () if match.straight else order_wires(match, run_length_m=run_m)


def _read_planned_wires(job_path: Path) -> "tuple[WireOrder, ...]":
    from donorfit.cli.session import open_job  # noqa: PLC0415 - slow to load
    from donorfit.job.job import PLAN  # noqa: PLC0415
    from donorfit.records.plan import Plan  # noqa: PLC0415

    with open_job(job_path) as (job, _):
        return job.require(PLAN, Plan).wires


def _find(connectors: "dict[str, Connector]", name: str) -> "Connector":
    if name not in connectors:
        raise InputError(
            what=f"The pack has no connector {name!r}.",
            where="connector",
            why=f"It has {', '.join(connectors) or 'none'}.",
            next_step="Name one of these.",
        )
    return connectors[name]
