"""How long a parked car keeps enough charge to start.

Model: ``days = (charge - lowest charge) * C / (24 h * I + self-discharge * C)``; source: common
practice, worked figures in the tests. Measure only after the networks sleep. Published rules on
what may be lost before a car no longer starts, and on self-discharge, disagree by a factor of
three: :func:`compare_by_rule` answers by each of them, by name.
"""

from dataclasses import dataclass
from enum import Enum

from donorfit.electrical.battery import Chemistry, guess_charge
from donorfit.errors import InputError

HOURS_A_DAY = 24.0
SELF_DISCHARGE_A_DAY = 0.001
"""AGM: 2 % a month at 25 degC by one battery maker, 2 to 3 % by others; the upper end. 0.5 % a day
is seen for old flooded batteries, 5 % a month at 20 degC."""
USUAL_LIMIT_MA = 50.0
"""Common ceiling (trade page); 50 to 85 mA is seen on recent cars, 35 mA in a training text."""
AH_A_RESERVE_MINUTE = 0.6
"""Usable Ah of a battery per minute of reserve capacity (copy of a service bulletin)."""
RESERVE_SHARE = 0.4
"""Share of it that may be gone before the car no longer starts at 25 degC (same bulletin)."""
LOST_AH = (20.0, 30.0)
"""Charge whose loss keeps a typical car from starting (same bulletin)."""
OLD_FLOODED_A_DAY = 0.005
"""Self-discharge of an old flooded battery (trade page)."""
SEALED_A_DAY = 0.05 / 30
"""Self-discharge of a sealed battery at 20 degC, 5 % a month (data sheet)."""
MOST_MA = 1_000_000.0


class SleepVerdict(Enum):
    """What a sleep current comes to."""

    USUAL = "usual"
    HIGH = "high"
    KEPT_AWAKE = "something stays awake"


