"""Commands on supply, charge and sleep current; those on wires and pins are added to the group."""

from typing import TYPE_CHECKING, Any

import click

from donorfit.cli.answers import print_json, print_rows, print_text
from donorfit.cli.electrical_wires import parts_command, pins_command, wire_command
from donorfit.errors import InputError

if TYPE_CHECKING:
    from donorfit.electrical import SupportVerdict, TableSpread
    from donorfit.records.plan import Step, SupplyForecast

_JSON = click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
_TABLES = ("flooded", "flooded-trailer", "agm-manual", "agm-round", "agm-high")
_KIND = click.option(
    "--kind", type=click.Choice(("flooded", "agm")), default="flooded", help="Kind of battery."
)


@click.group("electrical")
def electrical_group() -> None:
    """Supply, charge, sleep current, wires, fuses and plugs."""


electrical_group.add_command(wire_command)
electrical_group.add_command(pins_command)
electrical_group.add_command(parts_command)


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
@click.option("--health", type=float, default=0.8, help="What age left of the capacity, 0.3..1.")
@click.option("--temperature", type=float, default=20.0, help="Degrees C of the battery.")
@click.option("--resistance", type=float, default=10.0, help="Milliohm inside it when new.")
@click.option("--table", type=click.Choice(_TABLES), default="flooded", help="Rest voltages.")
@click.option("--set-volts", type=float, default=None, help="Voltage of the supply.")
@click.option("--leads", type=float, default=0.0, help="Milliohm of both leads of the supply.")
@click.option("--path", type=float, default=0.0, help="Milliohm from the posts to the unit.")
@click.option("--support", type=float, default=None, help="Ampere that your supply holds.")
@_JSON
def supply_command(loads: tuple[str, ...], window: str, *, as_json: bool, **facts: Any) -> None:
    """Forecast the supply over a session and the smallest support that holds it.

    With --support it says what your supply would do. Voltages are those that the unit reports.
    """
    from donorfit.electrical import (  # noqa: PLC0415 - keeps --help fast
        VOLTAGE_TABLES,
        Battery,
        compare_tables,
        forecast_supply,
        judge_support,
    )

    battery = Battery(
        capacity_ah=facts["capacity_ah"],
        charge=facts["charge"],
        charge_spread=facts["spread"],
        resistance_ohm=facts["resistance"] / 1000,
        temperature_c=facts["temperature"],
        table=VOLTAGE_TABLES[facts["table"]],
        health=facts["health"],
    )
    low, high = _read_pair(window, "--window", "volts", "12.5:14.5")
    session: dict[str, Any] = {
        "steps": [
            _make_step(*_read_pair(each, "--load", "minutes and ampere", "30:22"))
            for each in loads
        ],
        "window": _make_window(low, high, facts["capacity_ah"]),
        "battery": battery,
        "set_volts": facts["set_volts"],
        "lead_resistance_ohm": facts["leads"] / 1000,
        "unit_path_ohm": facts["path"] / 1000,
    }
    forecast = forecast_supply(**session)
    given = facts["support"]
    verdict = None if given is None else judge_support(given, **session)
    tables = compare_tables(**session)
    if as_json:
        print_json(
            "donorfit electrical supply 2", forecast=forecast, support=verdict, tables=tables
        )
        return
    _print_forecast(forecast)
    if verdict is not None:
        _print_verdict(verdict, forecast)
    _print_tables(tables)


@electrical_group.command("charge")
@click.option("--volts", type=float, required=True, help="Measured at rest, at the posts.")
@click.option("--temperature", type=float, default=26.7, help="Degrees C of the battery.")
@_KIND
@_JSON
def charge_command(volts: float, temperature: float, kind: str, *, as_json: bool) -> None:
    """What published tables make of a rest voltage; how far they lie apart is the uncertainty."""
    from donorfit.electrical import Chemistry, guess_charge  # noqa: PLC0415

    chemistry = Chemistry.AGM if kind == "agm" else Chemistry.FLOODED
    guesses = guess_charge(volts, temperature_c=temperature, chemistry=chemistry)
    if as_json:
        print_json("donorfit electrical charge 1", guesses=guesses)
        return
    print_rows(
        ("charge", "table"),
        [(f"{each.charge:.0%}", f"{each.table} ({each.source})") for each in guesses],
        right=(0,),
    )
    charges = [each.charge for each in guesses]
    print_text(
        f"Between {min(charges):.0%} and {max(charges):.0%}. 10 points are 80 mV, and a voltmeter "
        "of 1 % is off by 120 mV: only after hours at rest, and never while current flows."
    )


