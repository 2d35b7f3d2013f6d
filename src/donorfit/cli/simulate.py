"""``donorfit simulate``: serve a simulated car on this computer."""

import asyncio
import contextlib
import ipaddress
import signal
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from donorfit.cli.number_types import WholeRange
from donorfit.errors import InputError, LinkError

if TYPE_CHECKING:
    from collections.abc import AsyncIterator

    from donorfit.edge.links.doip_entity import DoipEntity
    from donorfit.edge.links.places import CanPlace
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
    type=WholeRange(0, 65535),
    help="TCP and UDP port to listen on; 13400 is that of the standard.",
)
@click.option(
    "--can",
    "bus",
    metavar="INTERFACE:CHANNEL[@BITRATE]",
    help="Serve on a CAN bus instead; loopback:127.0.0.1:0 opens one between programs.",
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
    bus: str | None,
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
    if bus is not None:
        run_on_bus(
            scenario,
            bus,
            fast=fast,
            state_file=state_file,
            ready_file=ready_file,
            beyond_this_computer=beyond_this_computer,
        )
    elif scenario.suffix.lower() in ODX_SUFFIXES:
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
    async with keep_memory(car, state_file) as saving:
        await _serve(entity, scenario.title, host, ready_file, saving)


def run_on_bus(
    path: Path,
    text: str,
    *,
    fast: bool,
    state_file: Path | None,
    ready_file: Path | None,
    beyond_this_computer: bool,
) -> None:
    """Serve a scenario's car on a CAN bus until a signal comes or the bus is lost.

    Raises:
        InputError: no such bus, or no scenario, or others could reach the bus.
        LinkError: the bus cannot be opened, or was lost.
    """
    from donorfit.edge.links.places import parse_can_place  # noqa: PLC0415

    place = parse_can_place(text, least_port=0)
    if not place.on_this_computer and not beyond_this_computer:
        raise InputError(
            what=f"{place.name} may be wired to a real car",
            where="--can",
            why="a simulated car answers in the place of real control units",
            next_step="use loopback:127.0.0.1:0, or add --beyond-this-computer",
        )
    if path.suffix.lower() in ODX_SUFFIXES:
        raise click.UsageError("--can needs a scenario file: an ODX data set gives no identifiers")  # noqa: EM101, TRY003 - click's own
    asyncio.run(_serve_on_bus(path, place, ready_file, fast=fast, state_file=state_file))


async def _serve_on_bus(
    path: Path,
    place: "CanPlace",
    ready_file: Path | None,
    *,
    fast: bool,
    state_file: Path | None,
) -> None:
    from donorfit.edge.links.can_entity import CanEntity  # noqa: PLC0415
    from donorfit.edge.links.places import LOOPBACK, open_port, split_bus_address  # noqa: PLC0415
    from donorfit.edge.packs.memory_files import read_memory  # noqa: PLC0415
    from donorfit.edge.packs.scenario_files import read_scenario  # noqa: PLC0415
    from donorfit.simulator.car import SimulatedCar  # noqa: PLC0415

    scenario = read_scenario(path)
    saved = read_memory(state_file) if state_file is not None else None
    car = SimulatedCar(scenario, fast=fast, saved=saved)
    units = tuple((unit.address, unit.can) for unit in scenario.units if unit.can is not None)
    async with contextlib.AsyncExitStack() as stack:
        if place.interface == LOOPBACK:
            place = await _open_loopback_bus(
                stack, *split_bus_address(place.channel, least_port=0)
            )
        port = await open_port(place, fd=any(can.flexible_rate for _, can in units))
        entity = CanEntity(car, port, units)
        stack.push_async_callback(entity.close)
        await entity.open()
        saving = await stack.enter_async_context(keep_memory(car, state_file))
        await wait_for_end(place.name, scenario.title, ready_file, saving, entity.ended)
        if entity.ended.done():
            raise LinkError(
                what="the bus was lost",
                where=place.name,
                why=entity.ended.result(),
                next_step="check the adapter, then serve the car again",
            )


async def _open_loopback_bus(stack: contextlib.AsyncExitStack, host: str, port: int) -> "CanPlace":
    """Open a bus of our own and say where it is."""
    from donorfit.edge.links.loopback_bus import LoopbackBus  # noqa: PLC0415
    from donorfit.edge.links.places import LOOPBACK, CanPlace  # noqa: PLC0415

    bus = LoopbackBus(host, port)
    await bus.open()
    stack.push_async_callback(bus.close)
    return CanPlace(interface=LOOPBACK, channel=f"{host}:{bus.port}")


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
    await entity.open()
    try:
        await wait_for_end(f"{host}:{entity.port}", title, ready_file, beside)
    finally:
        await entity.close()


async def wait_for_end(
    place: str,
    title: str,
    ready_file: Path | None,
    *beside: "asyncio.Future[Any] | None",
) -> None:
    """Say that the car is there and wait for a signal, or for what runs beside to end or fail."""
    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM):
        # Windows has no signal handlers in the loop; Ctrl+C ends the program there
        with contextlib.suppress(NotImplementedError):
            loop.add_signal_handler(number, stop.set)
    if ready_file is not None:
        _write_ready(ready_file, place)
    click.echo(f"listening on {place} - {title}; Ctrl+C ends it")
    waiting: asyncio.Future[Any] = asyncio.ensure_future(stop.wait())
    tasks = {waiting, *(each for each in beside if each is not None)}
    done, _ = await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
    waiting.cancel()
    for each in done - {waiting}:
        each.result()


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


@contextlib.asynccontextmanager
async def keep_memory(
    car: "SimulatedCar", state_file: Path | None
) -> "AsyncIterator[asyncio.Future[None]]":
    """Save the car's memory while it is served, and at the end; gives what runs beside."""
    saving = asyncio.ensure_future(_keep_saving(car, state_file))
    try:
        yield saving
    finally:
        saving.cancel()
        _save(car, state_file)


async def _keep_saving(car: "SimulatedCar", state_file: Path | None) -> None:
    """Save the memory every second, so that even a killed simulator can go on."""
    while True:
        await asyncio.sleep(SAVE_EVERY_S)
        _save(car, state_file)


def _save(car: "SimulatedCar", state_file: Path | None) -> None:
    from donorfit.edge.packs.memory_files import write_memory  # noqa: PLC0415

    if state_file is not None:
        write_memory(state_file, car.save(time.monotonic()))
