"""Rarer cars and packs: months, wires, keepers, donor lists, ties of fault causes."""

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from donorfit.errors import NotPossibleError, SafetyError
from donorfit.records.finding import Severity
from donorfit.records.plan import Plan
from donorfit.stages.plan import PlanChoices
from donorfit.vehicle.control_unit import System
from donorfit.vehicle.fault import Cause, CauseKind, KnownFault
from donorfit.vehicle.identity import BuildMonth, FaultCode, OptionName, SoftwareVersion, UnitId
from donorfit.vehicle.network import Cavity, Connector, PinFunction

World = Any


def list_ids(plan: Plan, severity: Severity | None = None) -> list[str]:
    return [each.id for each in plan.findings if severity in (None, each.severity)]


class TestMonths:
    def test_a_module_that_needs_an_older_car(self, world: World) -> None:
        survey = replace(world.survey, month=BuildMonth.parse("2023-05"))
        plan = replace(
            world.with_module(month_before=BuildMonth.parse("2022-09")), survey=survey
        ).plan()
        assert str(plan.month_after) == "2022-08"
        assert "before 2022-09" in plan.month_reason

    def test_no_month_that_suits_module_and_rules(self, world: World) -> None:
        with pytest.raises(NotPossibleError, match="no option list is possible there"):
            world.with_module(month_before=BuildMonth.parse("2019-01")).plan()

    def test_a_month_outside_the_family_is_told(self, world: World) -> None:
        survey = replace(world.survey, month=BuildMonth.parse("2026-01"))
        plan = replace(world, survey=survey).plan()
        assert "month-outside-family" in list_ids(plan, Severity.WARNING)


class TestOptions:
    def test_contradicting_statements_of_the_person(self, world: World) -> None:
        both = (OptionName("camera"),)
        odd = replace(world, survey=replace(world.survey, fitted=both, not_fitted=both))
        assert "fitted-and-not" in list_ids(odd.plan(), Severity.BLOCKING)

    def test_a_unit_that_answers_is_fitted_whatever_is_said(self, world: World) -> None:
        odd = replace(
            world, survey=replace(world.survey, not_fitted=(OptionName("amp"),))
        ).with_unit("amplifier", answered=True)
        plan = odd.plan()
        assert "amp" in plan.options_after
        assert "answers-but-denied" in list_ids(plan, Severity.WARNING)

    def test_wishes_are_named_as_the_reason(self, world: World) -> None:
        choices = PlanChoices(wanted=(OptionName("camera"),), unwanted=(OptionName("seat"),))
        plan = replace(world, choices=choices).plan()
        reasons = {each.option: each.reasons[0] for each in plan.option_changes}
        assert reasons["camera"] == "it was asked for"
        assert reasons["seat"] == "it was asked to be taken out"
        assert reasons["tow_2"] == "Towing unit, second generation needs it"
        assert reasons["amp"] == "Amplifier does not answer"


class TestKeepers:
    def test_no_list_read_at_all(self, world: World) -> None:
        plan = (
            world.with_unit("body", option_list=None).with_unit("gateway", option_list=None).plan()
        )
        assert list_ids(plan, Severity.BLOCKING).count("keeper-not-read") == 2

    def test_a_keeper_that_is_never_written(self, world: World) -> None:
        locked = world.with_pack_unit("body", system=System.IMMOBILISER)
        plan = locked.plan()
        assert "body" not in {step.unit for step in plan.steps}
        where = {each.where for each in plan.findings if each.id == "licensed-workshop"}
        assert "body" in where


def test_the_donors_list_tells_its_owners_wishes_apart(world: World) -> None:
    choices = PlanChoices(
        donor_options=(OptionName("tow"), OptionName("tow_2"), OptionName("camera")),
        donor_month=BuildMonth.parse("2022-02"),
    )
    plan = replace(world.with_bytes("tow_control", "070455"), choices=choices).plan()
    edit = next(each for each in plan.edits if each.unit == "tow_control")
    assert (edit.fields[0].base, edit.fields[0].result) == (1, 0)
    assert "its owner's own value 7 is not carried over" in edit.fields[0].reason


def test_software_that_explains_the_bytes_better_is_told(world: World) -> None:
    plan = world.with_unit("lighting", software="3.1").plan()
    assert "record-too-short" in list_ids(plan, Severity.BLOCKING)
    doubt = next(each for each in plan.findings if each.id == "software-version-doubtful")
    assert "software from 0 on" in doubt.what


def test_the_module_itself_may_need_software(world: World) -> None:
    plan = world.with_module(software_from=SoftwareVersion.parse("2.0")).plan()
    finding = next(each for each in plan.findings if each.id == "software-missing")
    assert "needs it itself" in finding.why


class TestWires:
    def make(self, world: World, *, described: bool) -> World:
        def connector(id_: str, number: int) -> Connector:
            cavity = Cavity(
                number=number, function=PinFunction.SUPPLY, detail="lamps", current_a=5.0
            )
            return Connector(id=id_, title=id_, shape="six", cavities=(cavity,))

        wired = world.with_module(connector="own", host_connector="host")
        connectors = (connector("own", 1), connector("host", 2)) if described else ()
        return replace(wired, pack=replace(wired.pack, connectors=connectors))

    def test_between_described_connectors(self, world: World) -> None:
        plan = self.make(world, described=True).plan()
        (wire,) = plan.wires
        assert (wire.host_cavity, wire.module_cavity) == ("host:2", "own:1")
        assert "wiring" in {each.id for each in plan.cautions}

    def test_connectors_that_the_pack_does_not_describe(self, world: World) -> None:
        plan = self.make(world, described=False).plan()
        assert plan.wires == ()
        assert "wires-not-known" in list_ids(plan, Severity.WARNING)


class TestFaultNotes:
    def make(self, world: World, *faults: KnownFault) -> World:
        return replace(world, pack=replace(world.pack, faults=faults))

    def test_ties_and_the_next_check(self, world: World) -> None:
        tied = KnownFault(
            unit=UnitId("seats"),
            code=FaultCode(0x900004),
            title="t",
            causes=(
                Cause(kind=CauseKind.OTHER_CARS_VIN),
                Cause(kind=CauseKind.SUPPLY_LOW),
            ),
        )
        plan = self.make(world, tied).plan()
        finding = next(each for each in plan.findings if each.id == "faults-explained")
        assert "1 of 4 fault codes" in finding.what
        told = " ".join(finding.evidence)
        assert "equally good: another car's VIN: seats; or supply low" in told
        assert "no known cause: B1000-02 (body), C0000-03 (brake), U1000-01 (gateway)" in told
        assert (
            finding.next_step == "Read the VIN stored in seats (true in 1 of 2, tells 1.00 bit)."
        )

    def test_a_car_without_codes(self, world: World) -> None:
        for unit in ("gateway", "body", "brake", "seats"):
            world = world.with_unit(unit, faults=())
        assert "faults-explained" not in list_ids(world.plan())


def test_a_bench_survey_of_another_pack_or_another_report(
    world: World, make_bench: Callable[[World, str], Any]
) -> None:
    bench = make_bench(world, "")
    with pytest.raises(SafetyError, match="bench survey was made with another pack"):
        replace(world, bench=replace(bench, pack_digest="cd")).plan()
    other = replace(world, bench=bench)
    report = other.report()
    from donorfit.stages.plan import make_plan

    changed = replace(bench, taken_at="2026-05-05T00:00:00+00:00")
    with pytest.raises(SafetyError, match="from another bench survey"):
        make_plan(world.pack, world.survey, report, changed)
