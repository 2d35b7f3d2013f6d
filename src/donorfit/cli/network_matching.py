"""Command that finds signals by meaning and proposes gateway rows; it joins ``network``."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from donorfit.cli.answers import print_json, print_rows, print_text
from donorfit.cli.columns import count
from donorfit.cli.network_reading import read_networks
from donorfit.errors import InputError

if TYPE_CHECKING:
    from donorfit.network.answers import MatchedSignal
    from donorfit.network.gateway_rows import GatewayProposal
    from donorfit.network.signal_matching import Place, SignalMatch

_FILE = click.Path(path_type=Path)


@click.command("match")
@click.argument("own", type=_FILE, metavar="OWN")
@click.argument("hosts", type=_FILE, nargs=-1, required=True, metavar="HOST...")
@click.option("--signal", "wanted", multiple=True, help="Only signals of this name in OWN.")
@click.option("--closed", multiple=True, metavar="NETWORK", help="Nothing is sent into it.")
@click.option("--rows", "with_rows", is_flag=True, help="Propose gateway rows.")
@click.option("--pack", type=_FILE, help="Its units of systems that are only read close targets.")
@click.option("--dbc", type=_FILE, help="Write the target side of the rows as DBC.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def match_command(
    own: Path,
    hosts: tuple[Path, ...],
    wanted: tuple[str, ...],
    closed: tuple[str, ...],
    *,
    pack: Path | None,
    dbc: Path | None,
    with_rows: bool,
    as_json: bool,
) -> None:
    """Find signals of the module's own car (OWN) among those of the host by their meaning."""
    from donorfit.network.gateway_rows import propose_rows  # noqa: PLC0415
    from donorfit.network.signal_matching import list_places, match_signals  # noqa: PLC0415

    places = _choose(list(list_places(read_networks((own,)))), wanted)
    networks = list(read_networks(hosts))
    strange = sorted(set(closed) - {each.network for each in places})
    if strange:
        raise InputError(
            what=f"{', '.join(map(repr, strange))}: no network that OWN describes.",
            where="--closed",
            why=f"It describes {', '.join(sorted({each.network for each in places})) or 'none'}.",
            next_step="Name one of these: it is the target's side that is closed.",
        )
    matches = match_signals(places, networks)
    closed_units, closed_too = _list_closed(pack)
    proposal = None
    if with_rows or dbc is not None:
        networks_closed = {*closed, *closed_too}
        proposal = propose_rows(
            matches, closed_networks=networks_closed, closed_units=closed_units
        )
    written = _write_dbc(proposal, places, dbc) if proposal and dbc is not None else []
    if as_json:
        print_json(
            "donorfit network match 2",
            matches=_to_rows(matches),
            proposal=proposal,
            written=[str(each) for each in written],
        )
        return
    print_rows(
        ("wanted", "candidates", "score", "why", "differs in"),
        [line for row in _to_rows(matches) for line in _list_lines(row)],
        right=(2,),
    )
    click.echo("* chosen, so that no signal is taken twice and the scores add up highest")
    if proposal is not None:
        _print_proposal(proposal)
    for path in written:
        click.echo(f"wrote {path}")


def _list_closed(path: Path | None) -> tuple[set[str], set[str]]:
    """Units of systems that are only read, and networks that are theirs.

    An immobiliser often sits on the body's network among lamps and doors; what it sends and hears
    is closed, the network is not.
    """
    if path is None:
        return set(), set()
    from donorfit.edge.packs.pack_reader import read_pack  # noqa: PLC0415
    from donorfit.vehicle.control_unit import System  # noqa: PLC0415

    units = [unit for unit in read_pack(path).units if unit.system.read_only]
    driving = {unit.network for unit in units if unit.system is not System.IMMOBILISER}
    return {unit.id for unit in units}, driving


