"""Commands on one bus: load, collisions, LIN, termination; they join ``network``."""

from itertools import groupby
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from donorfit.cli.answers import print_json, print_rows, print_text
from donorfit.cli.columns import count
from donorfit.cli.network_reading import read_bus, read_networks
from donorfit.cli.number_types import WholeRange
from donorfit.errors import InputError

if TYPE_CHECKING:
    from donorfit.network import LoadReport
    from donorfit.network.lin_fit import LinReport

_FILE = click.Path(path_type=Path)
_JSON = click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
_ADD = click.option("--add", type=_FILE, multiple=True, help="Messages that a module would add.")
_MICROSECONDS_A_MS = 1000


_BITS = WholeRange(1, 10_000_000)
_RATE = click.option("--bit-rate", type=_BITS, default=None, help="Bit/s where no file says it.")
_DATA_RATE = click.option(
    "--data-bit-rate", type=_BITS, default=None, help="Bit/s of the fast part of CAN FD frames."
)


@click.command("load")
@click.argument("file", type=_FILE, metavar="FILE")
@_ADD
@_RATE
@_DATA_RATE
@_JSON
def load_command(
    file: Path,
    add: tuple[Path, ...],
    bit_rate: int | None,
    data_bit_rate: int | None,
    *,
    as_json: bool,
) -> None:
    """Load of a CAN bus and the longest time until each message is through."""
    from donorfit.network import analyse_load, compare_load  # noqa: PLC0415

    reports, first_late = [], []
    added = [m for each in read_networks(add) for m in each.messages]
    for network in read_networks((file,), bit_rate or 0, data_bit_rate or 0):
        if add:
            comparison = compare_load(network, added)
            reports += [comparison.before, comparison.after]
            first_late.append(comparison.first_late)
        else:
            reports.append(analyse_load(network))
    if as_json:
        print_json("donorfit network load 2", reports=reports, first_late=first_late)
        return
    for place, report in enumerate(reports):
        if add:
            click.echo("With the added messages:" if place % 2 else "As it is:")
        _print_load(report)
    for late in first_late:
        text = "nothing is late that was not late before" if late is None else late.message
        click.echo(f"First to be late only with the added messages: {text}.")


@click.command("collisions")
@click.argument("file", type=_FILE, metavar="FILE")
@_ADD
@click.option("--pack", type=_FILE, help="Compare with the diagnostic identifiers of its units.")
@_JSON
def collisions_command(
    file: Path, add: tuple[Path, ...], pack: Path | None, *, as_json: bool
) -> None:
    """Identifiers that two messages share, with what differs; several senders; diagnosis."""
    from donorfit.edge.packs.pack_reader import read_pack  # noqa: PLC0415
    from donorfit.network import find_collisions  # noqa: PLC0415
    from donorfit.network.addresses import find_address_clashes  # noqa: PLC0415

    networks, more = read_networks((file,)), read_networks(add)
    added = [message for each in more for message in each.messages]
    found = [each for network in networks for each in find_collisions(network, added)]
    units = read_pack(pack).units if pack is not None else ()
    clashes = find_address_clashes(units, (*networks, *more))
    if as_json:
        print_json("donorfit network collisions 2", collisions=found, addresses=clashes)
        return
    print_rows(
        ("identifier", "messages", "kind", "why"),
        [
            (f"{each.frame_id:#x}", f"{each.first} / {each.second}", each.kind.value, each.why)
            for each in found
        ],
    )
    print_rows(
        ("address", "kind", "why"),
        [(f"{each.number:#x}", each.kind.value, each.why) for each in clashes],
    )
    clashing = count(len(clashes), "address clash", "address clashes")
    click.echo(f"{count(len(found), 'shared identifier')}, {clashing}.")


@click.command("lin")
@click.argument("source", type=_FILE, metavar="FILE|PACK")
@click.option("--network", "name", default="", help="LIN network of the pack.")
@click.option("--add", type=_FILE, help="Bus as the module's own car describes it.")
@_RATE
@_JSON
def lin_command(
    source: Path, name: str, add: Path | None, bit_rate: int | None, *, as_json: bool
) -> None:
    """Node addresses, identifiers and the time of every slot of a LIN bus, and what is added."""
    from donorfit.network.lin_fit import check_lin  # noqa: PLC0415

    network = read_bus(source, name, kind="lin", bit_rate=bit_rate or 0)
    added = read_bus(add, "", kind="lin") if add is not None else None
    report = check_lin(network, added)
    if as_json:
        print_json("donorfit network lin 1", report=report)
        return
    _print_lin(report)