KEPT_AWAKE_MA = 200.0
"""From here on a network is probably kept awake (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SleepForecast:
    """Days until a parked car may not start.

    Attributes:
        current_ma: current while asleep.
        days: days until the lowest charge.
        verdict: whether the current is usual.
        limit_ma: the ceiling it is compared with.
    """

    current_ma: float
    days: float
    verdict: SleepVerdict
    limit_ma: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SleepComparison:
    """Before and after a module is fitted."""

    before: SleepForecast
    after: SleepForecast

    @property
    def added_ma(self) -> float:
        """Current that the module adds."""
        return self.after.current_ma - self.before.current_ma

    @property
    def days_lost(self) -> float:
        """Days that the module costs."""
        return self.before.days - self.after.days


def forecast_sleep(
    *,
    current_ma: float,
    capacity_ah: float,
    charge: float = 0.8,
    lowest_charge: float = 0.5,
    self_discharge_a_day: float = SELF_DISCHARGE_A_DAY,
    limit_ma: float = USUAL_LIMIT_MA,
) -> SleepForecast:
    """Days until the charge has fallen from ``charge`` to ``lowest_charge`` (both 0..1).

    Raises:
        InputError: figures that make no sense.
    """
    checks = (
        (0 <= current_ma <= MOST_MA, f"a current of {current_ma} mA is none"),
        (0 < capacity_ah <= 1000, f"a battery of {capacity_ah} Ah is none"),  # noqa: PLR2004
        (0 <= lowest_charge <= charge <= 1, "charges are not 0 <= lowest <= charge <= 1"),
        (0 <= self_discharge_a_day <= 1, "self-discharge is not in 0..1 a day"),
        (current_ma > 0 or self_discharge_a_day > 0, "nothing discharges the battery"),
    )
    mistakes = [text for right, text in checks if not right]
    if mistakes:
        raise InputError(
            what="the sleep current cannot be judged",
            where="sleep current",
            why="; ".join(mistakes),
            next_step="correct the figures",
        )
    drain_ah = HOURS_A_DAY * current_ma / 1000 + self_discharge_a_day * capacity_ah
    if current_ma >= KEPT_AWAKE_MA:
        verdict = SleepVerdict.KEPT_AWAKE
    else:
        verdict = SleepVerdict.HIGH if current_ma > limit_ma else SleepVerdict.USUAL
    return SleepForecast(
        current_ma=current_ma,
        days=(charge - lowest_charge) * capacity_ah / drain_ah,
        verdict=verdict,
        limit_ma=limit_ma,
    )


def compare_sleep(
    *,
    before_ma: float,
    after_ma: float,
    capacity_ah: float,
    charge: float = 0.8,
    lowest_charge: float = 0.5,
    self_discharge_a_day: float = SELF_DISCHARGE_A_DAY,
) -> SleepComparison:
    """Forecast both currents with the same battery."""
    before, after = (
        forecast_sleep(
            current_ma=current_ma,
            capacity_ah=capacity_ah,
            charge=charge,
            lowest_charge=lowest_charge,
            self_discharge_a_day=self_discharge_a_day,
        )
        for current_ma in (before_ma, after_ma)
    )
    return SleepComparison(before=before, after=after)


@dataclass(frozen=True, slots=True, kw_only=True)
class SleepByRule:
    """Both forecasts by one published rule.

    Attributes:
        rule: the rule in words.
        source: where it was read.
        usable_ah: charge that may be lost.
        comparison: days before and after.
    """

    rule: str
    source: str
    usable_ah: float
    comparison: SleepComparison


def compare_by_rule(
    *,
    before_ma: float,
    after_ma: float,
    capacity_ah: float,
    charge: float = 0.8,
    lowest_charge: float = 0.5,
    reserve_minutes: float | None = None,
    rest_volts: float | None = None,
    chemistry: Chemistry = Chemistry.FLOODED,
) -> tuple[SleepByRule, ...]:
    """Forecast both currents by every published rule; how far they lie apart is the uncertainty.

    Args:
        before_ma: current without the module.
        after_ma: current with it.
        capacity_ah: rated capacity.
        charge: charge when parked.
        lowest_charge: charge that still starts the car.
        reserve_minutes: reserve capacity (minutes at 25 A down to 10.5 V), where it is known.
        rest_volts: measured rest voltage; the charge is then read from each published table.
        chemistry: whose tables these are.

    Raises:
        InputError: figures that make no sense.
    """
    compare_sleep(
        before_ma=before_ma,
        after_ma=after_ma,
        capacity_ah=capacity_ah,
        charge=charge,
        lowest_charge=lowest_charge,
    )
    kept = (charge - lowest_charge) * capacity_ah
    rules = [
        *_list_self_discharges(f"{charge:.0%} to {lowest_charge:.0%}", kept),
        *_list_bulletin_rules(reserve_minutes),
    ]
    if rest_volts is not None:
        rules += [
            _Rule(
                f"{rest_volts:g} V is {guess.charge:.0%}: {guess.table}",
                guess.source,
                max(0.0, guess.charge - lowest_charge) * capacity_ah,
            )
            for guess in guess_charge(rest_volts, chemistry=chemistry)
        ]
    return tuple(
        SleepByRule(
            rule=each.name,
            source=each.source,
            usable_ah=each.usable_ah,
            comparison=compare_sleep(
                before_ma=before_ma,
                after_ma=after_ma,
                capacity_ah=capacity_ah,
                charge=min(1.0, each.usable_ah / capacity_ah),
                lowest_charge=0.0,
                self_discharge_a_day=each.self_discharge_a_day,
            ),
        )
        for each in rules
    )


@dataclass(frozen=True, slots=True)
class _Rule:
    name: str
    source: str
    usable_ah: float
    self_discharge_a_day: float = SELF_DISCHARGE_A_DAY


def _list_self_discharges(span: str, kept_ah: float) -> list[_Rule]:
    return [
        _Rule(f"{span}, {name}", source, kept_ah, leak)
        for name, source, leak in (
            ("0.1 % a day", "AGM, upper end of what makers say", SELF_DISCHARGE_A_DAY),
            ("5 % a month", "data sheet of a sealed battery at 20 degC", SEALED_A_DAY),
            ("0.5 % a day", "trade page, old flooded battery", OLD_FLOODED_A_DAY),
        )
    ]


def _list_bulletin_rules(reserve_minutes: float | None) -> list[_Rule]:
    bulletin = "copy of a service bulletin"
    rules = [_Rule(f"{lost:g} Ah lost", bulletin, lost) for lost in LOST_AH]
    if reserve_minutes is None:
        return rules
    if not 0 < reserve_minutes <= 1000:  # noqa: PLR2004 - more than any battery has
        raise InputError(
            what="the sleep current cannot be judged",
            where="reserve capacity",
            why=f"{reserve_minutes} minutes are none",
            next_step="give the minutes at 25 A printed on the battery, or leave it out",
        )
    usable = RESERVE_SHARE * AH_A_RESERVE_MINUTE * reserve_minutes
    name = f"40 % of 0.6 Ah a minute of reserve, {reserve_minutes:g} min"
    return [*rules, _Rule(name, bulletin, usable)]
