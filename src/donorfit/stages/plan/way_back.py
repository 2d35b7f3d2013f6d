"""How a unit comes back to the software that it had, wherever its downloads were cut."""

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise

from donorfit.ordering import find_ways_back
from donorfit.records.change_record import StepState
from donorfit.records.plan import Step
from donorfit.stages.plan.software import parse_version
from donorfit.vehicle.control_unit import ControlUnit, SoftwareBlock
from donorfit.vehicle.identity import SoftwareVersion

MAY_BE_DONE = frozenset((StepState.DONE, StepState.ALREADY, StepState.UNCERTAIN))
"""States of a step that may have changed the car."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WayBack:
    """How a unit comes back to its old software.

    Attributes:
        blocks: what is loaded, in order; empty where no way leads there.
        passed_by: versions that the unit may have and that no block of it may replace.
    """

    blocks: tuple[SoftwareBlock, ...]
    passed_by: tuple[str, ...] = ()


def list_possible(downloads: tuple[Step, ...], states: Mapping[str, StepState]) -> tuple[str, ...]:
    """Versions that a unit may have now, the newest first; the one before all of it comes last."""
    possible = [downloads[0].software_before]
    for step in downloads:
        state = states.get(step.id)
        if state in MAY_BE_DONE and state is not StepState.UNCERTAIN:
            possible = [possible[0]]
        if state in MAY_BE_DONE:
            possible.append(step.software_after)
    return tuple(reversed(possible))


def find_way_back(unit: ControlUnit, hardware: str, possible: tuple[str, ...]) -> WayBack | None:
    """The cheapest way back that leads through every version that the unit may have.

    Where none leads through all of them it is the cheapest from the newest, which the unit has
    unless a download was cut before it was begun.
    """
    versions = [parse_version(each) for each in possible]
    known = [each for each in versions if each is not None]
    if len(known) < len(versions):
        return None
    blocks: list[SoftwareBlock] = []
    for newer, older in pairwise(known):
        part = _go_back(unit, hardware, newer, older)
        if part is None:
            break
        blocks += part
    else:
        return WayBack(blocks=tuple(blocks))
    whole = _go_back(unit, hardware, known[0], known[-1])
    if whole is None:
        return None
    passed_by = tuple(
        str(each) for each in known[1:-1] if not any(block.may_replace(each) for block in whole)
    )
    return WayBack(blocks=whole, passed_by=passed_by)


def _go_back(
    unit: ControlUnit, hardware: str, newer: SoftwareVersion, older: SoftwareVersion
) -> tuple[SoftwareBlock, ...] | None:
    ways = find_ways_back(
        unit.software_blocks, hardware, newer, restart_seconds=unit.reset_seconds
    )
    return ways.trace(older)
