"""The plan of an ordinary retrofit, part by part."""

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from donorfit.configuration import decode_option_list, is_checksum_right
from donorfit.records.encoding import compute_digest, decode, encode
from donorfit.records.finding import Severity
from donorfit.records.plan import FaultPhase, FieldVerdict, Plan, RecordEdit, StepKind
from donorfit.records.survey import FaultRead, SurveyKind
from donorfit.vehicle.donor import Companion
from donorfit.vehicle.identity import BuildMonth, FaultCode, OptionName, SoftwareVersion, UnitId

World = Any


def list_kinds(plan: Plan) -> list[tuple[StepKind, str]]:
    return [(step.kind, step.unit) for step in plan.steps]


def find_edit(plan: Plan, unit: str) -> RecordEdit:
    return next(each for each in plan.edits if each.unit == unit)


def list_ids(plan: Plan, severity: Severity | None = None) -> list[str]:
    return [each.id for each in plan.findings if severity in (None, each.severity)]


class TestOptions:
    def test_needed_and_fitted_come_in_contradicted_and_absent_go_out(self, world: World) -> None:
        plan = world.plan()
        assert plan.options_before == ("amp", "bumper_plain", "seat")
        assert plan.options_after == ("seat", "tow", "tow_2")
        changes = {each.option: each.declared for each in plan.option_changes}
        assert changes == {"amp": False, "bumper_plain": False, "tow": True, "tow_2": True}
        assert all(each.reasons for each in plan.option_changes)

    def test_the_build_month_moves_to_the_nearest_possible_one(self, world: World) -> None:
        plan = world.plan()
        assert (str(plan.month_before), str(plan.month_after)) == ("2020-03", "2021-07")
        assert plan.month_reason

    def test_a_limit_of_the_module_itself_moves_it_too(self, world: World) -> None:
        plan = world.with_module(month_from=BuildMonth.parse("2022-05")).plan()
        assert str(plan.month_after) == "2022-05"
        assert "needs a build month from 2022-05 on" in plan.month_reason

    def test_nothing_is_reported_as_left_over(self, world: World) -> None:
        assert "contradiction-left" not in list_ids(world.plan())

    def test_what_the_person_says_counts(self, world: World) -> None:
        survey = replace(
            world.survey, fitted=(OptionName("camera"),), not_fitted=(OptionName("seat"),)
        )
        plan = replace(world, survey=survey).plan()
        assert plan.options_after == ("camera", "tow", "tow_2")

    def test_a_silent_unit_that_is_said_to_be_fitted_stays_with_a_warning(
        self, world: World
    ) -> None:
        plan = replace(world, survey=replace(world.survey, fitted=(OptionName("amp"),))).plan()
        assert "amp" in plan.options_after
        assert "fitted-but-silent" in list_ids(plan, Severity.WARNING)


class TestKeepers:
    def test_master_then_copy_hold_the_same_new_list(self, world: World) -> None:
        plan = world.plan()
        lists = [step for step in plan.steps if step.kind is StepKind.WRITE_OPTION_LIST]
        assert [step.unit for step in lists] == ["gateway", "body"]
        for step in lists:
            unit = world.pack.find_unit(step.unit)
            read = decode_option_list(unit.option_list, world.pack, step.after)
            assert (read.options, read.month) == (plan.options_after, plan.month_after)
        assert (lists[0].session, lists[0].security_level) == (3, 1)
        assert [step.safe_after for step in lists] == [False, True]

    def test_codes_that_the_pack_does_not_know_are_kept(self, world: World) -> None:
        held = world.survey.find_unit(UnitId("gateway")).option_list
        data = held.data[:14] + b"Z999" + held.data[18:]
        odd = replace(held, data=data, unknown=("Z999",))
        plan = world.with_unit("gateway", option_list=odd).plan()
        assert b"Z999" in plan.steps[0].after
        assert "option-list-unknown" in list_ids(plan)

    def test_a_keeper_that_was_not_read_blocks(self, world: World) -> None:
        plan = world.with_unit("body", option_list=None).plan()
        assert "keeper-not-read" in list_ids(plan, Severity.BLOCKING)


