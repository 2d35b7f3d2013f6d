"""Commands on supply, wires, pins and sleep current."""

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from donorfit.cli.answers import print_json, print_rows, print_text
from donorfit.errors import InputError

if TYPE_CHECKING:
    from donorfit.records.plan import Step, SupplyForecast
    from donorfit.vehicle.network import Connector

_JSON = click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
_TABLES = ("flooded", "agm-manual", "agm-round", "agm-high")


@click.group("electrical")
def electrical_group() -> None:
    """Supply, wires and fuses."""


@electrical_group.command("supply")
@click.option(
    "--load",
    "loads",
    multiple=True,
    required=True,
    metavar="MINUTES:AMPERE",
    help="One stretch of the session; give it more than once.",
)
@click.option("--window", required=True, metavar="LOW:HIGH", help="Volts that the car asks for.")
@click.option("--capacity", "capacity_ah", type=float, default=70.0, help="Ah of the battery.")
@click.option("--charge", type=float, default=0.8, help="Charge now, 0..1.")
@click.option("--spread", type=float, default=0.15, help="How far off that may be, 0..1.")
@click.option("--temperature", type=float, default=20.0, help="Degrees C of the battery.")
@click.option("--resistance", type=float, default=10.0, help="Milliohm inside the battery.")
@click.option("--table", type=click.Choice(_TABLES), default="flooded", help="Rest voltages.")
@click.option("--set-volts", type=float, default=None, help="Voltage of the supply.")
@click.option("--leads", type=float, default=0.0, help="Milliohm of both leads.")
@_JSON
def supply_command(loads: tuple[str, ...], window: str, *, as_json: bool, **facts: Any) -> None:
    """Forecast the supply over a session and the smallest support that holds it."""
    from donorfit.electrical import VOLTAGE_TABLES, Battery, forecast_supply  # noqa: PLC0415

    battery = Battery(
        capacity_ah=facts["capacity_ah"],
        charge=facts["charge"],
        charge_spread=facts["spread"],
        resistance_ohm=facts["resistance"] / 1000,
        temperature_c=facts["temperature"],
        table=VOLTAGE_TABLES[facts["table"]],
    )
    low, high = _read_pair(window, "--window", "volts")
    forecast = forecast_supply(
        steps=[_make_step(*_read_pair(each, "--load", "minutes and ampere")) for each in loads],
        window=_make_window(low, high, facts["capacity_ah"]),
        battery=battery,
        set_volts=facts["set_volts"],
        lead_resistance_ohm=facts["leads"] / 1000,
    )
    if as_json:
        print_json("donorfit electrical supply 1", forecast=forecast)
        return
    _print_forecast(forecast)


@electrical_group.command("wire")
@click.option("--current", "current_a", type=click.FloatRange(0, 1000), required=True)
@click.option("--length", "length_m", type=click.FloatRange(0, 1000), required=True)
@click.option("--drop", type=click.FloatRange(0.001, 0.5), default=0.03, help="Share of 13.5 V.")
@click.option("--back", type=click.Choice(("body", "wire")), default="body", help="Return path.")
@click.option("--temperature", type=click.FloatRange(-40, 105), default=60.0)
@click.option("--bundle", type=click.FloatRange(0.1, 1), default=1.0, help="What a bundle leaves.")
@_JSON
def wire_command(current_a: float, length_m: float, *, as_json: bool, **facts: Any) -> None:
    """Thinnest wire that loses little enough, with the fuse that protects it."""
    from donorfit.electrical import size_wire  # noqa: PLC0415
    from donorfit.electrical.lead_drop import ReturnPath  # noqa: PLC0415

    wire = size_wire(
        current_a,
        length_m,
        allowed_drop_share=facts["drop"],
        temperature_c=facts["temperature"],
        return_path=ReturnPath.WIRE if facts["back"] == "wire" else ReturnPath.BODY,
        bundle_factor=facts["bundle"],
    )
    if as_json:
        print_json("donorfit electrical wire 1", wire=wire)
        return
    if wire.found:
        click.echo(f"{wire.cross_section_mm2:g} mm2 with a {wire.fuse.rating_a:g} A fuse")
    else:
        click.echo("no listed wire does")
    print_text(wire.reason)


