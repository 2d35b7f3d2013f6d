"""Supply over the planned session.

Model: ``deficit = max(0, load - support)``; the charge falls by the integral of the deficit over
the capacity (at that current, temperature and age);
``posts = rest voltage(charge) - deficit * internal resistance``;
``unit = posts - load * path``. A supply holds its set voltage at the posts only where it covers
the load *and* what the battery itself still takes at that voltage, less the drop on its leads
where it senses its own end. Source: common practice; checked against a porous-electrode model
(frozen figures of pybamm, Sulzer 2019 parameters) within 0.1 V. The charge never rises in this
model.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from donorfit.electrical.battery import VOLTAGE_TABLES, WORN_HEALTH, Battery
from donorfit.errors import InputError
from donorfit.records.plan import Step, SupplyForecast
from donorfit.vehicle.pack import SupplyWindow

STRETCH = 1.5
"""A session takes longer than planned; common practice, no source."""
LARGEST_SUPPORT_A = 150
ACCEPTANCE_A_PER_AH = 0.31
"""What a battery at 80 % still takes after 45 min at 13.6 V: 5.2 A on 17 Ah (pybamm, frozen)."""
SMALL_CHARGER_A = 10.0
"""Chargers up to here usually fall to trickle charge by themselves (three trade pages, low
authority): what is written on them is no current that they hold."""
MOST_CURRENT_A = 1000.0
_SECONDS_AN_HOUR = 3600.0
_SECONDS_A_MINUTE = 60.0


@dataclass(frozen=True, slots=True)
class _Stretch:
    seconds: float
    current_a: float


@dataclass(frozen=True, slots=True)
class _Point:
    """One moment: minutes, the car's current, voltage at posts and unit, charge left."""

    minute: float
    current_a: float
    posts_volts: float
    unit_volts: float
    charge: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SupportVerdict:
    """What a supply of a given current would do.

    Attributes:
        current_a: what it holds continuously.
        holds: whether the voltage stays in the window to the end.
        lowest_volts: lowest voltage at the unit, worst case.
        fails_at_minute: when it first leaves the window; None where it does not.
        last_charge: charge at the end, 0..1, worst case.
        small_charger: whether it is of a size that seldom is a supply at all.
    """

    current_a: float
    holds: bool
    lowest_volts: float
    fails_at_minute: float | None
    last_charge: float
    small_charger: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class TableSpread:
    """The same session by one published table of rest voltages."""

    table: str
    source: str
    support_current_a: float
    lowest_volts: float
    lowest_volts_unsupported: float
    holds: bool


def forecast_supply(
    *,
    steps: Sequence[Step],
    window: SupplyWindow,
    battery: Battery | None = None,
    stretch: float = STRETCH,
    set_volts: float | None = None,
    lead_resistance_ohm: float = 0.0,
    unit_path_ohm: float = 0.0,
) -> SupplyForecast:
    """Predict the supply over planned steps and the smallest support that holds it.

    Args:
        steps: planned steps with ``seconds`` and ``current_a`` (the car's current while it runs;
            0 stands for the window's base current).
        window: what the family asks for.
        battery: the battery; None for the family's at 80 % +- 15 points and 20 degC, worn to 80 %
            of its rating.
        stretch: how much longer than planned the session may take.
        set_volts: voltage of the supply; None for the middle of the window.
        lead_resistance_ohm: of both leads, where the supply senses its own posts.
        unit_path_ohm: between the battery's posts and the unit that reports the voltage.

    Returns:
        The forecast. Voltages are those at the unit, in the worst case: the lowest charge in the
        spread and the stretched time; ``points`` run over the stretched time, two for each step,
        and their lowest voltage is ``lowest_volts``. ``holds`` is false where no supply up to
        150 A keeps the window.

    Raises:
        InputError: figures that make no sense.
    """
    supply, load = _set_up(
        steps, window, battery, stretch, set_volts, lead_resistance_ohm, unit_path_ohm
    )
    alone = supply.run(load, 0.0)
    support = _find_support(supply, load, window)
    held = supply.run(load, support)
    lowest = min((each.unit_volts for each in held), default=supply.volts)
    planned = [(step.seconds, each.current_a) for step, each in zip(steps, load, strict=True)]
    return SupplyForecast(
        minutes=sum(seconds for seconds, _ in planned) / _SECONDS_A_MINUTE,
        charge_ah=sum(seconds * current for seconds, current in planned) / _SECONDS_AN_HOUR,
        peak_current_a=max((each.current_a for each in load), default=0.0),
        support_current_a=support,
        lowest_volts=lowest,
        lowest_volts_unsupported=min((each.unit_volts for each in alone), default=lowest),
        window_low_volts=window.lowest_volts,
        window_high_volts=window.highest_volts,
        holds=_is_inside(held, window),
        source=_describe(supply, stretch),
        points=tuple(
            (one.minute, one.current_a, one.unit_volts, other.unit_volts)
            for one, other in zip(held, alone, strict=True)
        ),
        lowest_posts_volts=min((each.posts_volts for each in held), default=supply.volts),
        first_charge=supply.battery.lowest_charge,
        last_charge=held[-1].charge if held else supply.battery.lowest_charge,
        last_charge_unsupported=alone[-1].charge if alone else supply.battery.lowest_charge,
    )


