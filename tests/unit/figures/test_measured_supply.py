"""Measured supply over its forecast."""

from dataclasses import replace

import pytest

from donorfit.figures.measured_supply import (
    find_forecast,
    place_measured,
    write_measured_finding,
)
from donorfit.figures.supply import draw_supply, write_supply_finding
from donorfit.records.change_record import ChangeRecord, SupplyReading
from donorfit.records.plan import Plan, PlanPurpose, Step, StepKind, SupplyForecast
from donorfit.records.preparation import Preparation
from donorfit.records.proof import Proof
from donorfit.records.session_order import PlannedRound, SessionOrder
from donorfit.vehicle.identity import Address, UnitId

SUPPLY = SupplyForecast(
    minutes=20.0,
    charge_ah=6.0,
    peak_current_a=20.0,
    support_current_a=15.0,
    lowest_volts=12.6,
    lowest_volts_unsupported=11.9,
    window_low_volts=12.4,
    window_high_volts=14.8,
    holds=True,
    source="by hand",
    points=(
        (0.0, 15.0, 13.0, 12.3),
        (10.0, 15.0, 13.0, 12.1),
        (10.0, 20.0, 12.8, 12.0),
        (30.0, 20.0, 12.6, 11.9),
    ),
)


def make_step(name: str, turn: int = 0) -> Step:
    return Step(
        id=name,
        kind=StepKind.WRITE_RECORD,
        unit=UnitId("u"),
        address=Address(1),
        network="n",
        what="w",
        round=turn,
    )


def make_plan(*steps: Step, order: SessionOrder | None = None) -> Plan:
    return Plan(
        purpose=PlanPurpose.RETROFIT,
        pack_digest="",
        survey_digest="",
        report_digest="",
        module="m",
        vin="v",
        identities=(),
        month_before=None,
        month_after=None,
        month_reason="",
        options_before=(),
        options_after=(),
        option_changes=(),
        edits=(),
        steps=steps,
        supply=SUPPLY,
        seconds=1200,
        order=order,
    )


def make_round(number: int) -> PlannedRound:
    return PlannedRound(
        number=number,
        lanes=(),
        seconds=600,
        current_a=15,
        bytes_per_s=0,
        because="",
        restorable=False,
        safe=False,
    )


def make_order(*numbers: int) -> SessionOrder:
    return SessionOrder(
        rounds=tuple(map(make_round, numbers)),
        seconds=1200,
        row_seconds=1200,
        bound_seconds=1200,
        proved=True,
        most_units=1,
        most_current_a=None,
        gateway_bytes_per_s=None,
    )


def make_change(*readings: tuple[str, float]) -> ChangeRecord:
    return ChangeRecord(
        plan_digest="",
        preparation_digest="",
        vin="v",
        steps=(),
        finished=True,
        changed=(),
        supply=tuple(SupplyReading(step=step, volts=volts) for step, volts in readings),
    )


def make_preparation(volts: float | None) -> Preparation:
    return Preparation(
        plan_digest="",
        vin="v",
        prepared_at="",
        backups=(),
        identities=(),
        wake_checks=(),
        supply_volts=volts,
        support_current_a=20,
        ready=True,
    )


def make_proof(volts: float | None) -> Proof:
    return Proof(
        plan_digest="",
        change_digest="",
        vin="v",
        proved_at="",
        read_backs=(),
        faults=(),
        checks=(),
        proved=True,
        supply_volts=volts,
    )


def test_readings_stand_where_the_forecast_has_their_round() -> None:
    plan = make_plan(
        make_step("s1", 1), make_step("s2", 2), make_step("s3", 2), order=make_order(1, 2)
    )
    change = make_change(("s1", 13.1), ("s2", 12.9), ("s3", 12.7))
    found = place_measured(plan, make_preparation(13.4), change, make_proof(13.3))
    assert [(each.minute, each.volts, each.when) for each in found] == [
        (0.0, 13.4, "before the work"),
        (0.0, 13.1, "before s1"),
        (10.0, 12.9, "before s2"),
        (20.0, 12.7, "before s3"),
        (30.0, 13.3, "after the work"),
    ]
    assert [each.forecast_volts for each in found] == pytest.approx([13.0, 13.0, 12.8, 12.7, 12.6])


def test_a_plan_without_rounds_goes_step_by_step() -> None:
    plan = make_plan(make_step("s1"), make_step("s2"))
    found = place_measured(plan, make_preparation(None), make_change(("s2", 12.9)), None)
    assert [(each.minute, each.when) for each in found] == [(10.0, "before s2")]


def test_nothing_measured_or_nothing_forecast_is_nothing_placed() -> None:
    plan = make_plan(make_step("s1"))
    assert place_measured(plan, make_preparation(None), None, None) == ()
    bare = replace(plan, supply=None)
    assert place_measured(bare, make_preparation(13.0), None, None) == ()
    assert write_measured_finding((), SUPPLY) == ""
    assert find_forecast(replace(SUPPLY, points=()), 3.0) is None


def test_a_reading_below_the_forecast_is_told() -> None:
    plan = make_plan(make_step("s1"), make_step("s2"))
    good = place_measured(plan, make_preparation(13.4), make_change(("s1", 13.0)), None)
    said = write_measured_finding(good, SUPPLY)
    assert said == (
        "Measured 2 times: 13.00 to 13.40 V; none outside the window; "
        "none more than 0.1 V below the forecast."
    )
    bad = place_measured(plan, make_preparation(13.4), make_change(("s2", 12.3)), None)
    said = write_supply_finding(SUPPLY, bad)
    assert "1 outside the window" in said
    assert "before s2, 12.30 V instead of 12.80 V" in said


def test_the_picture_has_a_ring_for_every_reading_and_its_scale_holds_them() -> None:
    plan = make_plan(make_step("s1"), make_step("s2"))
    found = place_measured(plan, make_preparation(13.4), make_change(("s2", 10.2)), None)
    picture = draw_supply(SUPPLY, measured=found)
    assert picture.count("<circle") == 2 + 1  # one of them explains the others
    assert "measured, min 10.20" in picture
    assert ">10.0<" in picture
    assert "<circle" not in draw_supply(SUPPLY)
