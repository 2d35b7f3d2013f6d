"""The supply: a battery with resistance and charge, beside a support with a current limit.

The rested voltage follows the BCI table for flooded batteries at 26.7 degrees Celsius (12.65 V
full ... 11.89 V discharged). Charging acceptance is one resistance (common practice, no source):
far higher than the internal one, since a battery takes charge much more slowly than it gives it.
"""

from itertools import pairwise

from donorfit.simulator.scenario import SupplyTruth

CHARGING_RESISTANCE_OHM = 0.05
_LONGEST_STEP_S = 60.0
_MOST_STEPS = 600
_SECONDS_AN_HOUR = 3600.0
# BCI table: charge as a fraction, rested volts
_RESTED_VOLTS = ((0.0, 11.89), (0.25, 12.06), (0.5, 12.24), (0.75, 12.45), (1.0, 12.65))


def rested_volts(charge: float) -> float:
    """Voltage without load of a 12 V battery at a charge from 0 to 1."""
    charge = min(max(charge, 0.0), 1.0)
    for (low, low_volts), (high, high_volts) in pairwise(_RESTED_VOLTS):
        if charge <= high:
            return low_volts + (high_volts - low_volts) * (charge - low) / (high - low)
    return _RESTED_VOLTS[-1][1]


def settle(supply: SupplyTruth, charge_ah: float, load_a: float) -> tuple[float, float]:
    """Terminal volts and battery current (positive: discharging) under a load.

    Kirchhoff at one node: the support is at its current limit, or holds its voltage, or is
    overruled by a battery that stands higher.
    """
    rested = rested_volts(charge_ah / supply.battery_ah)
    battery_a = load_a - supply.support_limit_a
    volts = rested - battery_a * _resistance(supply, battery_a)
    if volts <= supply.support_volts or supply.support_limit_a <= 0:
        return volts, battery_a
    unsupported = rested - load_a * supply.internal_resistance_ohm
    if unsupported >= supply.support_volts:
        return unsupported, load_a
    lift = rested - supply.support_volts
    return supply.support_volts, lift / _resistance(supply, lift)


def _resistance(supply: SupplyTruth, battery_a: float) -> float:
    return supply.internal_resistance_ohm if battery_a >= 0 else CHARGING_RESISTANCE_OHM


def discharge(supply: SupplyTruth, charge_ah: float, load_a: float, seconds: float) -> float:
    """Charge in Ah after some time under a load, between empty and full."""
    steps = min(max(int(seconds / _LONGEST_STEP_S), 1), _MOST_STEPS)
    for _ in range(steps):
        _, battery_a = settle(supply, charge_ah, load_a)
        charge_ah -= battery_a * seconds / steps / _SECONDS_AN_HOUR
        charge_ah = min(max(charge_ah, 0.0), supply.battery_ah)
    return charge_ah