def judge_support(
    current_a: float,
    *,
    steps: Sequence[Step],
    window: SupplyWindow,
    battery: Battery | None = None,
    stretch: float = STRETCH,
    set_volts: float | None = None,
    lead_resistance_ohm: float = 0.0,
    unit_path_ohm: float = 0.0,
) -> SupportVerdict:
    """Say what a supply that holds ``current_a`` would do; arguments as in the forecast.

    Raises:
        InputError: figures that make no sense.
    """
    if not 0 <= current_a <= 1000:  # noqa: PLR2004 - more than any workshop supply
        raise _refuse([f"a support of {current_a} A is none"])
    supply, load = _set_up(
        steps, window, battery, stretch, set_volts, lead_resistance_ohm, unit_path_ohm
    )
    points = supply.run(load, current_a)
    exit_minute = _find_exit(supply, load, current_a, window)
    return SupportVerdict(
        current_a=current_a,
        holds=exit_minute is None,
        lowest_volts=min((each.unit_volts for each in points), default=0.0),
        fails_at_minute=exit_minute,
        last_charge=points[-1].charge if points else supply.battery.lowest_charge,
        small_charger=0 < current_a <= SMALL_CHARGER_A,
    )


def compare_tables(
    *,
    steps: Sequence[Step],
    window: SupplyWindow,
    battery: Battery,
    set_volts: float | None = None,
    lead_resistance_ohm: float = 0.0,
    unit_path_ohm: float = 0.0,
) -> tuple[TableSpread, ...]:
    """The same forecast by every published table for this kind of battery.

    Raises:
        InputError: figures that make no sense.
    """
    rows = []
    for table in VOLTAGE_TABLES.values():
        if table.chemistry is not battery.table.chemistry:
            continue
        found = forecast_supply(
            steps=steps,
            window=window,
            battery=replace(battery, table=table),
            set_volts=set_volts,
            lead_resistance_ohm=lead_resistance_ohm,
            unit_path_ohm=unit_path_ohm,
        )
        rows.append(
            TableSpread(
                table=table.name,
                source=table.source,
                support_current_a=found.support_current_a,
                lowest_volts=found.lowest_volts,
                lowest_volts_unsupported=found.lowest_volts_unsupported,
                holds=found.holds,
            )
        )
    return tuple(rows)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Supply:
    volts: float
    lead_ohm: float
    path_ohm: float
    battery: Battery

    def run(self, load: Iterable[_Stretch], support_a: float) -> list[_Point]:
        """Both ends of every stretch.

        Charge falls evenly inside a stretch and the rest voltage with it, so the ends bound it.
        """
        points: list[_Point] = []
        charge, seconds = self.battery.lowest_charge, 0.0
        for each in load:
            deficit = max(0.0, each.current_a - support_a)
            points.append(self._point(seconds, each.current_a, charge, support_a))
            capacity = self.battery.find_capacity_ah(deficit)
            charge = max(0.0, charge - deficit * each.seconds / _SECONDS_AN_HOUR / capacity)
            seconds += each.seconds
            points.append(self._point(seconds, each.current_a, charge, support_a))
        return points

    def _point(self, seconds: float, current_a: float, charge: float, support_a: float) -> _Point:
        swallowed = ACCEPTANCE_A_PER_AH * self.battery.capacity_ah
        rest = self.battery.find_rest_volts(charge)
        if support_a >= current_a + swallowed:
            volts = max(rest, self.volts - self.lead_ohm * (current_a + swallowed))
        else:
            deficit = max(0.0, current_a - support_a)
            volts = rest - deficit * self.battery.working_resistance_ohm
        return _Point(
            minute=seconds / _SECONDS_A_MINUTE,
            current_a=current_a,
            posts_volts=volts,
            unit_volts=volts - self.path_ohm * current_a,
            charge=charge,
        )


