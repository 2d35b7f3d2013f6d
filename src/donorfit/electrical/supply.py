"""Supply over the planned session.

Model: ``deficit = max(0, load - support)``; the charge falls by the integral of the deficit over
the capacity; ``volts = rest voltage(charge) - deficit * internal resistance``. A supply holds its
set voltage only where it covers the load *and* what the battery itself still swallows at that
voltage. Source: common practice; checked against a porous-electrode model (frozen figures of
pybamm, Sulzer 2019 parameters) within 0.1 V. The charge never rises in this model.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from donorfit.electrical.battery import Battery
from donorfit.errors import InputError
from donorfit.records.plan import Step, SupplyForecast
from donorfit.vehicle.pack import SupplyWindow

STRETCH = 1.5
"""A session takes longer than planned; common practice, no source."""
LARGEST_SUPPORT_A = 150
ACCEPTANCE_A_PER_AH = 0.26
"""What a battery at 80 % still takes after 45 min at 13.6 V: 4.5 A on 17 Ah (pybamm, frozen)."""
_SECONDS_AN_HOUR = 3600.0
_SECONDS_A_MINUTE = 60.0


@dataclass(frozen=True, slots=True)
class _Stretch:
    seconds: float
    current_a: float


def forecast_supply(
    *,
    steps: Sequence[Step],
    window: SupplyWindow,
    battery: Battery | None = None,
    stretch: float = STRETCH,
    set_volts: float | None = None,
    lead_resistance_ohm: float = 0.0,
) -> SupplyForecast:
    """Predict the supply over planned steps and the smallest support that holds it.

    Args:
        steps: planned steps with ``seconds`` and ``current_a`` (the car's current while it runs;
            0 stands for the window's base current).
        window: what the family asks for.
        battery: the battery; None for the family's at 80 % +- 15 points and 20 degC.
        stretch: how much longer than planned the session may take.
        set_volts: voltage of the supply; None for the middle of the window.
        lead_resistance_ohm: of both leads, where the supply senses its own posts.

    Returns:
        The forecast. Voltages are the worst case: the lowest charge in the spread and the
        stretched time; ``points`` run over the stretched time and their lowest voltage is
        ``lowest_volts``. ``holds`` is false where no supply up to 150 A keeps the window.

    Raises:
        InputError: figures that make no sense.
    """
    volts = (window.lowest_volts + window.highest_volts) / 2 if set_volts is None else set_volts
    _check(stretch, window, lead_resistance_ohm, volts)
    battery = battery or Battery(capacity_ah=window.battery_ah)
    load = [_Stretch(step.seconds, step.current_a or window.base_current_a) for step in steps]
    long = [_Stretch(each.seconds * stretch, each.current_a) for each in load]
    supply = _Supply(volts=volts, lead_ohm=lead_resistance_ohm, battery=battery)
    alone = supply.run(long, 0.0)
    support = _find_support(supply, long, window)
    held = supply.run(long, support)
    lowest = min((volt for _, _, volt in held), default=volts)
    seconds = sum(each.seconds for each in load)
    return SupplyForecast(
        minutes=seconds / _SECONDS_A_MINUTE,
        charge_ah=sum(each.seconds * each.current_a for each in load) / _SECONDS_AN_HOUR,
        peak_current_a=max((each.current_a for each in load), default=0.0),
        support_current_a=support,
        lowest_volts=lowest,
        lowest_volts_unsupported=min((volt for _, _, volt in alone), default=lowest),
        window_low_volts=window.lowest_volts,
        window_high_volts=window.highest_volts,
        holds=_is_inside(held, window),
        source=_describe(battery, stretch, volts),
        points=tuple(
            (minute, current, with_support, without)
            for (minute, current, with_support), (_, _, without) in zip(held, alone, strict=True)
        ),
    )


def predict_lowest_volts(
    *,
    loads: Iterable[tuple[float, float]],
    battery: Battery,
    support_a: float = 0.0,
    set_volts: float = 13.5,
    lead_resistance_ohm: float = 0.0,
) -> tuple[float, float]:
    """Lowest voltage and last charge over loads given as seconds and ampere, no spread applied.

    The charge starts at ``battery.charge``; use it to compare with a measured session.
    """
    exact = Battery(
        capacity_ah=battery.capacity_ah,
        charge=battery.charge,
        charge_spread=0.0,
        resistance_ohm=battery.resistance_ohm,
        temperature_c=battery.temperature_c,
        table=battery.table,
    )
    stretches = [_Stretch(seconds, current) for seconds, current in loads]
    supply = _Supply(volts=set_volts, lead_ohm=lead_resistance_ohm, battery=exact)
    points = supply.run(stretches, support_a)
    drawn = sum(max(0.0, each.current_a - support_a) * each.seconds for each in stretches)
    charge = max(0.0, exact.charge - drawn / _SECONDS_AN_HOUR / exact.usable_capacity_ah)
    rest = exact.find_rest_volts(exact.charge)
    return min((volt for _, _, volt in points), default=rest), charge


@dataclass(frozen=True, slots=True, kw_only=True)
class _Supply:
    volts: float
    lead_ohm: float
    battery: Battery

    def run(self, load: Iterable[_Stretch], support_a: float) -> list[tuple[float, float, float]]:
        """Minute, current and voltage at both ends of every stretch.

        Charge falls evenly inside a stretch and the rest voltage with it, so the ends bound it.
        """
        points: list[tuple[float, float, float]] = []
        charge, seconds = self.battery.lowest_charge, 0.0
        for each in load:
            deficit = max(0.0, each.current_a - support_a)
            points.append(self._point(seconds, each.current_a, charge, support_a))
            used = deficit * each.seconds / _SECONDS_AN_HOUR / self.battery.usable_capacity_ah
            charge = max(0.0, charge - used)
            seconds += each.seconds
            points.append(self._point(seconds, each.current_a, charge, support_a))
        return points

    def _point(
        self, seconds: float, current_a: float, charge: float, support_a: float
    ) -> tuple[float, float, float]:
        swallowed = ACCEPTANCE_A_PER_AH * self.battery.capacity_ah
        rest = self.battery.find_rest_volts(charge)
        if support_a >= current_a + swallowed:
            volts = max(rest, self.volts - self.lead_ohm * (current_a + swallowed))
        else:
            volts = rest - max(0.0, current_a - support_a) * self.battery.resistance_ohm
        return seconds / _SECONDS_A_MINUTE, current_a, volts


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


def _is_inside(points: Sequence[tuple[float, float, float]], window: SupplyWindow) -> bool:
    return all(window.lowest_volts <= volt <= window.highest_volts for _, _, volt in points)


def _describe(battery: Battery, stretch: float, set_volts: float) -> str:
    return (
        f"{battery.table.name} ({battery.table.source}); {battery.capacity_ah:g} Ah at "
        f"{battery.charge:.0%} +- {battery.charge_spread:.0%}, {battery.temperature_c:g} degC, "
        f"{battery.resistance_ohm * 1000:g} mOhm; supply set to {set_volts:.1f} V; "
        f"worst case over {stretch:g} times the planned time"
    )


def _check(stretch: float, window: SupplyWindow, lead_ohm: float, volts: float) -> None:
    checks = (
        (1 <= stretch <= 10, f"the session cannot be stretched {stretch} times"),  # noqa: PLR2004
        (window.lowest_volts < window.highest_volts, "the supply window is empty"),
        (0 <= lead_ohm <= 1, f"leads of {lead_ohm} Ohm are none"),
        (
            window.lowest_volts <= volts <= window.highest_volts,
            f"a supply set to {volts} V is outside the window itself",
        ),
    )
    mistakes = [text for right, text in checks if not right]
    if mistakes:
        raise InputError(
            what="the supply cannot be forecast",
            where="supply window",
            why="; ".join(mistakes),
            next_step="correct the figures",
        )
