"""Days that the parked car keeps enough charge, before and after the module."""

from dataclasses import replace
from types import SimpleNamespace

import pytest

from donorfit.records.fit_report import FitReport, Subject, Verdict
from donorfit.stages.fit_check import fit_check

Car = SimpleNamespace


def judge(car: Car, *, module_ma: float, car_ma: float) -> FitReport:
    pack = car.change_module(sleep_current_ma=module_ma)
    supply = replace(pack.supply, sleep_current_ma=car_ma)
    return fit_check(replace(pack, supply=supply), car.host, "tow_2", car.bench)


def test_the_days_are_told_before_and_after_with_their_rules(invented: Car) -> None:
    """70 Ah from 80 to 50 %, 0.1 % a day: 28 mA 28.3 days, 35 mA 23.1 days."""
    report = judge(invented, module_ma=7, car_ma=28)
    line = next(each for each in report.lines if each.title == "sleep current, 7 mA more")
    assert (line.subject, line.verdict) == (Subject.SUPPLY, Verdict.MET)
    assert "for 23 instead of 28 days" in line.reason
    assert "28.3 to 23.1 days" in line.evidence[0]
    assert len(line.evidence) == 5
    assert not any(each.id == "sleep-current-high" for each in report.findings)


@pytest.mark.parametrize(("module_ma", "words"), [(30, "high"), (300, "something stays awake")])
def test_a_high_sleep_current_is_a_warning(invented: Car, module_ma: float, words: str) -> None:
    report = judge(invented, module_ma=module_ma, car_ma=28)
    (finding,) = [each for each in report.findings if each.id == "sleep-current-high"]
    assert words in finding.why
    assert f"{28 + module_ma:g} mA" in finding.what


@pytest.mark.parametrize(("module_ma", "car_ma"), [(0, 28), (7, 0), (0, 0)])
def test_nothing_is_said_where_nothing_is_known(
    invented: Car, module_ma: float, car_ma: float
) -> None:
    report = judge(invented, module_ma=module_ma, car_ma=car_ma)
    assert not any("sleep current" in each.title for each in report.lines)