def _write_dbc(proposal: "GatewayProposal", places: "list[Place]", path: Path) -> list[Path]:
    from donorfit.edge.networks.gateway_dbc import (  # noqa: PLC0415
        list_dbc_files,
        write_gateway_dbc,
    )

    if not proposal.rows:
        raise InputError(
            what="There is no gateway row to write.",
            where="--dbc",
            why=f"{count(len(proposal.refused), 'signal becomes', 'signals become')} no row",
            next_step="Look at the reasons with --rows.",
        )
    files = list_dbc_files(write_gateway_dbc(proposal.rows, places), path)
    for file, text in files:
        try:
            with file.open("x", encoding="cp1252", errors="replace", newline="\n") as stream:
                stream.write(text)
        except OSError as error:
            raise InputError(
                what=f"{file} cannot be written.",
                where="--dbc",
                why=error.strerror or str(error),
                next_step="Name a file that does not exist yet, in a folder that does.",
            ) from None
    return [file for file, _ in files]


def _choose(places: "list[Place]", wanted: tuple[str, ...]) -> "list[Place]":
    if not wanted:
        return places
    known = {place.signal.name for place in places}
    unknown = [name for name in wanted if name not in known]
    if unknown:
        raise InputError(
            what=f"The description has no signal {', '.join(map(repr, unknown))}.",
            where="--signal",
            next_step="Read the description with 'donorfit network read' and name one of its own.",
        )
    return [place for place in places if place.signal.name in wanted]


def _to_rows(matches: "tuple[SignalMatch, ...]") -> "list[MatchedSignal]":
    from donorfit.network.answers import MatchCandidate, MatchedSignal  # noqa: PLC0415

    rows = []
    for match in matches:
        chosen = match.chosen
        rows.append(
            MatchedSignal(
                wanted=_name(match.wanted),
                found=_name(chosen.place) if chosen else "",
                score=chosen.score if chosen else 0.0,
                reasons=tuple(chosen.reasons) if chosen else (),
                differences=tuple(chosen.differences) if chosen else (),
                candidates=tuple(
                    MatchCandidate(
                        found=_name(each.place),
                        score=each.score,
                        reasons=tuple(each.reasons),
                        differences=tuple(each.differences),
                    )
                    for each in match.candidates
                ),
            )
        )
    return rows


def _list_lines(row: "MatchedSignal") -> list[tuple[str, str, str, str, str]]:
    """One line a candidate, the chosen one marked; one line where nothing is alike."""
    lines = [
        (
            "" if place else row.wanted,
            f"{'* ' if each.found == row.found else ''}{each.found}",
            f"{each.score:.2f}",
            "; ".join(each.reasons),
            "; ".join(each.differences),
        )
        for place, each in enumerate(row.candidates)
    ]
    if row.found and not any(each.found == row.found for each in row.candidates):
        why, other = "; ".join(row.reasons), "; ".join(row.differences)
        lines.append(("", f"* {row.found}", f"{row.score:.2f}", why, other))
    return lines or [(row.wanted, "nothing alike", "", "", "")]


def _name(place: "Place") -> str:
    return f"{place.network}/{place.message.name}/{place.signal.name}"


def _print_proposal(proposal: "GatewayProposal") -> None:
    click.echo(f"{count(len(proposal.rows), 'gateway row')} proposed, for a person to judge:")
    print_rows(
        ("from", "to", "scale", "every ms", "default", "test, raw", "look at"),
        [
            (
                f"{row.source_network}/{row.source_message}/{row.source_signal}",
                f"{row.target_network}/{row.target_message}/{row.target_signal}",
                f"{row.factor:g}",
                str(row.every_ms),
                f"{row.default_raw:#x}",
                ", ".join(f"{source} > {target}" for source, target in row.vector),
                "; ".join(row.notes),
            )
            for row in proposal.rows
        ],
        right=(2, 3),
    )
    for name, why in proposal.refused:
        print_text(f"{name}: {why}", first="  no row: ")