@electrical_group.command("sleep")
@click.option("--before", "before_ma", type=float, required=True, help="mA without the module.")
@click.option("--after", "after_ma", type=float, required=True, help="mA with the module.")
@click.option("--capacity", "capacity_ah", type=float, default=70.0, help="Ah of the battery.")
@click.option("--charge", type=float, default=0.8, help="Charge when parked, 0..1.")
@click.option("--lowest", type=float, default=0.5, help="Charge that still starts, 0..1.")
@_JSON
def sleep_command(before_ma: float, after_ma: float, *, as_json: bool, **facts: Any) -> None:
    """Days that a parked car keeps enough charge, before and after a module is fitted."""
    from donorfit.electrical import compare_sleep  # noqa: PLC0415

    found = compare_sleep(
        before_ma=before_ma,
        after_ma=after_ma,
        capacity_ah=facts["capacity_ah"],
        charge=facts["charge"],
        lowest_charge=facts["lowest"],
    )
    if as_json:
        print_json("donorfit electrical sleep 1", comparison=found)
        return
    print_rows(
        ("", "mA", "days", "verdict"),
        [
            (name, f"{each.current_ma:g}", f"{each.days:.1f}", each.verdict.value)
            for name, each in (("before", found.before), ("after", found.after))
        ],
        right=(1, 2),
    )
    click.echo(f"{found.added_ma:+g} mA cost {found.days_lost:.1f} days.")


@electrical_group.command("pins")
@click.argument("pack_path", type=click.Path(path_type=Path), metavar="PACK")
@click.argument("host_id", metavar="HOST_CONNECTOR")
@click.argument("module_id", metavar="MODULE_CONNECTOR")
@click.option(
    "--run", "run_m", type=click.FloatRange(0, 100), default=5.0, help="New run, metres."
)
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


def _read_pair(text: str, option: str, what: str) -> tuple[float, float]:
    left, colon, right = text.partition(":")
    try:
        if not colon:
            raise ValueError  # noqa: TRY301
        pair = float(left), float(right)
    except ValueError:
        raise InputError(
            what=f"{text!r} is not two numbers with a colon between them.",
            where=option,
            next_step=f"Give {what}, such as {option} 12.5:14.5",
        ) from None
    if not all(0 <= each < 100_000 for each in pair):  # noqa: PLR2004 - no session is longer
        raise InputError(what=f"{text!r} is out of range.", where=option, next_step="Correct it.")
    return pair


def _make_step(minutes: float, current_a: float) -> "Step":
    from donorfit.records.plan import Step, StepKind  # noqa: PLC0415
    from donorfit.vehicle.identity import Address, UnitId  # noqa: PLC0415

    return Step(
        id="s01",
        kind=StepKind.PROGRAM,
        unit=UnitId("car"),
        address=Address(0),
        network="",
        what="load",
        seconds=minutes * 60,
        current_a=current_a,
    )


def _make_window(low: float, high: float, capacity_ah: float) -> Any:
    from donorfit.vehicle.identity import DataIdentifier, UnitId  # noqa: PLC0415
    from donorfit.vehicle.pack import SupplyWindow  # noqa: PLC0415

    return SupplyWindow(
        lowest_volts=low,
        highest_volts=high,
        unit=UnitId("car"),
        identifier=DataIdentifier(0),
        volts_per_bit=0.1,
        base_current_a=0.0,
        battery_ah=capacity_ah,
    )


def _find(connectors: "dict[str, Connector]", name: str) -> "Connector":
    if name not in connectors:
        raise InputError(
            what=f"The pack has no connector {name!r}.",
            why=f"It has {', '.join(connectors) or 'none'}.",
            next_step="Name one of these.",
        )
    return connectors[name]


def _print_forecast(forecast: "SupplyForecast") -> None:
    rows = (
        ("session", f"{forecast.minutes:.0f} min, {forecast.charge_ah:.1f} Ah"),
        ("highest current", f"{forecast.peak_current_a:.0f} A"),
        ("window", f"{forecast.window_low_volts:g} to {forecast.window_high_volts:g} V"),
        ("battery alone", f"down to {forecast.lowest_volts_unsupported:.2f} V"),
        (
            f"with {forecast.support_current_a:.0f} A support",
            f"down to {forecast.lowest_volts:.2f} V",
        ),
    )
    print_rows((), rows)
    if forecast.holds:
        need = (
            f"{forecast.support_current_a:.0f} A that it holds without falling to trickle charge"
        )
        click.echo(
            f"The session may start with a supply of {need}."
            if forecast.support_current_a
            else "The battery holds the session by itself."
        )
    else:
        click.echo("No supply up to 150 A holds the window: do not start.")
    print_text(forecast.source, first="  ")