@click.command("termination")
@click.argument("pack", type=_FILE, required=False, metavar="[PACK]")
@click.option("--module", "module_id", default="", help="Donor module of the pack.")
@_RATE
@click.option("--ohm", type=float, default=None, help="Measured between both wires, supply off.")
@click.option(
    "--stub", "stub_m", type=float, default=None, help="Metres from the bus to the unit."
)
@click.option("--resistors", type=int, default=None, help="Terminating resistors now.")
@click.option("--with-resistor", is_flag=True, help="The module holds one itself.")
@click.option("--replaces-one", is_flag=True, help="It takes the place of a unit that holds one.")
@_JSON
def termination_command(pack: Path | None, module_id: str, *, as_json: bool, **facts: Any) -> None:
    """Terminating resistors, what a meter should read, and how long a stub may be."""
    from donorfit.network.termination import (  # noqa: PLC0415
        judge_resistance,
        judge_stub,
        plan_resistors,
    )

    _check_termination(module_id, pack, facts)
    if pack is not None:
        facts = _take_from_pack(pack, module_id, facts)
    plan = stub = reading = None
    if facts["resistors"] is not None:
        plan = plan_resistors(
            facts["resistors"],
            replaces_one=facts["replaces_one"],
            module_has_one=facts["with_resistor"],
        )
    if facts["stub_m"] is not None:
        stub = judge_stub(facts["bit_rate"] or 0, facts["stub_m"])
    if facts["ohm"] is not None:
        reading = judge_resistance(facts["ohm"])
    if plan is None and stub is None and reading is None:
        raise InputError(
            what="Nothing is said that could be judged.",
            where="termination",
            why=_SILENT_PACK.format(module_id) if pack is not None else "",
            next_step="Give --ohm, --stub with --bit-rate, --resistors, or a pack and --module.",
        )
    if as_json:
        print_json("donorfit network termination 1", resistors=plan, stub=stub, reading=reading)
        return
    if plan is not None:
        print_text(f"{plan.why}; {plan.next_step}")
    if stub is not None:
        print_text(stub.why)
    if reading is not None:
        print_text(f"{reading.why}; {reading.next_step}")
    print_text("A break behind the second resistor is not seen; measure with the supply off.")


_SILENT_PACK = "the pack says neither what ends the bus of {} nor how long its stub is"


def _check_termination(module_id: str, pack: Path | None, facts: dict[str, Any]) -> None:
    """Refuse options that would be looked at by nothing."""
    lone = [
        name
        for name, given in (
            ("--with-resistor", facts["with_resistor"]),
            ("--replaces-one", facts["replaces_one"]),
        )
        if given and pack is None and facts["resistors"] is None
    ]
    checks = (
        ([] if pack is not None or not module_id else ["--module"], "Name its pack too."),
        (lone, "Say with --resistors how many there are now, or name a pack."),
    )
    for names, step in checks:
        if names:
            raise InputError(
                what=f"{' and '.join(names)} cannot be judged alone.",
                where=" and ".join(names),
                next_step=step,
            )


def _take_from_pack(path: Path, module_id: str, facts: dict[str, Any]) -> dict[str, Any]:
    """What the pack says of the module's bus, where nothing was said by hand."""
    from donorfit.edge.packs.pack_reader import read_pack  # noqa: PLC0415

    pack = read_pack(path)
    module = pack.find_module(module_id)
    unit = pack.find_unit(module.unit) if module is not None else None
    if module is None or unit is None:
        raise InputError(
            what=f"The pack has no donor module {module_id!r}.",
            where="--module",
            why=f"It has {', '.join(each.id for each in pack.modules) or 'none'}.",
            next_step="Name one of these with --module.",
        )
    network = next((each for each in pack.networks if each.name == unit.network), None)
    known = dict(facts)
    if network is not None and facts["resistors"] is None and network.terminated_by:
        known["resistors"] = len(network.terminated_by)
        known["replaces_one"] = unit.id in network.terminated_by
        known["with_resistor"] = facts["with_resistor"] or bool(module.terminates)
    known["bit_rate"] = facts["bit_rate"] or (network.bit_rate if network is not None else None)
    known["stub_m"] = module.stub_m if facts["stub_m"] is None else facts["stub_m"]
    return known


def _print_load(report: "LoadReport") -> None:
    fast = f" and {report.data_bit_rate / 1000:g} kbit/s" if report.data_bit_rate else ""
    print_text(
        f"{report.network} at {report.bit_rate / 1000:g}{fast or ' kbit/s'}: "
        f"{report.worst_load:.1%} with every frame stuffed as badly as can be, "
        f"{report.plain_load:.1%} without stuff bits"
    )
    print_rows(
        ("identifier", "message", "cycle ms", "frame ms", "worst ms", "in time"),
        [
            (
                f"{each.frame_id:#x}",
                each.message,
                f"{each.period_us / 1000:g}",
                f"{each.frame_us / 1000:.3f}",
                "no bound" if each.worst_us is None else f"{each.worst_us / 1000:.3f}",
                "yes" if each.in_time else "NO",
            )
            for each in report.responses
        ],
        right=(2, 3, 4),
    )
    late = report.first_late
    click.echo(f"  first to be late: {late.message if late is not None else 'none'}")
    for text in report.left_out:
        print_text(text, first="  not analysed: ")
    for text in report.assumed:
        print_text(text, first="  assumed: ")


def _print_lin(report: "LinReport") -> None:
    click.echo(f"{report.network} at {report.bit_rate / 1000:g} kbit/s")
    for table, slots in groupby(report.slots, key=lambda slot: slot.schedule):
        click.echo(f"table {table}")
        # Equal slots in a row stand once, with their number.
        alike = [(slot, len(list(same))) for slot, same in groupby(slots)]
        print_rows(
            ("slot", "times", "bytes", "nominal ms", "longest ms", "slot ms", "fits"),
            [
                (
                    slot.frame,
                    str(times),
                    "?" if slot.length_bytes is None else str(slot.length_bytes),
                    f"{slot.nominal_us / _MICROSECONDS_A_MS:.2f}" if slot.nominal_us else "?",
                    f"{slot.longest_us / _MICROSECONDS_A_MS:.2f}" if slot.longest_us else "?",
                    f"{slot.delay_us / _MICROSECONDS_A_MS:g}",
                    {True: "yes", False: "NO", None: "not known"}[slot.fits],
                )
                for slot, times in alike
            ],
            right=(1, 2, 3, 4, 5),
        )
    print_rows(
        ("doubt", "about", "why", "what to do"),
        [(each.kind.value, each.subject, each.why, each.next_step) for each in report.doubts],
    )
    click.echo(f"{count(len(report.doubts), 'doubt')}.")