class TestRecords:
    def test_derived_values_change_and_owners_values_stay(self, world: World) -> None:
        plan = world.with_bytes("body", "00055547").plan()
        checksum = world.pack.find_unit(UnitId("body")).records[0].layouts[0].checksum
        assert "checksum-wrong" in list_ids(plan, Severity.BLOCKING)
        good = world.survey.find_unit(UnitId("body")).records[0].data
        assert is_checksum_right(checksum, good)

    def test_the_merge_goes_into_the_step(self, world: World) -> None:
        plan = world.plan()
        edit = find_edit(plan, "body")
        step = next(s for s in plan.steps if s.kind is StepKind.WRITE_RECORD and s.unit == "body")
        assert (step.before, step.after) == (edit.before, edit.after)
        verdicts = {each.name: each.verdict for each in edit.fields}
        assert verdicts == {
            "trailer": FieldVerdict.APPLIED,
            "blinks": FieldVerdict.UNCHANGED,
            "learnt": FieldVerdict.UNCHANGED,
            "checksum": FieldVerdict.RECOMPUTED,
        }

    def test_a_customised_field_survives_and_is_listed(self, world: World) -> None:
        plan = world.with_bytes("tow_control", "000255").with_bytes("seats", "05").plan()
        assert "seats" not in [edit.unit for edit in plan.edits]
        kept = next(each for each in plan.findings if each.id == "owner-values-kept")
        assert kept.evidence == ("seats, Seats (0x0901): Heating 5, derived 1",)

    def test_the_modules_values_come_from_this_cars_list(self, world: World) -> None:
        plan = world.with_bytes("tow_control", "010255").plan()
        edit = find_edit(plan, "tow_control")
        assert edit.after.hex() == "000455"
        assert "donor-values" in list_ids(plan)
        assert plan.questions == ()

    def test_a_module_declared_before_holds_this_cars_values(self, world: World) -> None:
        survey = replace(
            world.survey,
            options=tuple(map(OptionName, ("tow", "tow_2"))),
            month=BuildMonth.parse("2021-07"),
        )
        plan = replace(world, survey=survey).with_bytes("tow_control", "010455").plan()
        assert "tow_control" not in [edit.unit for edit in plan.edits]

    def test_a_conflict_is_a_question_until_it_is_answered(self, world: World) -> None:
        customised = world.with_bytes("lighting", "025555")
        plan = customised.plan()
        ids = [each.id for each in plan.questions]
        assert "lighting-0602-trailer" in ids
        assert "lighting" not in [s.unit for s in plan.steps if s.kind is StepKind.WRITE_RECORD]
        assert find_edit(plan, "lighting").fields[0].verdict is FieldVerdict.ASKED
        answered = customised.with_answers(lighting__0602__trailer="change").plan()
        assert find_edit(answered, "lighting").after.hex() == "015555"
        assert all(each.chosen for each in answered.questions)

    def test_units_that_hold_one_fact_are_kept_together(self, world: World) -> None:
        customised = world.with_bytes("lighting", "025555").with_answers(
            lighting__0602__trailer="keep"
        )
        plan = customised.plan()
        (fact,) = [each for each in plan.questions if each.id == "fact-trailer"]
        assert fact.choices == ("late", "on", "leave as they are")
        both = customised.with_answers(lighting__0602__trailer="keep", fact__trailer="late").plan()
        assert find_edit(both, "body").after[0] == 2
        leave = customised.with_answers(
            lighting__0602__trailer="keep", fact__trailer="leave as they are"
        ).plan()
        assert find_edit(leave, "body").after[0] == 1

    def test_an_unread_record_that_would_change_blocks(self, world: World) -> None:
        plan = world.with_unit("lighting", records=()).plan()
        assert "unit-not-read" in list_ids(plan, Severity.BLOCKING)
        silent = world.with_unit("lighting", answered=False, records=()).plan()
        assert "unit-not-read" in list_ids(silent, Severity.BLOCKING)

    def test_an_unread_record_that_would_not_change_does_not_matter(self, world: World) -> None:
        assert "unit-not-read" not in list_ids(world.with_unit("seats", records=()).plan())

    def test_software_without_layout_blocks(self, world: World) -> None:
        plan = world.with_unit("lighting", software="none").plan()
        assert "layout-missing" in list_ids(plan, Severity.BLOCKING)


