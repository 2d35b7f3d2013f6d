"""What happens in a car by itself as time goes on: work ends, sessions end, tests run.

Pure: the same car and the same time always give the same car.
"""

from dataclasses import replace

from donorfit.simulator.causes import SupplyLow
from donorfit.simulator.monitors import begin, begin_cycle, run_test
from donorfit.simulator.scenario import VIN, Scenario, UnitTruth
from donorfit.simulator.state import (
    AcceptBlock,
    CarState,
    FaultState,
    Flash,
    StoreRecord,
    UnitState,
)
from donorfit.simulator.supply import discharge, settle
from donorfit.simulator.truth import is_there

HEAVY_WORK_FACTOR = 2.0


def begin_car(scenario: Scenario, *, now_s: float, pace: float) -> CarState:
    """The car as the scenario describes it: every test has run for long."""
    units = tuple(_begin_unit(truth) for truth in scenario.units)
    supply = scenario.supply
    car = CarState(
        units=units,
        charge_ah=supply.battery_ah * supply.charge_percent / 100,
        at_s=now_s,
        seen=(0,) * len(scenario.disturbances),
    )
    volts = measure_volts(scenario, car)
    for place, truth in enumerate(scenario.units):
        faults = tuple(
            begin(
                each,
                failed=_is_low(each.cause, volts) or is_there(scenario, car, place, each.cause),
                now_s=now_s,
                pace=pace,
            )
            for each in truth.faults
        )
        car = car.put_unit(place, replace(car.units[place], faults=faults))
    return car


def _begin_unit(truth: UnitTruth) -> UnitState:
    memory = {VIN: truth.vin}
    memory |= {each.identifier: each.content for each in truth.records}
    if truth.keeper is not None:
        memory[truth.keeper.identifier] = truth.keeper.content
    return UnitState(memory=tuple(sorted(memory.items())), software=truth.software)


def begin_operation_cycle(
    scenario: Scenario, car: CarState, place: int, *, now_s: float, pace: float
) -> CarState:
    """The car with one unit just started: its tests have not run in this cycle yet."""
    unit = car.units[place]
    faults = tuple(
        begin_cycle(truth, fault, now_s=max(now_s, unit.away_until_s), pace=pace)
        for truth, fault in zip(scenario.units[place].faults, unit.faults, strict=True)
    )
    return car.put_unit(place, replace(unit, faults=faults))


def measure_volts(scenario: Scenario, car: CarState) -> float:
    """Supply at the units right now."""
    volts, _ = settle(scenario.supply, car.charge_ah, _sum_load(scenario, car))
    return volts if car.dip is None else min(volts, car.dip.volts)


def _sum_load(scenario: Scenario, car: CarState) -> float:
    load_a = scenario.supply.base_current_a
    for truth, unit in zip(scenario.units, car.units, strict=True):
        heavy = unit.work is not None and unit.work.heavy
        factor = HEAVY_WORK_FACTOR if heavy else 1.0
        load_a += truth.supply_current_a * factor if truth.fitted else 0.0
    return load_a


def advance(scenario: Scenario, car: CarState, now_s: float, *, pace: float) -> CarState:
    """The car at a later time; a time before its own changes nothing."""
    while True:
        due_s, place = _find_next_event(car)
        if place < 0 or due_s > now_s:
            break
        car = _pass_time(scenario, car, due_s, pace)
        car = _end_work_or_session(scenario, car, place)
    return _pass_time(scenario, car, now_s, pace) if now_s > car.at_s else car


def _find_next_event(car: CarState) -> tuple[float, int]:
    """Time and unit of the next end of a work or session, or of a dip; place -1 for none."""
    events = [
        (unit.work.until_s if unit.work is not None else unit.session_until_s, place)
        for place, unit in enumerate(car.units)
        if unit.work is not None or unit.session_until_s < float("inf")
    ]
    if car.dip is not None:
        events.append((car.dip.until_s, len(car.units)))
    return min(events, default=(0.0, -1))


def _end_work_or_session(scenario: Scenario, car: CarState, place: int) -> CarState:
    if place == len(car.units):
        return replace(car, dip=None)
    unit = car.units[place]
    if unit.work is None:
        return car.put_unit(place, unit.fall_back())
    return car.put_unit(place, finish_work(scenario.units[place], unit))


def finish_work(truth: UnitTruth, unit: UnitState) -> UnitState:
    """The unit with the effect of its work done."""
    work = unit.work
    unit = replace(unit, work=None)
    match work.effect if work is not None else None:
        case StoreRecord(identifier=identifier, content=content):
            return unit.store(identifier, content)
        case AcceptBlock(block=place):
            block = truth.blocks[place]
            for identifier, content in block.records:
                unit = unit.store(identifier, content)
            # what was written stays: a piece that is erased later takes the application with it
            flash = Flash(written=unit.flash.written)
            return replace(unit, application=True, software=block.version, flash=flash)
        case None:
            return unit


def _pass_time(scenario: Scenario, car: CarState, now_s: float, pace: float) -> CarState:
    """Time in which nothing but the charge changes; then every test that is due runs once."""
    seconds = max(0.0, now_s - car.at_s)
    if seconds:
        load_a = _sum_load(scenario, car)
        charge_ah = discharge(scenario.supply, car.charge_ah, load_a, seconds)
        car = replace(car, charge_ah=charge_ah, at_s=now_s)
    car = notice_supply(scenario, car)
    for place, truth in enumerate(scenario.units):
        if truth.fitted and car.units[place].application:
            car = _run_tests(scenario, car, place, now_s, pace)
    return car


def notice_supply(scenario: Scenario, car: CarState) -> CarState:
    """Low supply is seen at once and kept until the next test judges it."""
    volts = measure_volts(scenario, car)
    for place, truth in enumerate(scenario.units):
        if not any(_is_low(each.cause, volts) for each in truth.faults):
            continue
        faults = tuple(
            replace(fault, seen_low=True) if _is_low(each.cause, volts) else fault
            for each, fault in zip(truth.faults, car.units[place].faults, strict=True)
        )
        car = car.put_unit(place, replace(car.units[place], faults=faults))
    return car


def _is_low(cause: object, volts: float) -> bool:
    return isinstance(cause, SupplyLow) and volts < cause.below_volts


def _run_tests(
    scenario: Scenario, car: CarState, place: int, now_s: float, pace: float
) -> CarState:
    unit = car.units[place]
    if all(fault.due_s > now_s for fault in unit.faults):
        return car
    faults: list[FaultState] = []
    for truth, fault in zip(scenario.units[place].faults, unit.faults, strict=True):
        if fault.due_s <= now_s:
            failed = fault.seen_low or is_there(scenario, car, place, truth.cause)
            faults.append(run_test(truth, fault, failed=failed, now_s=now_s, pace=pace))
        else:
            faults.append(fault)
    return car.put_unit(place, replace(unit, faults=tuple(faults)))
