"""Terminating resistors, stubs, and what a meter shows."""

import math

import pytest

from donorfit.errors import InputError
from donorfit.network.termination import (
    LINE_LIMITS,
    ResistanceVerdict,
    StubVerdict,
    compute_expected_ohm,
    judge_resistance,
    judge_stub,
    plan_resistors,
)


@pytest.mark.parametrize(
    ("ohm", "verdict"),
    [
        (0, ResistanceVerdict.SHORT),
        (40, ResistanceVerdict.TOO_MANY),
        (30, ResistanceVerdict.TOO_MANY),
        (50, ResistanceVerdict.UNCLEAR),
        (58.8, ResistanceVerdict.TWO),
        (60, ResistanceVerdict.TWO),
        (90, ResistanceVerdict.UNCLEAR),
        (120, ResistanceVerdict.ONE),
        (500, ResistanceVerdict.UNCLEAR),
        (30_000, ResistanceVerdict.NONE),
    ],
)
def test_what_a_meter_shows(ohm, verdict) -> None:
    answer = judge_resistance(ohm)
    assert answer.verdict is verdict
    assert answer.next_step


def test_resistors_in_parallel() -> None:
    assert compute_expected_ohm(2) == pytest.approx(60)
    assert compute_expected_ohm(1) == pytest.approx(120)
    assert compute_expected_ohm(3) == pytest.approx(40)
    assert compute_expected_ohm(2, inputs=10) == pytest.approx(58.8, abs=0.05)
    assert compute_expected_ohm(0) is None


def test_a_module_that_brings_a_third_one() -> None:
    plan = plan_resistors(2, module_has_one=True)
    assert (plan.after, plan.right) == (3, False)
    assert plan.expected_ohm == pytest.approx(40)
    assert plan_resistors(2).right
    assert plan_resistors(2, replaces_one=True, module_has_one=True).right
    lost = plan_resistors(2, replaces_one=True)
    assert (lost.after, lost.right) == (1, False)
    assert lost.expected_ohm == pytest.approx(120)


def test_stubs() -> None:
    assert judge_stub(500_000, 0.3).verdict is StubVerdict.FITS
    assert judge_stub(500_000, 2).verdict is StubVerdict.DOUBTFUL
    assert judge_stub(500_000, 7).verdict is StubVerdict.TOO_LONG
    assert judge_stub(125_000, 2).verdict is StubVerdict.FITS
    # Between two rows the faster one counts.
    assert judge_stub(300_000, 1).limit.bit_rate == 500_000
    rows = [each.longest_stub_m for each in LINE_LIMITS]
    assert rows == sorted(rows, reverse=True)


@pytest.mark.parametrize("bad", [-1, math.nan, math.inf])
def test_rubbish(bad) -> None:
    with pytest.raises(InputError):
        judge_resistance(bad)
    with pytest.raises(InputError):
        judge_stub(500_000, bad)


def test_more_rubbish() -> None:
    for rate in (0, -1, 2_000_000):
        with pytest.raises(InputError):
            judge_stub(rate, 0.1)
    with pytest.raises(InputError):
        plan_resistors(-1)
    with pytest.raises(InputError):
        plan_resistors(0, replaces_one=True)
    with pytest.raises(InputError):
        compute_expected_ohm(2, inputs=-1)
