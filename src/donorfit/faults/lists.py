"""Fault lists as read: what can be used, and what is rubbish and is counted."""

from collections.abc import Iterable
from dataclasses import dataclass

from donorfit.faults.status import CODE_MAX, STATUS_MAX
from donorfit.records.finding import Finding, Severity
from donorfit.records.survey import FaultRead, UnitSurvey
from donorfit.vehicle.fault import KnownFault
from donorfit.vehicle.fault_code import write_fault_code
from donorfit.vehicle.identity import FaultCode, UnitId

_EVERY_BIT = 0xFF


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultList:
    """The usable fault codes of one unit.

    Attributes:
        unit: the control unit.
        answered: whether the unit answered at all.
        faults: codes in ascending order, each once, status masked by the availability mask.
        availability: status bits that the unit supports; all of them where it did not say.
        rubbish: entries that could not be used, in words.
    """

    unit: UnitId
    answered: bool
    faults: tuple[FaultRead, ...]
    availability: int
    rubbish: tuple[str, ...] = ()

    def find_status(self, code: FaultCode) -> int | None:
        """Status of a code; None where it is not listed."""
        return next((each.status for each in self.faults if each.code == code), None)


def read_fault_list(unit: UnitSurvey) -> FaultList:
    """Sort the fault list of one unit.

    A code of 0 or beyond three bytes and a status beyond one byte are rubbish. A code listed twice
    counts once, with the bits of both.
    """
    availability = unit.fault_availability & _EVERY_BIT or _EVERY_BIT
    usable: dict[FaultCode, int] = {}
    rubbish = []
    for each in unit.faults:
        if not 0 < each.code <= CODE_MAX:
            rubbish.append(f"code 0x{each.code:X} is none")
        elif not 0 <= each.status <= STATUS_MAX:
            rubbish.append(f"{write_fault_code(each.code)} has status 0x{each.status:X}")
        elif each.code in usable:
            rubbish.append(f"{write_fault_code(each.code)} is listed again")
            usable[each.code] |= each.status & availability
        else:
            usable[each.code] = each.status & availability
    return FaultList(
        unit=unit.unit,
        answered=unit.answered,
        faults=tuple(FaultRead(code=code, status=usable[code]) for code in sorted(usable)),
        availability=availability,
        rubbish=tuple(rubbish),
    )


def _count(number: int, one: str, many: str) -> str:
    return f"{number} {one if number == 1 else many}"


def list_fault_doubts(
    units: Iterable[UnitSurvey], known: Iterable[KnownFault]
) -> tuple[Finding, ...]:
    """Count rubbish entries, and codes that the pack does not know, unit by unit."""
    told = {(each.unit, each.code) for each in known}
    findings = []
    for unit in units:
        faults = read_fault_list(unit)
        if faults.rubbish:
            findings.append(
                Finding(
                    id="fault-list-rubbish",
                    severity=Severity.WARNING,
                    what=_count(len(faults.rubbish), "entry", "entries")
                    + " of the fault list cannot be used.",
                    where=unit.unit,
                    evidence=faults.rubbish,
                    next_step="Read the fault codes of this unit again.",
                )
            )
        strange = [each for each in faults.faults if (unit.unit, each.code) not in told]
        if strange:
            findings.append(
                Finding(
                    id="fault-unknown",
                    severity=Severity.NOTE,
                    what=_count(len(strange), "fault code is", "fault codes are")
                    + " not in the pack.",
                    where=unit.unit,
                    evidence=tuple(
                        f"{write_fault_code(each.code)} status 0x{each.status:02X}"
                        for each in strange
                    ),
                    next_step="They are compared, but nothing is known of their causes.",
                )
            )
    return tuple(findings)
