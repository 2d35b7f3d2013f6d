"""The option list in its keepers: the bytes before and after."""

from dataclasses import dataclass

from donorfit.configuration import check_option_list, compare_option_lists, encode_option_list
from donorfit.records.finding import Finding, Severity
from donorfit.records.survey import OptionListRead, Survey
from donorfit.vehicle.control_unit import ControlUnit, OptionListStore
from donorfit.vehicle.identity import BuildMonth, OptionName
from donorfit.vehicle.pack import Pack


@dataclass(frozen=True, slots=True, kw_only=True)
class ListWrite:
    """The option list of one keeper before and after."""

    unit: ControlUnit
    store: OptionListStore
    before: bytes
    after: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class KeeperPlan:
    """Lists to be written, the master's first, and what has to be said about them."""

    writes: tuple[ListWrite, ...]
    findings: tuple[Finding, ...]


def _report_silent(unit: ControlUnit) -> Finding:
    return Finding(
        id="keeper-not-read",
        severity=Severity.BLOCKING,
        what=f"{unit.title} keeps the option list, but its list was not read.",
        where=unit.id,
        why="A list that is not read cannot be kept or restored.",
        next_step="Wake the unit and survey the car again.",
    )


def _report_read_only(unit: ControlUnit) -> Finding:
    return Finding(
        id="licensed-workshop",
        severity=Severity.WARNING,
        what=f"The option list in {unit.title} would have to change; it is not written.",
        where=unit.id,
        why=f"Units of {unit.system.value} systems are read, never written.",
        next_step="Ask a workshop that is licensed for this system.",
    )


def plan_keepers(
    pack: Pack, survey: Survey, month: BuildMonth, options: tuple[OptionName, ...]
) -> KeeperPlan:
    """Encode the new list for every keeper; entries that the pack does not know stay.

    Raises:
        InputError: an option cannot be stored, or the list does not fit.
    """
    writes: list[ListWrite] = []
    findings: list[Finding] = []
    reads: list[tuple[ControlUnit, OptionListStore, OptionListRead]] = []
    for unit in pack.list_keepers():
        store, read = unit.option_list, survey.find_unit(unit.id)
        if store is None:
            continue
        if read is None or read.option_list is None:
            findings.append(_report_silent(unit))
            continue
        held = read.option_list
        reads.append((unit, store, held))
        findings.extend(check_option_list(unit.id, store, held))
        after = encode_option_list(store, pack, month=month, options=options, unknown=held.unknown)
        if after == held.data:
            continue
        if unit.system.read_only:
            findings.append(_report_read_only(unit))
            continue
        writes.append(ListWrite(unit=unit, store=store, before=held.data, after=after))
    findings.extend(compare_option_lists((unit.id, store, held) for unit, store, held in reads))
    return KeeperPlan(writes=tuple(writes), findings=tuple(findings))
