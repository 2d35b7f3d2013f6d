"""Commands on networks: read descriptions, check needs, load, collisions, the optical ring."""

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from donorfit.cli.answers import print_json, print_rows, print_text
from donorfit.cli.columns import count
from donorfit.cli.network_buses import (
    collisions_command,
    lin_command,
    load_command,
    termination_command,
)
from donorfit.cli.network_logs import log_command, values_command
from donorfit.cli.network_matching import match_command
from donorfit.cli.network_reading import SHOWN_NOTES, read_networks
from donorfit.cli.network_ring import ring_command
from donorfit.errors import InputError, Mistake

if TYPE_CHECKING:
    from donorfit.edge.networks.reading import NetworkReading
    from donorfit.vehicle.pack import Pack

_FILE = click.Path(path_type=Path)
_JSON = click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
_PACK = click.argument("pack_path", type=_FILE, metavar="PACK")


def _with(*decorators: Callable[[Any], Any]) -> Callable[[Any], Any]:
    def decorate(command: Any) -> Any:
        for each in reversed(decorators):
            command = each(command)
        return command

    return decorate


@click.group("network")
def network_group() -> None:
    """Read and compare network descriptions."""


network_group.add_command(collisions_command)
network_group.add_command(lin_command)
network_group.add_command(load_command)
network_group.add_command(log_command)
network_group.add_command(match_command)
network_group.add_command(ring_command)
network_group.add_command(termination_command)
network_group.add_command(values_command)


@network_group.command("read")
@click.argument("files", type=_FILE, nargs=-1, required=True, metavar="FILE...")
@_JSON
def read_command(files: tuple[Path, ...], *, as_json: bool) -> None:
    """Read descriptions (DBC, KCD, SYM, ARXML, LDF); count what was and was not understood."""
    readings, mistakes = _read_all(files)
    if as_json:
        print_json("donorfit network read 1", files=readings, mistakes=mistakes)
    else:
        print_rows(
            ("file", "reader", "in text", "loaded", "signals", "networks"),
            [
                (
                    Path(each.file).name,
                    each.reader,
                    str(each.messages_in_text),
                    str(each.messages_loaded),
                    str(each.signals_loaded),
                    ", ".join(network.name for network in each.networks),
                )
                for each in readings
            ],
            right=(2, 3, 4),
        )
        for each in readings:
            _print_notes("read otherwise than written", each.repairs)
            _print_notes("not understood", each.left_out)
    if mistakes:
        raise InputError(
            what=f"{len(files) - len(readings)} of {count(len(files), 'file')} cannot be used",
            mistakes=mistakes,
            next_step="mend these places and read again",
        )


@network_group.command("needs")
@_with(_PACK, click.argument("module_id", metavar="MODULE"))
@click.option("--host", type=_FILE, multiple=True, help="Description in place of the pack's.")
@click.option("--own", type=_FILE, multiple=True, help="Description of the module's own car.")
@_JSON
def needs_command(
    pack_path: Path,
    module_id: str,
    host: tuple[Path, ...],
    own: tuple[Path, ...],
    *,
    as_json: bool,
) -> None:
    """Does every signal that a donor module of a pack needs reach it in the host."""
    from donorfit.network import check_signals  # noqa: PLC0415

    pack = _load_pack(pack_path)
    module = pack.find_module(module_id)
    if module is None:
        raise InputError(
            what=f"The pack has no donor module {module_id!r}.",
            where="MODULE",
            why=f"It has {', '.join(each.id for each in pack.modules) or 'none'}.",
            next_step="Name one of these.",
        )
    networks = read_networks(host) if host else pack.networks
    answers = check_signals(module.signals, networks, expected=read_networks(own))
    if as_json:
        print_json("donorfit network needs 2", module=module_id, signals=answers)
        return
    print_rows(
        ("signal", "verdict", "reason", "without it"),
        [
            (f"{a.need.network}/{a.need.signal}", a.verdict.value, a.reason, a.effect)
            for a in answers
        ],
    )
    for each in answers:
        if each.protection:
            print_text(f"protected by {each.protection}", first=f"  {each.need.signal}: ")
        for near in each.nearest:
            print_text(near, first=f"  {each.need.signal}, nearest by meaning: ")
        for difference in each.differences:
            print_text(difference, first=f"  {each.need.signal}: ")
    met = sum(each.verdict.value == "present" for each in answers)
    click.echo(f"{met} of {len(answers)} needed signals are present as needed.")


def _load_pack(path: Path) -> "Pack":
    from donorfit.edge.packs.pack_reader import read_pack  # noqa: PLC0415

    return read_pack(path)


def _read_all(files: tuple[Path, ...]) -> tuple[list["NetworkReading"], list[Mistake]]:
    """Every file that can be read, and all mistakes of the others."""
    from donorfit.edge.packs.network_files import read_network_file  # noqa: PLC0415

    readings: list[NetworkReading] = []
    mistakes: list[Mistake] = []
    for file in files:
        try:
            readings.append(read_network_file(file))
        except InputError as error:
            mistakes += error.mistakes
    return readings, mistakes


def _print_notes(head: str, notes: tuple[Mistake, ...]) -> None:
    if notes:
        click.echo(f"{Path(notes[0].file).name}: {head}")
    print_rows(
        ("line", "what"),
        [
            (str(note.line or ""), f"{note.what} - {note.next_step}")
            for note in notes[:SHOWN_NOTES]
        ],
        right=(0,),
    )
    if len(notes) > SHOWN_NOTES:
        click.echo(f"  {len(notes) - SHOWN_NOTES} more; --json shows all")
