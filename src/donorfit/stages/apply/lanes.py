"""One lane: steps one after the other, each closed before the next one begins.

A lane knows nothing of the lanes beside it. What one of them meets never changes what another one
asks, so that the journal of each can be replayed by itself.
"""

from collections.abc import Generator, Mapping
from dataclasses import dataclass
from functools import partial
from typing import Any, assert_never

from donorfit.diagnostics.conversation import Mark, MarkKind, Pause
from donorfit.diagnostics.readings import Missing, read_supply
from donorfit.records.change_record import StepResult, StepState, SupplyReading
from donorfit.records.plan import Step, StepKind
from donorfit.stages.apply.deeds import StepOutcome
from donorfit.stages.apply.program import make_watch, program
from donorfit.stages.apply.write import clear_faults, reset, write
from donorfit.vehicle.control_unit import ControlUnit
from donorfit.vehicle.identity import UnitId
from donorfit.vehicle.pack import Pack

SUPPLY_LOOKS = 5
SUPPLY_PAUSE_S = 10.0

GOOD_STATES = frozenset((StepState.DONE, StepState.ALREADY))


@dataclass(frozen=True, slots=True, kw_only=True)
class LaneEnd:
    """How a lane ended.

    Attributes:
        results: what became of the steps that were begun.
        stop: why the lane stopped before its end; empty where it did not.
        supply: supply as it was read before the steps.
    """

    results: tuple[StepResult, ...]
    stop: str
    supply: tuple[SupplyReading, ...]


def run_lane(
    pack: Pack,
    steps: tuple[Step, ...],
    software: Mapping[str, bytes],
    begun: frozenset[str],
    *,
    marked: bool,
    safe: bool = True,
    downloads: tuple[Step, ...] = (),
) -> Generator[Any, Any, LaneEnd]:
    """Carry out steps in a row; the first that does not end well is the last.

    Args:
        pack: the car family.
        steps: the steps.
        software: what every software file holds.
        begun: steps after which a unit may be in its boot loader.
        marked: whether the journal gets a mark where a step begins and where it is closed.
        safe: whether the work can stop before the first step with a car that works.
        downloads: every download of the plan, those of other lanes and rounds too.
    """
    results: list[StepResult] = []
    supply: list[SupplyReading] = []
    stop = ""
    for step in steps:
        if marked:
            yield Mark(kind=MarkKind.OPENED, what=step.id, unit=step.unit, safe=safe)
        safe = step.safe_after
        stop = yield from _wait_for_supply(
            pack, step, supply, blind=_is_meter_begun(pack, step, begun, downloads)
        )
        if stop:
            break
        unit = pack.find_unit(step.unit)
        if unit is None or (unit.system.read_only and step.kind is not StepKind.CLEAR_FAULTS):
            result = StepOutcome(state=StepState.SKIPPED, detail="this unit is never written")
        else:
            row = tuple(each for each in downloads if each.unit == unit.id)
            result = yield from _run_step(
                pack, unit, step, software, begun=begun, row=row, supply=supply
            )
        results.append(describe_step(step, result))
        if result.state not in GOOD_STATES:
            stop = f"{step.id} {step.what}: {result.state.value}. {result.detail}".strip()
            break
        if marked:
            yield Mark(kind=MarkKind.CLOSED, what=step.id, unit=step.unit)
    return LaneEnd(results=tuple(results), stop=stop, supply=tuple(supply))


def describe_step(step: Step, result: StepOutcome) -> StepResult:
    """What became of a step, for the record."""
    return StepResult(
        step=step.id,
        unit=step.unit,
        what=step.what,
        state=result.state,
        detail=result.detail,
        looked_again=result.looks,
        held=result.held,
    )


def _is_meter_begun(
    pack: Pack, step: Step, begun: frozenset[str], downloads: tuple[Step, ...]
) -> bool:
    """Whether a begun download comes back to a car whose meter is in its boot loader itself.

    The work goes on there only after a person has measured, see the look before it.
    """
    meter = pack.supply.unit if pack.supply else ""
    return step.id in begun and any(each.id in begun and each.unit == meter for each in downloads)


def _wait_for_supply(
    pack: Pack, step: Step, readings: list[SupplyReading], *, blind: bool
) -> Generator[Any, Any, str]:
    """Say why the supply is not good enough for a step; empty where it is.

    One that cannot be read is good enough where the work goes on ``blind``. What was read goes
    into ``readings``, so that the record can hold it against the forecast.
    """
    window = pack.supply
    unit = pack.find_unit(UnitId(window.unit)) if window else None
    if window is None or unit is None or step.kind in {StepKind.RESET, StepKind.CLEAR_FAULTS}:
        return ""
    reason = ""
    for look in range(SUPPLY_LOOKS):
        volts = yield from read_supply(unit, window.identifier, window.volts_per_bit)
        if not isinstance(volts, Missing):
            readings.append(SupplyReading(step=step.id, volts=volts))
        if isinstance(volts, Missing) and blind:
            return ""
        if isinstance(volts, Missing):
            reason = f"the supply could not be read: {volts.why}"
        elif window.lowest_volts <= volts <= window.highest_volts:
            return ""
        else:
            reason = (
                f"the supply is at {volts:.2f} V, "
                f"outside {window.lowest_volts:.1f} to {window.highest_volts:.1f} V"
            )
        if look + 1 < SUPPLY_LOOKS:
            yield Pause(seconds=SUPPLY_PAUSE_S, why=reason)
    return reason


def _run_step(
    pack: Pack,
    unit: ControlUnit,
    step: Step,
    software: Mapping[str, bytes],
    *,
    begun: frozenset[str],
    row: tuple[Step, ...],
    supply: list[SupplyReading],
) -> Generator[Any, Any, StepOutcome]:
    match step.kind:
        case StepKind.WRITE_OPTION_LIST | StepKind.WRITE_RECORD:
            again = partial(_wait_for_supply, pack, step, supply, blind=False)
            return (yield from write(unit, step, again))
        case StepKind.PROGRAM:
            data = software[step.software_file]
            watch = make_watch(pack)
            return (
                yield from program(
                    unit,
                    step,
                    data,
                    begun=step.id in begun,
                    watch=watch,
                    row=row,
                    all_begun=begun,
                )
            )
        case StepKind.RESET:
            return (yield from reset(unit, step))
        case StepKind.CLEAR_FAULTS:
            return (yield from clear_faults(unit, step))
        case _:
            assert_never(step.kind)
