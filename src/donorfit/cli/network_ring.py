"""Command on the optical ring; it joins ``network``."""

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from donorfit.cli.answers import print_json, print_rows, print_text
from donorfit.cli.number_types import FiniteRange
from donorfit.errors import InputError

if TYPE_CHECKING:
    from donorfit.network import RingBudget, RingReport
    from donorfit.vehicle.identity import UnitId
    from donorfit.vehicle.network import OpticalRing

_FILE = click.Path(path_type=Path)
_GUESSED_M = 4.0
_METRES = FiniteRange(0, 1000)
_DBM = FiniteRange(-100, 100)


@click.command("ring")
@click.argument("pack_path", type=_FILE, metavar="PACK")
@click.option("--insert", metavar="UNIT", default="", help="One more node.")
@click.option("--after", metavar="UNIT", default="", help="Node that it stands behind.")
@click.option("--length-in", type=_METRES, default=None, help="Metres to it; 4 where not said.")
@click.option("--length-out", type=_METRES, default=None, help="Metres from it; 4 where not said.")
@click.option("--bypass", metavar="UNIT", default="", help="Node bridged by a connector.")
@click.option("--heard", metavar="UNIT,...", default=None, help="Nodes heard: locate a break.")
@click.option("--dimmed", metavar="UNIT,...", default=None, help="Nodes heard at less light.")
@click.option("--expected", metavar="UNIT,...", default=None, help="List that the master holds.")
@click.option("--send", type=_DBM, nargs=2, default=None, help="Weakest and strongest, dBm.")
@click.option("--receive", type=_DBM, nargs=2, default=None, help="Weakest and strongest, dBm.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def ring_command(pack_path: Path, *, as_json: bool, **options: Any) -> None:
    """Light margin of every hop, with one more node or one bridged; where a ring is broken."""
    from donorfit.edge.packs.pack_reader import read_pack  # noqa: PLC0415
    from donorfit.network import judge_ring, list_ring_order  # noqa: PLC0415

    _check_options(options)
    ring = read_pack(pack_path).ring
    if ring is None:
        raise InputError(
            what="The pack describes no optical ring.",
            where=str(pack_path),
            next_step="Name a pack that does.",
        )
    if options["heard"] is not None or options["dimmed"] is not None:
        _locate(list_ring_order(ring), options, as_json=as_json)
        return
    budget = _make_budget(options)
    try:
        changed = _change_ring(ring, options)
    except InputError as error:
        raise _name_nodes(error, ring) from None
    before = judge_ring(ring, budget)
    after = judge_ring(changed, budget) if changed is not ring else None
    told = _compare_list(list_ring_order(changed), list_ring_order(ring), options["expected"])
    if as_json:
        print_json("donorfit network ring 2", before=before, after=after, tell_master=told)
        return
    _print_ring("As it is", before)
    if after is not None:
        _print_ring("After the change", after)
    if options["insert"] and None in {options["length_in"], options["length_out"]}:
        click.echo(f"  a length that was not said is taken as {_GUESSED_M:g} m: measure it")
    for text in told:
        print_text(text, first=f"Tell the master {ring.master}: ")


def _check_options(options: dict[str, Any]) -> None:
    """Refuse options that another one would silence."""
    listens = [f"--{each}" for each in ("heard", "dimmed") if options[each] is not None]
    others = [
        f"--{name.replace('_', '-')}"
        for name in ("insert", "bypass", "expected", "send", "receive")
        if options[name]
    ]
    lone = [
        f"--{name.replace('_', '-')}"
        for name in ("after", "length_in", "length_out")
        if options[name] not in {None, ""} and not options["insert"]
    ]
    checks = (
        (listens and others, f"{' and '.join(listens)} looks at the ring as it is", others),
        (lone, "it belongs to --insert", lone),
    )
    for wrong, why, where in checks:
        if wrong:
            raise InputError(
                what="These options do not go together.",
                where=", ".join(where),
                why=why,
                next_step="Leave one side out, or correct it.",
            )


def _name_nodes(error: InputError, ring: "OpticalRing") -> InputError:
    """The same refusal, with the nodes that could have been named: the pack is not at fault."""
    from donorfit.network import list_ring_order  # noqa: PLC0415

    nodes = ", ".join(list_ring_order(ring))
    return InputError(
        what=error.what,
        where="--insert, --after, --bypass",
        why=error.why,
        next_step=f"The ring has {nodes}, {ring.master} is its master: name others.",
    )


def _split(text: str) -> "list[UnitId]":
    from donorfit.vehicle.identity import UnitId  # noqa: PLC0415

    return [UnitId(name.strip()) for name in text.split(",") if name.strip()]


def _locate(order: "tuple[UnitId, ...]", options: dict[str, Any], *, as_json: bool) -> None:
    from donorfit.network import locate_break  # noqa: PLC0415
    from donorfit.network.ring_break import locate_weak_hop  # noqa: PLC0415

    heard = set(_split(options["heard"])) if options["heard"] is not None else set(order)
    dimmed = _split(options["dimmed"]) if options["dimmed"] is not None else None
    strange = sorted((heard | set(dimmed or ())) - set(order))
    found = locate_break(order, heard)
    weak = locate_weak_hop(order, heard, set(dimmed)) if dimmed is not None else None
    if as_json:
        print_json("donorfit network break 2", found=found, weak=weak, not_on_the_ring=strange)
        return
    print_text(f"{found.kind.value}: {found.reason}")
    if dimmed is not None:
        print_text(weak.reason if weak is not None else "less light loses no further node")
    if strange:
        print_text(f"not on the ring, and not counted: {', '.join(strange)}")


def _make_budget(options: dict[str, Any]) -> "RingBudget":
    from dataclasses import replace  # noqa: PLC0415

    from donorfit.network import RingBudget  # noqa: PLC0415

    budget = RingBudget()
    if options["send"]:
        low, high = options["send"]
        budget = replace(budget, weakest_transmit_dbm=low, strongest_transmit_dbm=high)
    if options["receive"]:
        low, high = options["receive"]
        budget = replace(budget, weakest_receive_dbm=low, strongest_receive_dbm=high)
    return budget


def _change_ring(ring: "OpticalRing", options: dict[str, Any]) -> "OpticalRing":
    from donorfit.network import bypass_node, insert_node  # noqa: PLC0415

    changed = ring
    if options["insert"]:
        changed = insert_node(
            changed,
            options["insert"],
            after=options["after"] or ring.master,
            length_in_m=_GUESSED_M if options["length_in"] is None else options["length_in"],
            length_out_m=_GUESSED_M if options["length_out"] is None else options["length_out"],
        )
    if options["bypass"]:
        changed = bypass_node(changed, options["bypass"])
    return changed


def _compare_list(
    order: "tuple[UnitId, ...]", before: "tuple[UnitId, ...]", expected: str | None
) -> "tuple[str, ...]":
    from donorfit.network.ring_break import list_expected  # noqa: PLC0415

    return list_expected(before if expected is None else _split(expected), order)


def _print_ring(head: str, report: "RingReport") -> None:
    state = "holds" if report.holds else "too dark somewhere"
    click.echo(f"{head}: lowest margin {report.lowest_margin_db:.1f} dB, {state}")
    print_rows(
        ("from", "to", "m", "plugs", "loss dB", "margin dB", "verdict"),
        [
            (
                each.hop.source,
                each.hop.target,
                f"{each.hop.length_m:g}",
                str(each.hop.inline_connectors),
                f"{each.loss_db:.1f}",
                f"{each.margin_db:.1f}",
                f"{each.verdict} by {each.overload_db:.1f} dB"
                if each.verdict == "too bright"
                else each.verdict,
            )
            for each in report.hops
        ],
        right=(2, 3, 4, 5),
    )
    click.echo("  power window, connectors and bends from memory, unverified")
