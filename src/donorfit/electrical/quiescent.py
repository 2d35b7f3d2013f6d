"""How long a parked car keeps enough charge to start.

Model: ``days = (charge - lowest charge) * C / (24 h * I + self-discharge * C)``; source: common
practice, worked figures in the tests. Measure only after the networks sleep.
"""

from dataclasses import dataclass
from enum import Enum

from donorfit.errors import InputError

HOURS_A_DAY = 24.0
SELF_DISCHARGE_A_DAY = 0.001
"""AGM, from memory; 0.5 % a day is seen for old flooded batteries, 5 % a month at 20 degC."""
USUAL_LIMIT_MA = 50.0
"""Common ceiling (trade page); 50 to 85 mA is seen on recent cars, 35 mA in a training text."""
AH_A_RESERVE_MINUTE = 0.6
"""Usable Ah of a battery per minute of reserve capacity (copy of a service bulletin)."""


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
        (current_ma >= 0, "the current is negative"),
        (capacity_ah > 0, "the battery has no capacity"),
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
