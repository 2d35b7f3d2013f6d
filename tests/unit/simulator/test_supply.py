"""The battery and its support, against a published table and worked examples."""

import pytest

from donorfit.simulator.scenario import SupplyTruth
from donorfit.simulator.supply import discharge, rested_volts, settle


@pytest.mark.parametrize(
    ("charge", "volts"),
    # BCI table for flooded batteries, rested, 26.7 degrees Celsius
    [(1.0, 12.65), (0.75, 12.45), (0.5, 12.24), (0.25, 12.06), (0.0, 11.89)],
)
def test_rested_volts_follow_the_table(charge, volts):
    assert rested_volts(charge) == pytest.approx(volts)


def test_rested_volts_stay_within_the_table():
    assert rested_volts(-1) == 11.89
    assert rested_volts(2) == 12.65


@pytest.mark.parametrize(
    ("support_a", "charge_percent", "volts"),
    # worked by hand: 70 Ah at 80 %, 20 A for 45 min through 6 mOhm; drawn 15, 11.25 and 3.75 Ah
    [(0.0, 58.57, 12.192), (5.0, 63.93, 12.267), (15.0, 74.64, 12.417)],
)
def test_worked_examples(support_a, charge_percent, volts):
    supply = SupplyTruth(support_limit_a=support_a, internal_resistance_ohm=0.006)
    charge_ah = discharge(supply, 56.0, 20.0, 2700.0)
    assert charge_ah / 0.7 == pytest.approx(charge_percent, abs=0.01)
    assert settle(supply, charge_ah, 20.0)[0] == pytest.approx(volts, abs=0.001)


def test_enough_support_holds_its_voltage_and_charges():
    supply = SupplyTruth(support_limit_a=50.0, support_volts=13.6)
    volts, battery_a = settle(supply, 56.0, 20.0)
    assert volts == 13.6
    assert -30.0 <= battery_a < 0
    assert discharge(supply, 56.0, 20.0, 600.0) > 56.0


def test_support_at_its_limit_stays_below_its_voltage():
    supply = SupplyTruth(support_limit_a=21.0, support_volts=13.6)
    volts, battery_a = settle(supply, 56.0, 20.0)
    assert battery_a == pytest.approx(-1.0)
    assert volts < 13.6


def test_support_set_below_the_battery_gives_nothing():
    supply = SupplyTruth(support_limit_a=50.0, support_volts=11.0)
    assert settle(supply, 56.0, 20.0) == (pytest.approx(rested_volts(0.8) - 0.12), 20.0)


def test_charge_stays_between_empty_and_full():
    assert discharge(SupplyTruth(support_limit_a=0.0), 1.0, 100.0, 36_000.0) == 0.0
    assert discharge(SupplyTruth(), 69.9, 0.0, 360_000.0) == 70.0


def test_the_car_sags_as_time_goes_on(scenario, build_asker):
    from dataclasses import replace

    asker = build_asker(replace(scenario, supply=SupplyTruth(support_limit_a=0.0)))
    first = int(asker.ask(0x1010, "22d010")[6:], 16)
    asker.wait(3600.0)
    later = int(asker.ask(0x1010, "22d010")[6:], 16)
    assert later < first - 100  # 12.9 Ah of 70 are gone: some 150 mV by the table
