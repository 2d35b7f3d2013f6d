"""Forecast of a session's supply."""

import pytest

from donorfit.electrical import (
    FLOODED_TABLE,
    VOLTAGE_TABLES,
    Battery,
    compare_tables,
    forecast_supply,
    judge_support,
)
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
    assert forecast.support_current_a == 10
    assert (forecast.peak_current_a, forecast.charge_ah) == (22, 14)


def test_a_narrow_window_asks_for_load_and_what_the_battery_swallows(step, window):
    forecast = forecast_supply(steps=[step(1800, 22)], window=window(13.0, 14.5))
    assert forecast.support_current_a == 44  # 22 A and 0.31 A per Ah of 70 Ah, whole amperes
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
        {"unit_path_ohm": -1},
        {"unit_path_ohm": float("nan")},
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


def test_the_unit_sees_less_than_the_posts(step, window):
    facts = {"steps": [step(1800, 20)], "window": window(11.5)}
    near, far = forecast_supply(**facts), forecast_supply(**facts, unit_path_ohm=0.01)
    assert near.lowest_posts_volts == near.lowest_volts
    assert far.lowest_posts_volts - far.lowest_volts == pytest.approx(0.2)
    assert far.lowest_volts_unsupported == pytest.approx(near.lowest_volts_unsupported - 0.2)


def test_charge_is_told_at_both_ends(step, window):
    """65 % of 70 Ah worn to 80 %, 56 Ah. 20 A for 45 min (30 planned) are 15 Ah. 20/70 lies between
    0.17 (85 %) and 0.6 (60 %) of the data sheet: 78.3 %, so 15 of 43.8 Ah."""
    battery = Battery(capacity_ah=70, health=0.8, temperature_c=25)
    found = forecast_supply(steps=[step(1800, 20)], window=window(10.5), battery=battery)
    assert (found.first_charge, found.support_current_a) == (pytest.approx(0.65), 0)
    assert found.last_charge_unsupported == pytest.approx(
        0.65 - 15 / (56 * (0.85 - 0.25 * (20 / 70 - 0.17) / 0.43))
    )


def test_age_and_cold_cost_volts(step, window):
    facts = {"steps": [step(1800, 20)], "window": window(10.5)}

    def lowest(**more):
        battery = Battery(capacity_ah=70, **more)
        return forecast_supply(**facts, battery=battery).lowest_volts_unsupported

    assert lowest(health=0.6) < lowest(health=1.0)
    assert lowest(temperature_c=-18.0) < lowest(temperature_c=25.0)
    assert Battery(capacity_ah=70, temperature_c=25).working_resistance_ohm == 0.010
    assert Battery(
        capacity_ah=70, temperature_c=-18, health=0.5
    ).working_resistance_ohm == pytest.approx(0.040)


@pytest.mark.parametrize("health", [0.0, 0.29, 1.01, float("nan")])
def test_an_age_that_no_battery_has(health):
    with pytest.raises(InputError):
        Battery(capacity_ah=70, health=health)


@pytest.mark.parametrize("capacity", [0, -1, float("nan"), float("inf")])
def test_a_battery_of_nothing(capacity):
    with pytest.raises(InputError):
        Battery(capacity_ah=capacity)


def test_a_small_charger_is_no_supply(step, window):
    facts = {"steps": [step(1800, 22), step(900, 12)], "window": window(12.4, 14.8)}
    small = judge_support(5, **facts)
    assert (small.holds, small.small_charger, small.fails_at_minute) == (False, True, 0)
    assert small.lowest_volts < 12.4
    needed = forecast_supply(**facts).support_current_a
    enough = judge_support(needed, **facts)
    assert (enough.holds, enough.small_charger, enough.fails_at_minute) == (True, False, None)
    assert not judge_support(needed - 1, **facts).holds


def test_when_a_supply_fails_is_told(step, window):
    """12 A hold 12 A for 60 stretched minutes; then 30 A pull it down."""
    found = judge_support(12, steps=[step(2400, 12), step(1200, 30)], window=window(12.1))
    assert found.fails_at_minute == pytest.approx(60)


@pytest.mark.parametrize("current", [-1, float("nan"), 1e9])
def test_a_support_that_is_none(step, window, current):
    with pytest.raises(InputError):
        judge_support(current, steps=[step(60, 8)], window=window())


def test_a_failure_within_a_step_is_told_where_it_happens(step, window):
    """Not at the end of the step: a person would rely on minutes that are not there."""
    facts = {"window": window(12.0), "stretch": 1.0}
    whole = judge_support(0, steps=[step(3600, 15)], **facts)
    minute = whole.fails_at_minute
    assert 1 < minute < 59
    assert judge_support(0, steps=[step((minute - 0.1) * 60, 15)], **facts).holds
    assert not judge_support(0, steps=[step((minute + 0.1) * 60, 15)], **facts).holds
    halves = judge_support(0, steps=[step(60, 15)] * 60, **facts)
    assert halves.fails_at_minute == pytest.approx(minute, abs=0.05)


def test_a_current_that_no_car_takes(step, window):
    with pytest.raises(InputError):
        forecast_supply(steps=[step(60, 1001)], window=window())


def test_a_step_without_end_is_refused(step, window):
    with pytest.raises(InputError):
        forecast_supply(steps=[step(float("inf"), 8)], window=window())
    with pytest.raises(InputError):
        forecast_supply(steps=[step(60, float("nan"))], window=window())


@pytest.mark.parametrize(("table", "count"), [("flooded", 2), ("agm-high", 3)])
def test_every_table_of_the_kind_answers_by_name(step, window, table, count):
    battery = Battery(capacity_ah=70, table=VOLTAGE_TABLES[table])
    rows = compare_tables(steps=[step(1800, 22)], window=window(12.0), battery=battery)
    assert len({row.table for row in rows}) == len(rows) == count
    assert len({round(row.lowest_volts_unsupported, 3) for row in rows}) > 1


def test_a_table_that_ends_at_half_does_not_hold_up_an_empty_battery():
    table = VOLTAGE_TABLES["agm-high"]
    assert table.find_volts(0.2) < table.find_volts(0.5) == 12.05
