"""Fault codes that the plan explains: the car's causes now, during the work, and after it."""

from dataclasses import dataclass, replace

from donorfit.faults import (
    ActiveCause,
    ChangedRecord,
    Situation,
    expect_faults,
    find_causes,
    has_failed,
    read_fault_list,
)
from donorfit.records.plan import ExpectedFault, FaultPhase
from donorfit.records.survey import Survey
from donorfit.stages.plan.admission import read_vin
from donorfit.stages.plan.keepers import ListWrite
from donorfit.stages.plan.merged_record import MergedRecord
from donorfit.stages.plan.options import OptionPlan
from donorfit.stages.plan.software import Programming
from donorfit.vehicle.donor import DonorModule
from donorfit.vehicle.identity import OptionName, UnitId
from donorfit.vehicle.pack import Pack

_LEFT_CODE = "; a licensed workshop clears it, as this unit is never written"


@dataclass(frozen=True, slots=True, kw_only=True)
class ExpectationSource:
    """What the causes are found from."""

    pack: Pack
    survey: Survey
    module: DonorModule
    options: OptionPlan
    lists: tuple[ListWrite, ...]
    records: tuple[MergedRecord, ...]
    programming: tuple[Programming, ...]
    donor_vin_stays: bool


def _list_fitted(source: ExpectationSource) -> frozenset[UnitId]:
    return frozenset(each.unit for each in source.survey.units if each.answered)


def _find_absent(
    source: ExpectationSource, options: frozenset[OptionName], fitted: frozenset[UnitId]
) -> frozenset[UnitId]:
    """Units that the list or every car has, and that were asked and did not answer."""
    return frozenset(
        unit.id
        for unit in source.pack.units
        if unit.id not in fitted
        and source.survey.find_unit(unit.id) is not None
        and (unit.present_option is None or unit.present_option in options)
    )


def _find_undeclared(
    source: ExpectationSource, options: frozenset[OptionName], fitted: frozenset[UnitId]
) -> frozenset[UnitId]:
    return frozenset(
        unit.id
        for unit in source.pack.units
        if unit.id in fitted
        and unit.present_option is not None
        and unit.present_option not in options
    )


def _find_foreign(source: ExpectationSource) -> frozenset[UnitId]:
    return frozenset(
        each.unit
        for each in source.survey.units
        if each.answered and read_vin(each.vin) not in ("", source.survey.vin)
    )


def _is_supply_low(source: ExpectationSource) -> bool:
    window, volts = source.pack.supply, source.survey.supply_volts
    return window is not None and volts is not None and volts < window.lowest_volts


def _make_now(source: ExpectationSource) -> Situation:
    fitted = _list_fitted(source)
    options = frozenset(source.options.options_before)
    absent = _find_absent(source, options, fitted)
    changed = {each.unit.id for each in source.records if each.written}
    return Situation(
        options=options,
        fitted=fitted,
        absent=absent,
        disagreeing=(
            *(
                ChangedRecord(
                    unit=each.unit.id, identifier=each.record.identifier, name=each.record.name
                )
                for each in source.records
                if each.changes
            ),
            *(
                ChangedRecord(unit=each.unit.id, identifier=each.store.identifier)
                for each in source.lists
            ),
        ),
        wrong=tuple(each.option for each in source.options.changes if not each.declared),
        missing=tuple(each.option for each in source.options.changes if each.declared),
        silent=absent | _find_undeclared(source, options, fitted) | changed,
        foreign_vin=_find_foreign(source),
        supply_low=_is_supply_low(source),
    )


def _make_after(source: ExpectationSource) -> Situation:
    fitted = _list_fitted(source) | {source.module.unit}
    options = frozenset(source.options.options_after)
    absent = _find_absent(source, options, fitted)
    left = [each for each in source.records if each.changes and not each.written]
    foreign = _find_foreign(source) | (
        {source.module.unit} if source.donor_vin_stays else frozenset()
    )
    return Situation(
        options=options,
        fitted=fitted,
        absent=absent,
        disagreeing=tuple(
            ChangedRecord(
                unit=each.unit.id, identifier=each.record.identifier, name=each.record.name
            )
            for each in left
        ),
        silent=absent,
        foreign_vin=foreign,
    )


def _make_during(source: ExpectationSource, now: Situation) -> Situation:
    """Written and programmed units are away for a while.

    The supply is none of the causes: the session only starts with one that holds.
    """
    away = {each.unit.id for each in source.records if each.written}
    away |= {each.unit.id for each in source.lists}
    away |= {each.unit.id for each in source.programming}
    return replace(now, silent=now.silent | away, absent=now.absent | away)


def list_causes_now(source: ExpectationSource) -> tuple[ActiveCause, ...]:
    """Causes of fault codes that are at work in the car as it stands."""
    return find_causes(source.pack, _make_now(source))


def expect(source: ExpectationSource) -> tuple[ExpectedFault, ...]:
    """Expected fault codes of the whole car, in the pack's order.

    A code of a unit that is never written stays stored there until a licensed workshop clears it,
    so it is not promised to be gone.
    """
    now = _make_now(source)
    causes: dict[str, tuple[ActiveCause, ...]] = {
        "now": find_causes(source.pack, now),
        "during": find_causes(source.pack, _make_during(source, now)),
        "after": find_causes(source.pack, _make_after(source)),
    }
    seen = {
        (unit.unit, fault.code)
        for unit in source.survey.units
        for fault in read_fault_list(unit).faults
        if has_failed(fault.status)
    }
    unread = {
        unit.id
        for unit in source.pack.units
        if (read := source.survey.find_unit(unit.id)) is None or not read.answered
    }
    expected = expect_faults(
        source.pack.faults,
        now=causes["now"],
        during=causes["during"],
        after=causes["after"],
        seen=seen,
        unread=unread,
    )
    read_only = {unit.id for unit in source.pack.units if unit.system.read_only}
    return tuple(
        replace(each, phase=FaultPhase.DURING, cause=each.cause + _LEFT_CODE)
        if each.unit in read_only and each.phase is FaultPhase.GONE_AFTER
        else each
        for each in expected
    )
