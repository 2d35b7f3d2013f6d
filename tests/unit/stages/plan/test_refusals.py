"""When no plan is made, and when one is made that must not be applied."""

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from donorfit.errors import InputError, NotPossibleError, SafetyError
from donorfit.records.finding import Severity
from donorfit.records.fit_report import FitLine, Subject, Verdict
from donorfit.records.survey import SurveyKind
from donorfit.stages.plan import PlanChoices, make_plan
from donorfit.vehicle.identity import BuildMonth, OptionName

World = Any
OTHER = "ZZ9DF17A4TH000137"


def test_a_survey_of_another_pack(world: World) -> None:
    with pytest.raises(SafetyError, match="another pack"):
        replace(world, survey=replace(world.survey, pack_digest="cd")).plan()


def test_a_report_of_another_survey(world: World) -> None:
    other = replace(world.survey, taken_at="2026-02-02T00:00:00+00:00")
    with pytest.raises(SafetyError, match="from another survey"):
        make_plan(world.pack, other, world.report())


def test_a_report_of_another_pack(world: World) -> None:
    with pytest.raises(SafetyError, match="fit report was made with another pack"):
        make_plan(world.pack, world.survey, replace(world.report(), pack_digest="cd"))


def test_a_module_that_the_pack_does_not_have(world: World) -> None:
    with pytest.raises(InputError, match="no module 'x'"):
        make_plan(world.pack, world.survey, replace(world.report(), module="x"))


def test_a_verdict_of_impossible_names_the_reasons(world: World) -> None:
    line = FitLine(
        subject=Subject.HARDWARE, title="Hardware", verdict=Verdict.IMPOSSIBLE, reason="no pins"
    )
    report = replace(world.report(), verdict=Verdict.IMPOSSIBLE, lines=(line,))
    with pytest.raises(NotPossibleError, match="Hardware: no pins"):
        make_plan(world.pack, world.survey, report)


@pytest.mark.parametrize("vin", ["", "ZZ9", "ZZ9DF17A7SD00004I", "11111111111111111"])
def test_a_vin_that_cannot_be_right(world: World, vin: str) -> None:
    with pytest.raises(SafetyError):
        replace(world, survey=replace(world.survey, vin=vin)).plan()


def test_surveys_of_the_wrong_kind(world: World) -> None:
    with pytest.raises(InputError, match="not of a car"):
        replace(world, survey=replace(world.survey, kind=SurveyKind.BENCH)).plan()
    with pytest.raises(InputError, match="not of a module"):
        replace(world, bench=world.survey).plan()


def test_an_unknown_build_month(world: World) -> None:
    with pytest.raises(InputError, match="build month is not known"):
        replace(world, survey=replace(world.survey, month=None)).plan()


def test_facts_that_clash_are_named(world: World) -> None:
    survey = replace(world.survey, fitted=(OptionName("bumper_plain"),))
    with pytest.raises(NotPossibleError) as error:
        replace(world, survey=survey).plan()
    assert "bumper_plain" in error.value.why


def test_a_month_that_must_stay(world: World) -> None:
    fixed = replace(world, choices=PlanChoices(month_fixed=True))
    with pytest.raises(NotPossibleError):
        fixed.plan()
    with pytest.raises(NotPossibleError, match="must stay"):
        limited = world.with_module(
            month_from=BuildMonth.parse("2022-01"), options_on=(OptionName("camera"),)
        )
        free = limited.with_pack_unit("tow_control", present_option=None)
        replace(free, choices=PlanChoices(month_fixed=True)).plan()


def test_a_repair_beyond_the_last_one(world: World) -> None:
    with pytest.raises(InputError, match="ways to change"):
        replace(world, choices=PlanChoices(repair=500)).plan()


class TestModuleWithAnotherCarsVin:
    def test_it_is_a_question_with_a_legal_note_never_a_write(
        self, world: World, make_bench: Callable[[World, str], Any]
    ) -> None:
        plan = replace(world, bench=make_bench(world, OTHER)).plan()
        (question,) = plan.questions
        assert question.id == "donor-vin"
        assert OTHER in question.text
        assert "may apply" in question.text
        assert "donor-vin" in {each.id for each in plan.cautions}
        assert all(step.identifier != 0xF190 for step in plan.steps)

    def test_the_unit_in_the_car_counts_as_well(self, world: World) -> None:
        plan = world.with_unit("tow_control", vin=OTHER).plan()
        assert [each.id for each in plan.questions] == ["donor-vin"]

    def test_stop_blocks(self, world: World) -> None:
        plan = world.with_unit("tow_control", vin=OTHER).with_answers(donor__vin="stop").plan()
        blocking = [each.id for each in plan.findings if each.severity is Severity.BLOCKING]
        assert "module-carries-other-vin" in blocking

    def test_a_wrong_answer_is_refused(self, world: World) -> None:
        with pytest.raises(InputError, match="no answer"):
            world.with_unit("tow_control", vin=OTHER).with_answers(donor__vin="write it").plan()

    def test_this_cars_vin_needs_no_question(
        self, world: World, make_bench: Callable[[World, str], Any]
    ) -> None:
        assert replace(world, bench=make_bench(world, world.survey.vin)).plan().questions == ()


def test_an_unanswering_unit_that_would_be_written_blocks(world: World) -> None:
    held = world.survey.units[1].option_list
    silent = world.with_unit("body", answered=False, records=(), option_list=held).plan()
    blocking = {each.id for each in silent.findings if each.severity is Severity.BLOCKING}
    assert {"unit-not-answering", "unit-not-read"} <= blocking
