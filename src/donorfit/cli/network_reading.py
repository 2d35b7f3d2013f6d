"""Read descriptions for a command; what was read otherwise than written goes to standard error."""

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from donorfit.errors import InputError

if TYPE_CHECKING:
    from donorfit.vehicle.network import Network

SHOWN_NOTES = 40


def read_networks(
    files: tuple[Path, ...], bit_rate: int = 0, data_bit_rate: int = 0
) -> tuple["Network", ...]:
    """Networks of some files; bit rates in bit/s take the place of those in the files."""
    from donorfit.edge.packs.network_files import read_network_file  # noqa: PLC0415

    readings = [read_network_file(file, bit_rate=bit_rate) for file in files]
    for reading in readings:
        if not any(network.messages or network.lin for network in reading.networks):
            raise InputError(
                what=f"{reading.file} describes no message of any network.",
                where=reading.file,
                why=f"it was read through {reading.reader}, and an empty bus would look quiet",
                next_step="give a description that holds messages",
            )
        notes = (*reading.repairs, *reading.left_out)
        for note in notes[:SHOWN_NOTES]:
            click.echo(f"note: {note}", err=True)
        if len(notes) > SHOWN_NOTES:
            click.echo(f"note: {len(notes) - SHOWN_NOTES} more of {reading.file}", err=True)
    return tuple(
        replace(network, data_bit_rate=data_bit_rate or network.data_bit_rate)
        for reading in readings
        for network in reading.networks
    )


def read_bus(source: Path, name: str, *, kind: str, bit_rate: int = 0) -> "Network":
    """One network of a description, or of a pack.

    Raises:
        InputError: it holds none of that kind, or several and none is named.
    """
    from donorfit.edge.networks.reading import FORMATS  # noqa: PLC0415
    from donorfit.edge.packs.pack_reader import read_pack  # noqa: PLC0415

    if source.suffix[1:].lower() in FORMATS:
        networks = read_networks((source,), bit_rate)
    else:
        networks = read_pack(source).networks
    fitting = [each for each in networks if each.kind.value == kind and name in {"", each.name}]
    if len(fitting) == 1:
        return replace(fitting[0], bit_rate=bit_rate or fitting[0].bit_rate)
    known = ", ".join(each.name for each in networks if each.kind.value == kind)
    raise InputError(
        what=f"{source} has {len(fitting)} networks of kind {kind}, and one is needed.",
        where=str(source),
        why=f"Of that kind it has {known or 'none'}.",
        next_step="Name one with --network, or give a description of it.",
    )
