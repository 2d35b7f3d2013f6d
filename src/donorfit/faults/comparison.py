"""Fault codes before and after the work, sorted by the status bits."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from donorfit.faults.lists import FaultList, read_fault_list
from donorfit.faults.status import has_failed, is_proved_passed, stands, was_tested
from donorfit.records.plan import ExpectedFault, FaultPhase
from donorfit.records.proof import FaultComparison, FaultVerdict
from donorfit.records.survey import UnitSurvey
from donorfit.vehicle.fault import KnownFault
from donorfit.vehicle.fault_code import FaultStatus, write_fault_code
from donorfit.vehicle.identity import FaultCode, UnitId

_ORDER = (
    FaultVerdict.NEW,
    FaultVerdict.STILL_THERE,
    FaultVerdict.NOT_TESTED,
    FaultVerdict.EXPECTED,
    FaultVerdict.OLD,
    FaultVerdict.GONE,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Case:
    """One code with everything that its verdict rests on."""

    before: int | None
    during: int | None
    after: int | None
    answered: bool
    availability: int
    expected: ExpectedFault | None
    incomplete: bool


def _judge_absent(case: _Case) -> tuple[FaultVerdict, str]:
    if not case.answered:
        return (
            FaultVerdict.NOT_TESTED,
            "its fault codes could not be read afterwards, so nothing is shown",
        )
    if case.incomplete:
        return FaultVerdict.NOT_TESTED, "not listed, but parts of the list could not be read"
    if has_failed(case.during) and not has_failed(case.before):
        why = f", explained by {case.expected.cause}" if case.expected is not None else ""
        return FaultVerdict.GONE, f"it came up during the work{why}; not listed any more"
    return FaultVerdict.GONE, "not listed any more"


def _judge_standing(case: _Case, status: int) -> tuple[FaultVerdict, str]:
    now = (
        "its test fails"
        if status & FaultStatus.TEST_FAILED
        else "its test failed in this cycle"
        if status & FaultStatus.TEST_FAILED_THIS_OPERATION_CYCLE
        else "it is stored as confirmed"
    )
    if case.expected is not None and case.expected.phase is FaultPhase.GONE_AFTER:
        return (
            FaultVerdict.STILL_THERE,
            f"{now} though {case.expected.cause} should be settled",
        )
    if case.expected is not None:
        return FaultVerdict.EXPECTED, f"{now}; explained by {case.expected.cause}"
    if has_failed(case.before):
        return FaultVerdict.OLD, f"{now} as before; the work does not touch its causes"
    return FaultVerdict.NEW, f"{now}; it was not there before and nothing in the plan explains it"


def _judge_passing(case: _Case, status: int) -> tuple[FaultVerdict, str]:
    if not was_tested(status):
        again = (
            " since it was cleared"
            if status & FaultStatus.TEST_NOT_COMPLETED_SINCE_LAST_CLEAR
            else ""
        )
        return (
            FaultVerdict.NOT_TESTED,
            f"its test has not run{again}; it needs a whole operation cycle",
        )
    if not case.availability & FaultStatus.TEST_NOT_COMPLETED_THIS_OPERATION_CYCLE:
        return (
            FaultVerdict.NOT_TESTED,
            "the unit does not report whether its test has run, so nothing is shown",
        )
    once = (
        "; it failed once since it was cleared"
        if status & FaultStatus.TEST_FAILED_SINCE_LAST_CLEAR
        else ""
    )
    return FaultVerdict.GONE, f"its test ran in this cycle and passed{once}"


def _judge(case: _Case) -> tuple[FaultVerdict, str]:
    if case.after is None:
        return _judge_absent(case)
    if stands(case.after):
        return _judge_standing(case, case.after)
    return _judge_passing(case, case.after)


def _list_codes(earlier: Sequence[FaultList | None], after: FaultList | None) -> list[FaultCode]:
    """Codes that failed earlier, and all that are listed now except those tested and passed."""
    codes = {
        each.code
        for listed in earlier
        if listed is not None
        for each in listed.faults
        if has_failed(each.status)
    }
    if after is not None:
        codes |= {
            each.code for each in after.faults if each.status and not is_proved_passed(each.status)
        }
    return sorted(codes)


def compare_faults(
    before: Iterable[UnitSurvey],
    after: Iterable[UnitSurvey],
    expected: Iterable[ExpectedFault],
    known: Iterable[KnownFault],
    *,
    during: Iterable[UnitSurvey] = (),
    incomplete: bool = False,
) -> tuple[FaultComparison, ...]:
    """Say of every fault code seen before, during or after the work what became of it.

    A code is gone only where the unit does not list it any more, or lists it with its test run in
    this cycle (bit 6 clear) and passed (bits 0, 1 and 3 clear). Status 0x50 means not tested yet.
    The rows that need attention come first. ``incomplete`` says that parts of the later list could
    not be read: then nothing is gone by not standing in it.
    """
    old = {each.unit: read_fault_list(each) for each in before}
    middle = {each.unit: read_fault_list(each) for each in during}
    new = {each.unit: read_fault_list(each) for each in after}
    hoped: dict[tuple[UnitId, FaultCode], ExpectedFault] = {}
    for each in expected:
        key = (each.unit, each.code)
        if key not in hoped or each.phase is FaultPhase.GONE_AFTER:
            hoped[key] = each
    titles = {(each.unit, each.code): each.title for each in known}
    rows = []
    for unit in dict.fromkeys((*old, *middle, *new)):
        first, halfway, last = old.get(unit), middle.get(unit), new.get(unit)
        for code in _list_codes((first, halfway), last):
            case = _Case(
                before=first.find_status(code) if first else None,
                during=halfway.find_status(code) if halfway else None,
                after=last.find_status(code) if last else None,
                answered=last is not None and last.answered,
                availability=last.availability if last else 0,
                expected=hoped.get((unit, code)),
                incomplete=incomplete,
            )
            verdict, explanation = _judge(case)
            title = titles.get((unit, code)) or f"Fault code {write_fault_code(code)}"
            rows.append(
                FaultComparison(
                    unit=unit,
                    code=code,
                    title=title,
                    status_before=case.before,
                    status_after=case.after,
                    verdict=verdict,
                    explanation=explanation,
                )
            )
    return tuple(sorted(rows, key=lambda row: (_ORDER.index(row.verdict), row.unit, row.code)))