class TestUnitsThatAreNeverWritten:
    def test_no_step_touches_the_brake_unit(self, world: World) -> None:
        plan = world.plan()
        assert "brake" not in {step.unit for step in plan.steps}
        finding = next(each for each in plan.findings if each.id == "licensed-workshop")
        assert finding.severity is Severity.WARNING
        assert "licensed" in finding.next_step

    def test_its_fault_code_is_explained_but_not_promised_to_go(self, world: World) -> None:
        expected = {each.unit: each for each in world.plan().expected_faults}
        assert expected["brake"].phase is FaultPhase.DURING
        assert "licensed workshop clears it" in expected["brake"].cause

    def test_too_old_software_there_blocks(self, world: World) -> None:
        need = Companion(
            unit=UnitId("brake"), reason="stabilises", software_from=SoftwareVersion.parse("2.0")
        )
        plan = world.with_module(companions=(need,)).plan()
        assert "software-licensed-workshop" in list_ids(plan, Severity.BLOCKING)


class TestOrder:
    def test_lists_records_resets_then_clearing(self, world: World) -> None:
        assert list_kinds(world.plan()) == [
            (StepKind.WRITE_OPTION_LIST, "gateway"),
            (StepKind.WRITE_OPTION_LIST, "body"),
            (StepKind.WRITE_RECORD, "body"),
            (StepKind.WRITE_RECORD, "lighting"),
            (StepKind.WRITE_RECORD, "tow_control"),
            (StepKind.RESET, "body"),
            (StepKind.RESET, "lighting"),
            (StepKind.RESET, "tow_control"),
            (StepKind.RESET, "gateway"),
            (StepKind.CLEAR_FAULTS, "gateway"),
            (StepKind.CLEAR_FAULTS, "body"),
            (StepKind.CLEAR_FAULTS, "lighting"),
            (StepKind.CLEAR_FAULTS, "tow_control"),
        ]

    def test_an_untouched_unit_keeps_its_fault_codes(self, world: World) -> None:
        assert "seats" not in {step.unit for step in world.plan().steps}

    def test_steps_have_ids_durations_and_currents(self, world: World) -> None:
        plan = world.plan()
        assert [step.id for step in plan.steps[:2]] == ["s01", "s02"]
        assert all(step.seconds > 0 and step.current_a >= 15 for step in plan.steps)
        assert plan.seconds == sum(step.seconds for step in plan.steps)
        assert dict(plan.identities) == {
            unit: f"S-{unit}" for unit in ("gateway", "body", "lighting", "tow_control")
        }


