"""``donorfit cautions``: the catalogue of cautions, by what is touched and where."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from donorfit.cli.answers import print_json, print_text
from donorfit.cli.columns import count
from donorfit.errors import InputError

if TYPE_CHECKING:
    from donorfit.vehicle.pack import Caution

_DEFERS = (
    "General words, no advice on law: the rule where the car is registered, the maker's procedure "
    "and licensed practice come first."
)


@click.command("cautions")
@click.option("--touches", multiple=True, metavar="TOPIC", help="What the work touches.")
@click.option("--where", default="", metavar="TAG", help="A jurisdiction, such as EU or US.")
@click.option(
    "--pack",
    "pack_path",
    type=click.Path(path_type=Path),
    help="Add the cautions of a car family's pack.",
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def cautions_command(
    touches: tuple[str, ...], where: str, pack_path: Path | None, *, as_json: bool
) -> None:
    """List the cautions that work on a car may bring up, with source and date.

    With --where, those whose source is of that place come first; the others may apply everywhere.
    """
    from donorfit.records.caution_catalogue import TOPICS, find_cautions  # noqa: PLC0415

    topics = tuple(dict.fromkeys(each.strip().casefold() for each in touches))
    unknown = [each for each in topics if each not in TOPICS]
    if unknown:
        raise InputError(
            what=f"{', '.join(map(repr, unknown))}: nothing that a caution is about.",
            where="--touches",
            next_step=f"Give one of {', '.join(TOPICS)}.",
        )
    found = [*find_cautions(topics, where), *_read_own(pack_path)]
    if where:
        found.sort(key=lambda each: not _names(each, where))
    if as_json:
        print_json("donorfit cautions 1", cautions=found, topics=sorted(TOPICS))
        return
    for each in found:
        click.echo(f"{each.id}  [{', '.join(each.jurisdictions)}]")
        print_text(each.text, first="  ")
        print_text(f"{each.source}; seen {each.seen}", first="  source: ")
    click.echo(f"{count(len(found), 'caution')}.")
    if where and not any(_names(each, where) for each in found):
        print_text(f"None of them has a source of {where}; they may apply there all the same.")
    print_text(_DEFERS)


def _names(caution: "Caution", where: str) -> bool:
    return where.casefold() in {tag.casefold() for tag in caution.jurisdictions}


def _read_own(pack_path: Path | None) -> "tuple[Caution, ...]":
    if pack_path is None:
        return ()
    from donorfit.edge.packs.pack_reader import read_pack  # noqa: PLC0415 - slow to load

    return read_pack(pack_path).cautions
