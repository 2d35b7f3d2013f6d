"""Codes that are there now: no surprise, or worth worrying about."""

import pytest

from donorfit.faults import ActiveCause, Concern, count_concerns, judge_present
from donorfit.records.plan import ExpectedFault, FaultPhase
from donorfit.records.survey import FaultRead, UnitSurvey
from donorfit.vehicle.fault import Cause, CauseKind, KnownFault
from donorfit.vehicle.identity import Address, FaultCode, UnitId

UNIT = UnitId("gateway")
FAILING, CLEARED, PASSED = 0x2F, 0x50, 0x00


def survey(*codes: tuple[int, int]) -> UnitSurvey:
    return UnitSurvey(
        unit=UNIT,
        address=Address(1),
        answered=True,
        faults=tuple(FaultRead(code=FaultCode(code), status=status) for code, status in codes),
    )


def known(code: int, *kinds: CauseKind) -> KnownFault:
    causes = tuple(Cause(kind=kind, subject="tow") for kind in kinds)
    return KnownFault(unit=UNIT, code=FaultCode(code), title=f"t{code}", causes=causes)


def test_each_concern_with_its_reason_the_worrying_ones_first() -> None:
    rows = judge_present(
        [
            survey(
                (1, FAILING), (2, FAILING), (3, FAILING), (4, FAILING), (5, CLEARED), (6, PASSED)
            )
        ],
        [known(1, CauseKind.UNIT_NOT_DECLARED), known(2, CauseKind.PART_ITSELF)],
        active=[
            ActiveCause(
                kind=CauseKind.UNIT_NOT_DECLARED, subjects=frozenset(("tow",)), text="not declared"
            )
        ],
        expected=[
            ExpectedFault(
                unit=UNIT, code=FaultCode(3), title="t", phase=FaultPhase.DURING, cause="a reset"
            )
        ],
        earlier=[survey((4, FAILING))],
    )
    assert [(row.code, row.concern) for row in rows] == [
        (2, Concern.WORRYING),
        (1, Concern.EXPECTED),
        (3, Concern.EXPECTED),
        (4, Concern.EARLIER),
        (5, Concern.UNTESTED),
        (6, Concern.PASSED),
    ]
    assert "the part itself tow" in rows[0].explanation
    assert rows[1].explanation == "explained by not declared"
    assert rows[2].explanation == "the plan expects it: a reset"
    assert count_concerns(rows).startswith("6 fault codes: 1 worth worrying about, 2 expected now")


def test_what_the_work_should_have_ended_is_worrying_again() -> None:
    """Before the work the plan expects it; once it is carried out, it should be gone."""
    hoped = ExpectedFault(
        unit=UNIT, code=FaultCode(1), title="t", phase=FaultPhase.GONE_AFTER, cause="a record"
    )
    (before,) = judge_present([survey((1, FAILING))], [], expected=[hoped])
    (after,) = judge_present([survey((1, FAILING))], [], expected=[hoped], settled=[hoped])
    (clear,) = judge_present([survey((1, CLEARED))], [], expected=[hoped], settled=[hoped])
    assert (before.concern, after.concern) == (Concern.EXPECTED, Concern.WORRYING)
    assert after.explanation == "the work should have ended it: a record"
    assert clear.concern is Concern.UNTESTED


def test_an_unknown_code_is_worrying_and_said_to_be_unknown() -> None:
    (row,) = judge_present([survey((9, FAILING))], [])
    assert row.concern is Concern.WORRYING
    assert "does not know it" in row.explanation


@pytest.mark.parametrize("status", range(256))
def test_no_failure_is_ever_called_passed_or_untested(status: int) -> None:
    (row,) = judge_present([survey((9, status))], [])
    failed = bool(status & 0x2F)  # bits 0, 1, 2, 3 and 5
    assert (row.concern is Concern.WORRYING) == failed
    if not failed:
        assert (row.concern is Concern.UNTESTED) == bool(status & 0x40)