class TestProgramming:
    @pytest.fixture
    def old(self, world: World) -> World:
        need = Companion(
            unit=UnitId("lighting"), reason="lamps", software_from=SoftwareVersion.parse("2.9")
        )
        return world.with_module(companions=(need,))

    def test_the_oldest_block_that_is_new_enough_and_fits(self, old: World) -> None:
        step = next(s for s in old.plan().steps if s.kind is StepKind.PROGRAM)
        assert (step.software_before, step.software_after) == ("2.5", "2.9")
        assert step.session == 2

    def test_downloads_come_after_everything_that_can_be_taken_back(self, old: World) -> None:
        kinds = [step.kind for step in old.plan().steps]
        program = kinds.index(StepKind.PROGRAM)
        assert max(i for i, kind in enumerate(kinds) if kind is StepKind.WRITE_RECORD) < program
        assert min(i for i, kind in enumerate(kinds) if kind is StepKind.CLEAR_FAULTS) > program

    def test_a_record_whose_layout_changes_is_written_after_the_download(self, old: World) -> None:
        need = replace(
            old.pack.modules[0].companions[0], software_from=SoftwareVersion.parse("3.0")
        )
        plan = old.with_module(companions=(need,)).plan()
        kinds = [pair for pair in list_kinds(plan) if pair[1] == "lighting"]
        assert kinds == [
            (StepKind.PROGRAM, "lighting"),
            (StepKind.WRITE_RECORD, "lighting"),
            (StepKind.RESET, "lighting"),
            (StepKind.CLEAR_FAULTS, "lighting"),
        ]
        assert find_edit(plan, "lighting").after.hex() == "00015507"
        program = next(step for step in plan.steps if step.kind is StepKind.PROGRAM)
        assert not program.safe_after

    def test_wrong_hardware_blocks(self, old: World) -> None:
        need = replace(
            old.pack.modules[0].companions[0], software_from=SoftwareVersion.parse("3.1")
        )
        plan = old.with_module(companions=(need,)).plan()
        finding = next(each for each in plan.findings if each.id == "software-missing")
        assert finding.severity is Severity.BLOCKING
        assert "not for hardware L1" in finding.why

    def test_a_block_that_may_not_replace_what_is_there_is_passed_over(self, old: World) -> None:
        def keep_after(*versions: str) -> World:
            unit = old.pack.find_unit(UnitId("lighting"))
            assert unit is not None
            replaces = tuple(SoftwareVersion.parse(each) for each in versions)
            blocks = tuple(
                replace(each, replaces=replaces) if str(each.version) == "2.9" else each
                for each in unit.software_blocks
            )
            unit = replace(unit, software_blocks=blocks)
            units = tuple(unit if each.id == unit.id else each for each in old.pack.units)
            return replace(old, pack=replace(old.pack, units=units))

        def list_programmed(world: World) -> list[str]:
            steps = world.plan().steps
            return [step.software_after for step in steps if step.kind is StepKind.PROGRAM]

        assert list_programmed(keep_after("2.4", "2.5")) == ["2.9"]
        assert list_programmed(keep_after("2.4")) == ["3.0"]

    def test_no_block_that_may_replace_what_is_there_blocks(self, old: World) -> None:
        unit = old.pack.find_unit(UnitId("lighting"))
        assert unit is not None
        blocks = tuple(
            replace(each, replaces=(SoftwareVersion.parse("2.8"),))
            for each in unit.software_blocks
        )
        units = tuple(
            replace(each, software_blocks=blocks) if each.id == unit.id else each
            for each in old.pack.units
        )
        plan = replace(old, pack=replace(old.pack, units=units)).plan()
        finding = next(each for each in plan.findings if each.id == "software-missing")
        assert finding.severity is Severity.BLOCKING
        assert "3.0 after 2.8" in finding.why
        assert "but not after 2.5" in finding.why

    def test_unknown_software_is_a_warning(self, old: World) -> None:
        plan = old.with_unit("lighting", software="").plan()
        assert "software-unknown" in list_ids(plan, Severity.WARNING)


class TestFaults:
    def test_codes_that_the_work_settles_should_be_gone(self, world: World) -> None:
        expected = {(each.unit, each.code): each for each in world.plan().expected_faults}
        assert expected["gateway", 0xD00001].phase is FaultPhase.GONE_AFTER
        assert expected["body", 0x900002].phase is FaultPhase.GONE_AFTER
        assert ("seats", 0x900004) not in expected
        assert ("gateway", 0xD00005) not in expected

    def test_a_low_supply_at_the_survey_explains_its_codes(self, world: World) -> None:
        weak = replace(world, survey=replace(world.survey, supply_volts=11.2)).plan()
        assert 0xD00005 in {each.code for each in weak.expected_faults}


