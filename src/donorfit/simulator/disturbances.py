"""Disturbances of a scenario: which one a request meets."""

from dataclasses import replace

from donorfit.simulator.scenario import Disturbance, DisturbanceKind, Scenario
from donorfit.simulator.state import CarState
from donorfit.vehicle.identity import UnitId

_IDENTIFIER_PLACES = {0x22: slice(1, 3), 0x2E: slice(1, 3), 0x31: slice(2, 4)}
_OTHER_PLACE = slice(1, 2)


def meet(
    scenario: Scenario, car: CarState, unit: UnitId, pdu: bytes
) -> tuple[CarState, Disturbance | None]:
    """Count a request; return the car with its counts and the disturbance that is due."""
    if not scenario.disturbances:
        return car, None
    seen = list(car.seen)
    found = None
    for place, each in enumerate(scenario.disturbances):
        if not _matches(each, unit, pdu):
            continue
        seen[place] += 1
        if found is None and _is_due(each, seen[place]):
            found = each
    return replace(car, seen=tuple(seen)), found


def _matches(disturbance: Disturbance, unit: UnitId, pdu: bytes) -> bool:
    if disturbance.unit != unit or disturbance.service != pdu[0]:
        return False
    if disturbance.identifier is None:
        return True
    place = _IDENTIFIER_PLACES.get(pdu[0], _OTHER_PLACE)
    return int.from_bytes(pdu[place], "big") == disturbance.identifier


def _is_due(disturbance: Disturbance, seen: int) -> bool:
    times = disturbance.times if disturbance.kind is DisturbanceKind.BUSY else 1
    return disturbance.occurrence <= seen < disturbance.occurrence + times
