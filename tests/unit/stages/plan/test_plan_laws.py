"""What holds for every plan, whatever the owner had customised and whatever is fitted."""

from dataclasses import replace
from typing import Any

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from donorfit.configuration import derive, read_fields
from donorfit.equipment import check
from donorfit.errors import NotPossibleError
from donorfit.records.encoding import compute_digest
from donorfit.records.plan import FieldVerdict, Plan, StepKind
from donorfit.vehicle.expression import Facts
from donorfit.vehicle.identity import OptionName, SoftwareVersion, UnitId

World = Any
WRITES = (StepKind.WRITE_OPTION_LIST, StepKind.WRITE_RECORD)
lasting = settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=60)

owner = st.fixed_dictionaries(
    {
        "lighting": st.binary(min_size=3, max_size=3).map(bytes.hex),
        "tow_control": st.binary(min_size=3, max_size=3).map(bytes.hex),
        "seats": st.binary(min_size=1, max_size=1).map(bytes.hex),
        "brake": st.binary(min_size=1, max_size=1).map(bytes.hex),
    }
)
said = st.sets(st.sampled_from(["seat", "camera", "amp"]))
answers = st.sampled_from(["keep", "change"])


def customise(world: World, records: dict[str, str], fitted: set[str]) -> World:
    for unit, data in records.items():
        world = world.with_bytes(unit, data)
    options = tuple(sorted(map(OptionName, fitted)))
    return replace(world, survey=replace(world.survey, fitted=options))


def settle(world: World, answer: str) -> tuple[World, Plan]:
    """Answer every question until none is open."""
    for _ in range(5):
        plan = world.plan()
        open_ = [each for each in plan.questions if not each.chosen]
        if not open_:
            return world, plan
        given_answers = tuple(
            (each.id, answer if answer in each.choices else each.choices[-1]) for each in open_
        )
        choices = replace(world.choices, answers=(*world.choices.answers, *given_answers))
        world = replace(world, choices=choices)
    message = "questions do not come to an end"
    raise AssertionError(message)


def carry_out(world: World, plan: Plan) -> World:
    """The car after the plan: bytes written, the list decoded."""
    for step in plan.steps:
        if step.kind is StepKind.WRITE_RECORD:
            world = world.with_bytes(step.unit, step.after.hex())
        elif step.kind is StepKind.WRITE_OPTION_LIST:
            held = world.survey.find_unit(step.unit).option_list
            held = replace(
                held, data=step.after, month=plan.month_after, options=plan.options_after
            )
            world = world.with_unit(step.unit, option_list=held)
    survey = replace(world.survey, month=plan.month_after, options=plan.options_after)
    return replace(world, survey=survey)


@lasting
@given(records=owner, fitted=said)
def test_a_plan_only_writes_what_it_may_from_what_was_read(
    world: World, records: dict[str, str], fitted: set[str]
) -> None:
    car = customise(world, records, fitted)
    plan = car.plan()
    for step in plan.steps:
        unit = car.pack.find_unit(step.unit)
        assert not unit.system.read_only
        read = car.survey.find_unit(step.unit)
        if step.kind is StepKind.WRITE_RECORD:
            assert step.before == read.find_record(step.identifier) != step.after
        elif step.kind is StepKind.WRITE_OPTION_LIST:
            assert step.before == read.option_list.data != step.after
    kinds = [step.kind for step in plan.steps]
    assert all(
        kind is StepKind.CLEAR_FAULTS for kind in kinds[kinds.index(StepKind.CLEAR_FAULTS) :]
    )
    assert compute_digest(plan) == compute_digest(car.plan())


@lasting
@given(fitted=said)
def test_the_list_is_possible_and_says_what_is_fitted(world: World, fitted: set[str]) -> None:
    car = customise(world, {}, fitted)
    try:
        plan = car.plan()
    except NotPossibleError:
        return
    assert check(car.pack.rules, plan.options_after, plan.month_after).possible
    assert set(plan.options_after) >= fitted | {"tow_2"}
    changed = {each.option: each.declared for each in plan.option_changes}
    before, after = set(plan.options_before), set(plan.options_after)
    assert {option for option, on in changed.items() if on} == after - before
    assert {option for option, on in changed.items() if not on} == before - after


@lasting
@given(records=owner, answer=answers)
def test_a_plan_carried_out_leaves_nothing_to_plan(
    world: World, records: dict[str, str], answer: str
) -> None:
    car, plan = settle(customise(world, records, set()), answer)
    _, second = settle(carry_out(car, plan), answer)
    assert second.steps == ()
    assert second.option_changes == ()


@lasting
@given(records=owner, answer=answers)
def test_owners_values_survive_where_the_list_changes_nothing(
    world: World, records: dict[str, str], answer: str
) -> None:
    """Judged by deriving both lists anew: base = target means that the bytes read stay."""
    car, plan = settle(customise(world, records, set()), answer)
    done = carry_out(car, plan)
    for unit in car.pack.units:
        before, after = car.survey.find_unit(unit.id), done.survey.find_unit(unit.id)
        if not before.answered or unit.id == UnitId("tow_control"):
            continue
        software = SoftwareVersion.parse(before.software)
        for record in unit.records:
            layout = record.choose_layout(software)
            old, new = (
                derive(layout, Facts(options=frozenset(options), month=month, software=software))
                for options, month in (
                    (plan.options_before, plan.month_before),
                    (plan.options_after, plan.month_after),
                )
            )
            first = dict(read_fields(layout, before.find_record(record.identifier)))
            last = dict(read_fields(layout, after.find_record(record.identifier)))
            shared = {field.name for field in layout.fields if field.same_fact}
            for base, target in zip(old, new, strict=True):
                if base.raw == target.raw and base.name not in shared:
                    assert first[base.name] == last[base.name]


@lasting
@given(records=owner)
def test_every_edit_says_why(world: World, records: dict[str, str]) -> None:
    plan = customise(world, records, set()).plan()
    for edit in plan.edits:
        for field in edit.fields:
            assert field.reason
            assert field.title
            if field.verdict is FieldVerdict.APPLIED:
                assert field.result == field.target