@electrical_group.command("sleep")
@click.option("--before", "before_ma", type=float, required=True, help="mA without the module.")
@click.option("--after", "after_ma", type=float, required=True, help="mA with the module.")
@click.option("--capacity", "capacity_ah", type=float, default=70.0, help="Ah of the battery.")
@click.option("--charge", type=float, default=0.8, help="Charge when parked, 0..1.")
@click.option("--lowest", type=float, default=0.5, help="Charge that still starts, 0..1.")
@click.option("--reserve", type=float, default=None, help="Reserve capacity in minutes.")
@click.option("--rest-volts", type=float, default=None, help="Rest voltage when parked.")
@_KIND
@_JSON
def sleep_command(
    before_ma: float, after_ma: float, kind: str, *, as_json: bool, **facts: Any
) -> None:
    """Days that a parked car keeps enough charge, before and after a module is fitted.

    Published rules on what may be lost disagree, so the days are given by each of them.
    """
    from donorfit.electrical import Chemistry, compare_by_rule, compare_sleep  # noqa: PLC0415

    shared = {"before_ma": before_ma, "after_ma": after_ma, "capacity_ah": facts["capacity_ah"]}
    span = {"charge": facts["charge"], "lowest_charge": facts["lowest"]}
    found = compare_sleep(**shared, **span)
    rules = compare_by_rule(
        **shared,
        **span,
        reserve_minutes=facts["reserve"],
        rest_volts=facts["rest_volts"],
        chemistry=Chemistry.AGM if kind == "agm" else Chemistry.FLOODED,
    )
    if as_json:
        print_json("donorfit electrical sleep 2", comparison=found, rules=rules)
        return
    print_rows(
        ("", "mA", "days", "verdict"),
        [
            (name, f"{each.current_ma:g}", f"{each.days:.1f}", each.verdict.value)
            for name, each in (("before", found.before), ("after", found.after))
        ],
        right=(1, 2),
    )
    lost = found.days_lost
    what = f"cost {lost:.1f} days" if lost >= 0 else f"give {-lost:.1f} days more"
    click.echo(f"{found.added_ma:+g} mA {what}.")
    click.echo("By other published rules:")
    print_rows(
        ("before", "after", "rule"),
        [
            (
                f"{each.comparison.before.days:.1f}",
                f"{each.comparison.after.days:.1f}",
                f"{each.rule} ({each.source})",
            )
            for each in rules
        ],
        right=(0, 1),
    )
    days = sorted(each.comparison.after.days for each in rules)
    click.echo(f"After: {days[0]:.1f} to {days[-1]:.1f} days, by the rule one trusts.")


def _read_pair(text: str, option: str, what: str, example: str) -> tuple[float, float]:
    left, colon, right = text.partition(":")
    try:
        if not colon:
            raise ValueError  # noqa: TRY301
        pair = float(left), float(right)
    except ValueError:
        raise InputError(
            what=f"{text!r} is not two numbers with a colon between them.",
            where=option,
            next_step=f"Give {what}, such as {option} {example}",
        ) from None
    if not all(0 <= each < 100_000 for each in pair):  # noqa: PLR2004 - no session is longer
        raise InputError(
            what=f"{text!r} is out of range.",
            where=option,
            why="both numbers lie between 0 and 100000",
            next_step=f"Give {what}, such as {option} {example}",
        )
    return pair


def _make_step(minutes: float, current_a: float) -> "Step":
    from donorfit.records.plan import Step, StepKind  # noqa: PLC0415
    from donorfit.vehicle.identity import Address, UnitId  # noqa: PLC0415

    return Step(
        id=f"{minutes:g}:{current_a:g}",
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


def _print_forecast(forecast: "SupplyForecast") -> None:
    def word(charge: float | None) -> str:
        return "?" if charge is None else f"{charge:.0%}"

    charges = f"{word(forecast.first_charge)} to {word(forecast.last_charge_unsupported)}"
    rows = [
        ("session", f"{forecast.minutes:.0f} min, {forecast.charge_ah:.1f} Ah"),
        ("highest current", f"{forecast.peak_current_a:.0f} A"),
        ("window", f"{forecast.window_low_volts:g} to {forecast.window_high_volts:g} V"),
        (
            "battery alone",
            f"down to {forecast.lowest_volts_unsupported:.2f} V, charge {charges}",
        ),
        (
            f"with {forecast.support_current_a:.0f} A support",
            f"down to {forecast.lowest_volts:.2f} V, ends {word(forecast.last_charge)} charged",
        ),
    ]
    posts = forecast.lowest_posts_volts
    if posts is not None and posts > forecast.lowest_volts:
        rows.append(("at the posts", f"down to {posts:.2f} V"))
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


def _print_verdict(verdict: "SupportVerdict", forecast: "SupplyForecast") -> None:
    """What the person's own supply would do."""
    if verdict.holds:
        said = f"keeps the window, down to {verdict.lowest_volts:.2f} V"
    else:
        minute = verdict.fails_at_minute or 0.0
        said = (
            f"does not hold: outside the window after {minute:.0f} min, down to "
            f"{verdict.lowest_volts:.2f} V; the battery ends {verdict.last_charge:.0%} charged. "
            "Do not start"
        )
        said += f"; {forecast.support_current_a:.0f} A are needed" if forecast.holds else ""
    print_text(f"{said}.", first=f"Your {verdict.current_a:g} A: ")
    if verdict.small_charger:
        print_text(
            "A charger of this size usually falls to trickle charge by itself, and then holds "
            "far less than is written on it: it maintains a parked car, and is no supply."
        )


def _print_tables(tables: "tuple[TableSpread, ...]") -> None:
    click.echo("By every published table of this kind of battery:")
    print_rows(
        ("support", "lowest", "alone", "table"),
        [
            (
                f"{each.support_current_a:.0f} A" if each.holds else "none",
                f"{each.lowest_volts:.2f} V",
                f"{each.lowest_volts_unsupported:.2f} V",
                each.table,
            )
            for each in tables
        ],
        right=(0, 1, 2),
    )