def _set_up(  # noqa: PLR0917 - the facts of one session, in one order
    steps: Sequence[Step],
    window: SupplyWindow,
    battery: Battery | None,
    stretch: float,
    set_volts: float | None,
    lead_ohm: float,
    path_ohm: float,
) -> tuple[_Supply, list[_Stretch]]:
    volts = (window.lowest_volts + window.highest_volts) / 2 if set_volts is None else set_volts
    _check(stretch, window, lead_ohm, path_ohm, volts)
    battery = battery or Battery(capacity_ah=window.battery_ah, health=WORN_HEALTH)
    load = [
        _Stretch(step.seconds * stretch, step.current_a or window.base_current_a) for step in steps
    ]
    bad = [step.id for step, each in zip(steps, load, strict=True) if not _is_load(each)]
    if bad:
        raise _refuse([f"step {name} has no length, or no current of a car" for name in bad])
    return _Supply(volts=volts, lead_ohm=lead_ohm, path_ohm=path_ohm, battery=battery), load


def _is_load(each: _Stretch) -> bool:
    return 0 <= each.seconds < float("inf") and 0 <= each.current_a <= MOST_CURRENT_A


def _find_support(supply: _Supply, load: list[_Stretch], window: SupplyWindow) -> float:
    """Smallest whole ampere that holds; the voltage never falls when the support grows."""
    low, high = 0, LARGEST_SUPPORT_A
    while low < high:
        middle = (low + high) // 2
        if _is_inside(supply.run(load, middle), window):
            high = middle
        else:
            low = middle + 1
    return float(low)


def _find_exit(
    supply: _Supply, load: Sequence[_Stretch], support_a: float, window: SupplyWindow
) -> float | None:
    """Minute at which the voltage first leaves the window, to the second; None where it stays.

    The voltage falls evenly inside a stretch, so the moment is closed in on by halves.
    """
    points = supply.run(load, support_a)
    place = next((n for n, each in enumerate(points) if not _is_inside((each,), window)), None)
    if place is None or place % 2 == 0:  # at the beginning of a stretch
        return None if place is None else points[place].minute
    before, last = load[: place // 2], load[place // 2]
    inside, outside = 0.0, last.seconds
    while outside - inside > 1.0:
        middle = (inside + outside) / 2
        part = supply.run([*before, replace(last, seconds=middle)], support_a)
        if _is_inside(part[-1:], window):
            inside = middle
        else:
            outside = middle
    return points[place - 1].minute + outside / _SECONDS_A_MINUTE


def _is_inside(points: Sequence[_Point], window: SupplyWindow) -> bool:
    return all(window.lowest_volts <= each.unit_volts <= window.highest_volts for each in points)


def _describe(supply: _Supply, stretch: float) -> str:
    battery = supply.battery
    path = f"; {supply.path_ohm * 1000:g} mOhm to the unit" if supply.path_ohm else ""
    return (
        f"{battery.table.name} ({battery.table.source}); {battery.capacity_ah:g} Ah at "
        f"{battery.charge:.0%} +- {battery.charge_spread:.0%}, {battery.temperature_c:g} degC, "
        f"worn to {battery.health:.0%}, {battery.working_resistance_ohm * 1000:.3g} mOhm{path}; "
        f"supply set to {supply.volts:.1f} V; worst case over {stretch:g} times the planned time"
    )


def _check(
    stretch: float, window: SupplyWindow, lead_ohm: float, path_ohm: float, volts: float
) -> None:
    checks = (
        (1 <= stretch <= 10, f"the session cannot be stretched {stretch} times"),  # noqa: PLR2004
        (window.lowest_volts < window.highest_volts, "the supply window is empty"),
        (0 <= lead_ohm <= 1, f"leads of {lead_ohm} Ohm are none"),
        (0 <= path_ohm <= 1, f"a path of {path_ohm} Ohm to the unit is none"),
        (
            window.lowest_volts <= volts <= window.highest_volts,
            f"a supply set to {volts} V is outside the window itself",
        ),
    )
    mistakes = [text for right, text in checks if not right]
    if mistakes:
        raise _refuse(mistakes)


def _refuse(mistakes: Sequence[str]) -> InputError:
    return InputError(
        what="the supply cannot be forecast",
        where="supply window",
        why="; ".join(mistakes),
        next_step="correct the figures",
    )
