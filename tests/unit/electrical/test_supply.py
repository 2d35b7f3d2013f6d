"""Forecast of a session's supply."""

import pytest

from donorfit.electrical import FLOODED_TABLE, Battery, forecast_supply
from donorfit.errors import InputError


def test_a_short_light_session_needs_no_support(step, window):
    forecast = forecast_supply(steps=[step(120, 8)], window=window(11.5))
    assert (forecast.support_current_a, forecast.holds) == (0, True)
    assert forecast.minutes == 2
    assert forecast.charge_ah == pytest.approx(8 * 2 / 60)
    assert forecast.lowest_volts == forecast.lowest_volts_unsupported


def test_the_support_is_the_smallest_that_holds(step, window):
    steps = [step(1800, 22), step(900, 12)]
    forecast = forecast_supply(steps=steps, window=window(12.0))
    assert forecast.holds
    assert forecast.lowest_volts >= 12.0 > forecast.lowest_volts_unsupported
    assert forecast.support_current_a == 5
    assert (forecast.peak_current_a, forecast.charge_ah) == (22, 14)


def test_a_narrow_window_asks_for_load_and_what_the_battery_swallows(step, window):
    forecast = forecast_supply(steps=[step(1800, 22)], window=window(13.0, 14.5))
    assert forecast.support_current_a == 41  # 22 A and 0.26 A per Ah of 70 Ah, whole amperes
    assert forecast.lowest_volts == pytest.approx(13.75)


def test_no_supply_holds_through_thin_leads(step, window):
    forecast = forecast_supply(
        steps=[step(1800, 22)], window=window(13.4, 13.6), lead_resistance_ohm=0.02
    )
    assert not forecast.holds
    assert forecast.lowest_volts < 13.4


def test_points_run_over_the_stretched_time_and_hold_the_lowest(step, window):
    forecast = forecast_supply(steps=[step(600, 20), step(600, 30)], window=window(11.9))
    assert forecast.points[0][0] == 0
    assert forecast.points[-1][0] == pytest.approx(30)
    assert min(point[2] for point in forecast.points) == forecast.lowest_volts
    assert min(point[3] for point in forecast.points) == forecast.lowest_volts_unsupported
    assert "1.5 times" in forecast.source
    assert FLOODED_TABLE.name in forecast.source


def test_a_step_without_current_takes_the_cars_base_current(step, window):
    assert forecast_supply(steps=[step(3600, 0)], window=window(11.5)).charge_ah == 8


def test_nothing_planned_is_nothing_drawn(window):
    forecast = forecast_supply(steps=[], window=window())
    assert (forecast.charge_ah, forecast.support_current_a, forecast.holds) == (0, 0, True)


def test_an_empty_battery_does_not_go_below_empty(step, window):
    battery = Battery(capacity_ah=20, charge=0.2)
    forecast = forecast_supply(steps=[step(36_000, 20)], window=window(12.0), battery=battery)
    assert forecast.lowest_volts_unsupported > 11


@pytest.mark.parametrize(
    "facts",
    [
        {"stretch": 0.5},
        {"stretch": float("nan")},
        {"lead_resistance_ohm": -1},
        {"set_volts": 15.0},
    ],
)
def test_figures_that_make_no_sense(step, window, facts):
    with pytest.raises(InputError):
        forecast_supply(steps=[step(60, 8)], window=window(), **facts)
    with pytest.raises(InputError):
        forecast_supply(steps=[], window=window(14.0, 13.0))


@pytest.mark.parametrize(
    ("facts", "words"),
    [
        ({"capacity_ah": 0}, "capacity"),
        ({"capacity_ah": 70, "charge": 1.2}, "charge"),
        ({"capacity_ah": 70, "charge_spread": -1}, "spread"),
        ({"capacity_ah": 70, "resistance_ohm": 2}, "resistance"),
        ({"capacity_ah": 70, "temperature_c": 90}, "temperature"),
        ({"capacity_ah": -1, "charge": 2}, "capacity -1 Ah is not in 0..1000; charge 2"),
    ],
)
def test_a_battery_that_cannot_be(facts, words):
    with pytest.raises(InputError) as caught:
        Battery(**facts)
    assert words in caught.value.why
