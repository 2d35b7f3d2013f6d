"""Fault codes before and after: what each status byte allows to be said."""

import pytest

from donorfit.faults import compare_faults
from donorfit.records.plan import ExpectedFault, FaultPhase
from donorfit.records.proof import FaultComparison, FaultVerdict
from donorfit.records.survey import FaultRead, UnitSurvey
from donorfit.vehicle.fault import Cause, CauseKind, KnownFault
from donorfit.vehicle.identity import Address, FaultCode, UnitId

CODE = FaultCode(0xD40087)
UNIT = UnitId("gateway")


def survey(
    *faults: tuple[int, int], answered: bool = True, availability: int = 0xFF, unit: str = UNIT
) -> UnitSurvey:
    return UnitSurvey(
        unit=UnitId(unit),
        address=Address(0x1010),
        answered=answered,
        faults=tuple(FaultRead(code=FaultCode(code), status=status) for code, status in faults),
        fault_availability=availability,
    )


def expect(phase: FaultPhase = FaultPhase.GONE_AFTER) -> ExpectedFault:
    return ExpectedFault(
        unit=UNIT, code=CODE, title="t", phase=phase, cause="tow_control is not declared"
    )


def compare(
    before: int | None,
    after: int | None,
    *,
    expected: tuple[ExpectedFault, ...] = (),
    answered: bool = True,
    availability: int = 0xFF,
) -> list[FaultComparison]:
    first = survey(*(() if before is None else ((CODE, before),)))
    last = survey(
        *(() if after is None else ((CODE, after),)), answered=answered, availability=availability
    )
    return list(compare_faults([first], [last], expected, []))


@pytest.mark.parametrize(
    ("before", "after", "verdict"),
    [
        (0x2F, None, FaultVerdict.GONE),
        (0x2F, 0x00, FaultVerdict.GONE),
        (0x2F, 0x20, FaultVerdict.GONE),
        (0x2F, 0x50, FaultVerdict.NOT_TESTED),
        (0x2F, 0x40, FaultVerdict.NOT_TESTED),
        (0x2F, 0x2F, FaultVerdict.OLD),
        (0x28, 0x28, FaultVerdict.OLD),
        (0x28, 0x68, FaultVerdict.OLD),
        (None, 0x2F, FaultVerdict.NEW),
        (None, 0x27, FaultVerdict.NEW),
        (None, 0x22, FaultVerdict.NEW),
        (None, 0x50, FaultVerdict.NOT_TESTED),
        (0x50, 0x2F, FaultVerdict.NEW),
        (0x50, 0x50, FaultVerdict.NOT_TESTED),
    ],
)
def test_status_bits_decide(before: int | None, after: int | None, verdict: FaultVerdict) -> None:
    (row,) = compare(before, after)
    assert row.verdict is verdict
    assert (row.status_before, row.status_after) == (before, after)


def test_a_code_that_should_be_gone_is_still_there() -> None:
    (row,) = compare(0x2F, 0x2F, expected=(expect(),))
    assert row.verdict is FaultVerdict.STILL_THERE
    assert "tow_control is not declared" in row.explanation


def test_cleared_is_not_gone_for_a_code_that_should_be_gone_either() -> None:
    (row,) = compare(0x2F, 0x50, expected=(expect(),))
    assert row.verdict is FaultVerdict.NOT_TESTED
    assert "has not run since it was cleared" in row.explanation


def test_confirmed_after_clearing_is_still_there_though_the_test_passes_now() -> None:
    (row,) = compare(0x2F, 0x28, expected=(expect(),))
    assert row.verdict is FaultVerdict.STILL_THERE


def test_a_code_expected_during_the_work_is_explained() -> None:
    (row,) = compare(None, 0x2F, expected=(expect(FaultPhase.DURING),))
    assert row.verdict is FaultVerdict.EXPECTED
    assert "explained by" in row.explanation


def test_gone_outweighs_during_where_both_are_expected() -> None:
    (row,) = compare(0x2F, 0x2F, expected=(expect(FaultPhase.DURING), expect()))
    assert row.verdict is FaultVerdict.STILL_THERE


def test_a_unit_that_does_not_answer_proves_nothing() -> None:
    (row,) = compare(0x2F, None, answered=False)
    assert row.verdict is FaultVerdict.NOT_TESTED
    assert "could not be read" in row.explanation
    (alone,) = compare_faults([survey((CODE, 0x2F))], [], [], [])
    assert alone.verdict is FaultVerdict.NOT_TESTED


def test_bits_that_a_unit_does_not_support_do_not_count() -> None:
    (row,) = compare(None, 0x2F, availability=0xBF)
    assert row.verdict is FaultVerdict.NEW
    (row,) = compare(0x2F, 0x20, availability=0x2F)
    assert row.verdict is FaultVerdict.NOT_TESTED
    assert "does not report whether its test has run" in row.explanation


def test_codes_that_passed_before_and_after_are_no_news() -> None:
    assert compare(0x00, 0x00) == []
    assert compare(None, 0x20) == []
    assert compare(0x50, 0x00) == []


def test_the_same_code_in_two_units_is_two_codes() -> None:
    before = [survey((CODE, 0x2F)), survey((CODE, 0x2F), unit="body")]
    after = [survey(), survey((CODE, 0x2F), unit="body")]
    rows = compare_faults(before, after, [expect()], [])
    assert [(row.unit, row.verdict) for row in rows] == [
        ("body", FaultVerdict.OLD),
        ("gateway", FaultVerdict.GONE),
    ]


def test_what_needs_attention_comes_first_with_its_title() -> None:
    known = [
        KnownFault(
            unit=UNIT, code=CODE, title="No towing", causes=(Cause(kind=CauseKind.RING_BREAK),)
        )
    ]
    rows = compare_faults(
        [survey((CODE, 0x2F), (0x012345, 0x2F))],
        [survey((0x000100, 0x2F), (0x012345, 0x50))],
        [],
        known,
    )
    assert [row.verdict for row in rows] == [
        FaultVerdict.NEW,
        FaultVerdict.NOT_TESTED,
        FaultVerdict.GONE,
    ]
    assert [row.title for row in rows] == [
        "Fault code P0001-00",
        "Fault code P0123-45",
        "No towing",
    ]
