"""``donorfit simulate``: serve a simulated car on this computer."""

import asyncio
import contextlib
import ipaddress
import signal
import time
from pathlib import Path
from typing import TYPE_CHECKING

import click

from donorfit.errors import InputError

if TYPE_CHECKING:
    from donorfit.edge.links.doip_entity import DoipEntity
    from donorfit.simulator.car import SimulatedCar

SAVE_EVERY_S = 1.0
ODX_SUFFIXES = frozenset((".pdx", ".odx-d"))


@click.command("simulate")
@click.argument("scenario", type=click.Path(path_type=Path))
@click.option("--host", default="127.0.0.1", show_default=True, help="Address to listen on.")
@click.option(
    "--port",
    default=0,
    show_default="any free one",
    type=click.IntRange(0, 65535),
    help="TCP and UDP port to listen on; 13400 is that of the standard.",
)
@click.option("--fast", is_flag=True, help="No realistic durations.")
@click.option(
    "--state",
    "state_file",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Keep the car's memory in this file and go on from it.",
)
@click.option(
    "--ready-file",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Write host:port to this file once the car listens.",
)
@click.option(
    "--beyond-this-computer",
    is_flag=True,
    help="Allow a --host that others on the network can reach.",
)
def simulate_command(
    scenario: Path,
    host: str,
    port: int,
    *,
    fast: bool,
    state_file: Path | None,
    ready_file: Path | None,
    beyond_this_computer: bool,
) -> None:
    """Serve the simulated car that SCENARIO describes until Ctrl+C.

    SCENARIO is a scenario file (docs/scenario-format.md), or an ODX data set (.pdx) whose control
    units answer with the services described there.
    """
    _check_host(host, beyond_this_computer=beyond_this_computer)
    if scenario.suffix.lower() in ODX_SUFFIXES:
        if state_file is not None:
            raise click.UsageError("--state needs a scenario file: an ODX data set has no memory")  # noqa: EM101, TRY003 - click's own
        asyncio.run(_serve_described(scenario, host, port, ready_file))
    else:
        asyncio.run(
            _serve_scenario(scenario, host, port, ready_file, fast=fast, state_file=state_file)
        )


def _check_host(host: str, *, beyond_this_computer: bool) -> None:
    try:
        loopback = host == "localhost" or ipaddress.ip_address(host).is_loopback
    except ValueError:
        loopback = False
    if not loopback and not beyond_this_computer:
        raise InputError(
            what=f"{host} can be reached from other computers",
            where="--host",
            why="a simulated car answers anybody who asks",
            next_step="leave --host out, or add --beyond-this-computer",
        )


async def _serve_scenario(
    path: Path,
    host: str,
    port: int,
    ready_file: Path | None,
    *,
    fast: bool,
    state_file: Path | None,
) -> None:
    from donorfit.edge.links.doip_entity import DoipEntity  # noqa: PLC0415
    from donorfit.edge.links.doip_entity_identity import DISCOVERY_PORT, identify  # noqa: PLC0415
    from donorfit.edge.packs.memory_files import read_memory  # noqa: PLC0415
    from donorfit.edge.packs.scenario_files import read_scenario  # noqa: PLC0415
    from donorfit.simulator.car import SimulatedCar  # noqa: PLC0415

    scenario = read_scenario(path)
    saved = read_memory(state_file) if state_file is not None else None
    car = SimulatedCar(scenario, fast=fast, saved=saved)
    entity = DoipEntity(
        car, identify(scenario), host=host, port=port, announce_to=(host, DISCOVERY_PORT)
    )
    saving = asyncio.ensure_future(_keep_saving(car, state_file))
    try:
        await _serve(entity, scenario.title, host, ready_file, saving)
    finally:
        saving.cancel()
        _save(car, state_file)


async def _serve_described(path: Path, host: str, port: int, ready_file: Path | None) -> None:
    from donorfit.edge.links.doip_entity import DoipEntity  # noqa: PLC0415
    from donorfit.edge.links.doip_entity_identity import identify_described  # noqa: PLC0415
    from donorfit.edge.packs.odx_files import import_odx  # noqa: PLC0415
    from donorfit.simulator.described import DescribedCar  # noqa: PLC0415

    described = import_odx(path)
    for note in described.notes:
        click.echo(f"left out: {note}", err=True)
    for unit in described.units:
        click.echo(f"{unit.id} answers at 0x{unit.address:04X}", err=True)
    identity = identify_described(described)
    entity = DoipEntity(DescribedCar(described), identity, host=host, port=port)
    await _serve(entity, described.title, host, ready_file, None)


async def _serve(
    entity: "DoipEntity",
    title: str,
    host: str,
    ready_file: Path | None,
    beside: "asyncio.Future[None] | None",
) -> None:
    """Listen until a signal comes, or what runs beside it fails."""
    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM):
        # Windows has no signal handlers in the loop; Ctrl+C ends the program there
        with contextlib.suppress(NotImplementedError):
            loop.add_signal_handler(number, stop.set)
    await entity.open()
    try:
        place = f"{host}:{entity.port}"
        if ready_file is not None:
            _write_ready(ready_file, place)
        click.echo(f"listening on {place} - {title}; Ctrl+C ends it")
        waiting = asyncio.ensure_future(stop.wait())
        tasks: set[asyncio.Future[object]] = {waiting, beside} if beside else {waiting}  # type: ignore[arg-type]
        done, _ = await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
        waiting.cancel()
        for each in done - {waiting}:
            each.result()
    finally:
        await entity.close()


def _write_ready(path: Path, place: str) -> None:
    try:
        path.write_text(place + "\n", encoding="ascii")
    except OSError as error:
        raise InputError(
            what="the ready file cannot be written",
            where=str(path),
            why=error.strerror or str(error),
            next_step="name a file in a folder that exists",
        ) from error


async def _keep_saving(car: "SimulatedCar", state_file: Path | None) -> None:
    """Save the memory every second, so that even a killed simulator can go on."""
    while True:
        await asyncio.sleep(SAVE_EVERY_S)
        _save(car, state_file)


def _save(car: "SimulatedCar", state_file: Path | None) -> None:
    from donorfit.edge.packs.memory_files import write_memory  # noqa: PLC0415

    if state_file is not None:
        write_memory(state_file, car.save(time.monotonic()))