class TestTheRest:
    def test_supply_checks_cautions(self, world: World) -> None:
        plan = world.plan()
        assert plan.supply is not None
        assert plan.supply.holds
        assert [each.id for each in plan.checks] == ["lamps"]
        ids = {each.id for each in plan.cautions}
        assert {"parts-provenance", "build-month", "supply"} <= ids

    def test_no_supply_that_holds_blocks(self, world: World) -> None:
        window = replace(world.pack.supply, lowest_volts=14.9, highest_volts=15.0)
        narrow = replace(
            world, pack=replace(world.pack, supply=replace(window, base_current_a=149.0))
        )
        assert "supply-cannot-hold" in list_ids(narrow.plan(), Severity.BLOCKING)

    def test_the_same_inputs_give_the_same_digest(self, world: World) -> None:
        first, second = world.plan(), world.plan()
        assert compute_digest(first) == compute_digest(second)
        assert decode(encode(first), Plan) == first

    def test_a_car_that_is_configured_already_needs_nothing(self, world: World) -> None:
        plan = world.plan()
        done = world
        for edit in plan.edits:
            done = done.with_bytes(edit.unit, edit.after.hex())
        for step in plan.steps:
            if step.kind is StepKind.WRITE_OPTION_LIST:
                held = done.survey.find_unit(step.unit).option_list
                again = replace(
                    held, data=step.after, month=plan.month_after, options=plan.options_after
                )
                done = done.with_unit(step.unit, option_list=again)
        survey = replace(done.survey, month=plan.month_after, options=plan.options_after)
        again = replace(done, survey=survey).plan()
        assert again.steps == ()
        assert again.option_changes == ()
        assert "nothing-to-do" in list_ids(again)

    def test_a_declared_survey_can_be_planned_but_not_applied(self, world: World) -> None:
        survey = replace(world.survey, kind=SurveyKind.DECLARED, vin="", units=())
        plan = replace(world, survey=survey).plan()
        assert plan.options_after == ("amp", "seat", "tow", "tow_2")
        assert "survey-declared" in list_ids(plan, Severity.BLOCKING)
        assert plan.steps == ()

    def test_a_bench_survey_of_a_neutral_module_asks_nothing(
        self, world: World, make_bench: Callable[[World, str], Any]
    ) -> None:
        assert replace(world, bench=make_bench(world, "")).plan().questions == ()
        neutral = replace(world, bench=make_bench(world, "\xff" * 17)).plan()
        assert neutral.questions == ()

    def test_codes_are_traced_to_few_causes(self, world: World) -> None:
        finding = next(each for each in world.plan().findings if each.id == "faults-explained")
        assert finding.what == "4 of 4 fault codes can be explained by 4 causes, going back to 2."
        assert finding.evidence[0].startswith("3 of the codes go back to this: the option list")
        assert "the part itself: mat: B1000-04 (seats)" in finding.evidence
        assert finding.evidence[1].startswith("1 of the codes goes back to this:")

    def test_rubbish_in_the_fault_list_is_told(self, world: World) -> None:
        plan = world.with_unit("seats", faults=(FaultRead(code=FaultCode(0), status=1),)).plan()
        assert "fault-list-rubbish" in list_ids(plan)

    def test_a_module_read_on_the_bench_shows_its_steps_but_blocks(
        self, world: World, make_bench: Callable[[World, str], Any]
    ) -> None:
        own = world.survey.find_unit(UnitId("tow_control"))
        bench = replace(make_bench(world, ""), units=(replace(own, serial="B-1"),))
        outside = world.with_unit(
            "tow_control", answered=False, records=(), serial="", software=""
        )
        plan = replace(outside, bench=bench).plan()
        assert (StepKind.WRITE_RECORD, "tow_control") in list_kinds(plan)
        assert dict(plan.identities)["tow_control"] == "B-1"
        assert "unit-not-answering" in list_ids(plan, Severity.BLOCKING)
        assert "unit-not-read" not in list_ids(plan)
