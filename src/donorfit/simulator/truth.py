"""Whether the cause of a fault code is there, judged from what the car truly is right now."""

from typing import assert_never

from donorfit.simulator.causes import (
    Cause,
    ConfigurationDisagrees,
    Demand,
    ListsDisagree,
    MessageMissing,
    MonthDisagrees,
    OptionContradicts,
    OtherCarsVin,
    RingBreak,
    Stored,
    SupplyLow,
    UnitMissing,
    UnitNotDeclared,
)
from donorfit.simulator.option_list import read_list
from donorfit.simulator.scenario import NEUTRAL_VIN, VIN, ByteTest, Scenario
from donorfit.simulator.state import BOOT_SOFTWARE, CarState
from donorfit.vehicle.expression import Condition, Facts, holds
from donorfit.vehicle.identity import BuildMonth, OptionName, SoftwareVersion, UnitId

NO_MONTH = BuildMonth(0)
"""Declared month of a car without a master, or with no month in it."""

DeclaredList = tuple[BuildMonth, frozenset[str]]


def read_declared(scenario: Scenario, car: CarState) -> DeclaredList:
    """Month and codes in the master's list; nothing where no fitted unit is master."""
    for place, truth in enumerate(scenario.units):
        if truth.fitted and truth.keeper is not None and truth.keeper.master:
            return read_own_list(scenario, car, place) or (NO_MONTH, frozenset())
    return NO_MONTH, frozenset()


def read_own_list(scenario: Scenario, car: CarState, place: int) -> DeclaredList | None:
    """Month and codes in one unit's list; None where it keeps none."""
    keeper = scenario.units[place].keeper
    content = car.units[place].read(keeper.identifier) if keeper else None
    if keeper is None or content is None:
        return None
    month, codes = read_list(content, keeper.encoding, scenario.option_bits)
    return month or NO_MONTH, codes


def is_alive(scenario: Scenario, car: CarState, unit: UnitId) -> bool:
    """Whether a unit is fitted and runs its application."""
    place = scenario.find_unit(unit)
    return place >= 0 and scenario.units[place].fitted and car.units[place].application


def is_fitted(scenario: Scenario, unit: UnitId) -> bool:
    """Whether a unit is in the car."""
    place = scenario.find_unit(unit)
    return place >= 0 and scenario.units[place].fitted


def is_sent(scenario: Scenario, car: CarState, message: str) -> bool:
    """Whether somebody sends a message."""
    return any(
        is_alive(scenario, car, each.sender)
        and all(_has_value(scenario, car, test) for test in each.sent_when)
        for each in scenario.messages
        if each.name == message
    )


def _has_value(scenario: Scenario, car: CarState, test: ByteTest | Demand) -> bool:
    place = scenario.find_unit(test.unit)
    content = car.units[place].read(test.identifier) if place >= 0 else None
    return (
        content is not None
        and test.byte < len(content)
        and content[test.byte] & test.mask == test.value
    )


def _applies(scenario: Scenario, car: CarState, place: int, condition: Condition) -> bool:
    month, codes = read_declared(scenario, car)
    try:
        software = SoftwareVersion.parse(car.units[place].software)
    except ValueError:
        software = SoftwareVersion.parse(BOOT_SOFTWARE)
    options = frozenset(OptionName(code) for code in codes)
    return holds(condition, Facts(options=options, month=month, software=software)) is True


def is_there(scenario: Scenario, car: CarState, place: int, cause: Cause) -> bool:  # noqa: C901, PLR0911 - one line a cause
    """Whether a cause of the unit at a place is there; low supply is sampled elsewhere."""
    match cause:
        case UnitNotDeclared(unit=unit, option=option):
            fitted = is_fitted(scenario, unit)
            return fitted and option not in read_declared(scenario, car)[1]
        case UnitMissing(unit=unit, option=option):
            alive = is_alive(scenario, car, unit)
            return not alive and option in read_declared(scenario, car)[1]
        case ListsDisagree():
            own = read_own_list(scenario, car, place)
            return own is not None and own != read_declared(scenario, car)
        case OptionContradicts(when=when):
            return _applies(scenario, car, place, when)
        case MonthDisagrees():
            month = read_declared(scenario, car)[0]
            too_early = cause.month_from is not None and month < cause.month_from
            return too_early or (cause.month_before is not None and month >= cause.month_before)
        case ConfigurationDisagrees(demands=demands):
            return any(
                _applies(scenario, car, place, demand.when)
                and not _has_value(scenario, car, demand)
                for demand in demands
            )
        case MessageMissing(messages=messages):
            return not all(is_sent(scenario, car, each) for each in messages)
        case OtherCarsVin(neutral_fails=neutral_fails):
            vin = car.units[place].read(VIN)
            return neutral_fails if vin == NEUTRAL_VIN else vin != scenario.vin
        case RingBreak(units=units):
            return not all(is_alive(scenario, car, each) for each in units)
        case SupplyLow() | Stored():
            return False
        case _:
            assert_never(cause)
