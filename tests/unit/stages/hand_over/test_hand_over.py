"""The hand-over holds one job's records, whole and of one car, and its recipe holds no identity."""

from dataclasses import replace
from typing import Any

import pytest

from donorfit.errors import InputError, SafetyError
from donorfit.records.encoding import compute_digest, decode, encode
from donorfit.records.handover import Handover
from donorfit.records.plan import PlanPurpose
from donorfit.stages.hand_over import hand_over
from donorfit.vehicle.network import OpticalRing, RingHop


def give(job: Any, *, mask: Any = False, **other: Any) -> Any:
    names = ("pack", "survey", "bench", "report", "plan", "preparation", "change", "proof")
    return hand_over(*(other.get(name, getattr(job, name)) for name in names), mask=mask)


def test_holds_every_record_with_its_digest(job: Any) -> None:
    handover = give(job)
    digests = dict(handover.digests)
    assert digests["pack"] == job.pack.digest
    assert digests["plan"] == compute_digest(handover.plan) == compute_digest(job.plan)
    assert digests["proof"] == compute_digest(job.proof)
    assert list(digests) == [
        "pack", "survey", "bench survey", "fit report", "plan", "preparation", "change record",
        "proof",
    ]  # fmt: skip
    assert handover.title == (
        "Towing control unit, second generation fitted into Merle, 2018 to 2024, built 2020-03"
    )


def test_equal_records_give_equal_bytes_and_come_back(job: Any) -> None:
    first, second = give(job), give(job)
    assert encode(first) == encode(second)
    assert decode(encode(first), Handover) == first


def test_without_bench_and_proof(towing_job: Any) -> None:
    survey = towing_job.build_survey()
    report = towing_job.build_report(survey, None)
    plan = towing_job.build_plan(survey, report)
    preparation = towing_job.build_preparation(plan, survey)
    change = towing_job.build_change(plan, preparation)
    pack = towing_job.build_pack()
    handover = hand_over(pack, survey, None, report, plan, preparation, change, None)
    assert not handover.recipe.proved
    assert "bench survey" not in dict(handover.digests)
    assert "proof" not in dict(handover.digests)


@pytest.mark.parametrize(
    ("name", "changes", "said"),
    [
        ("survey", {"taken_at": "2026-11-22T09:12:40+01:00"}, "fit report"),
        ("bench", {"supply_volts": 11.0}, "fit report"),
        ("report", {"as_it_stands": True}, "plan"),
        ("plan", {"seconds": 1.0}, "preparation"),
        ("preparation", {"supply_volts": 12.0}, "change record"),
        ("change", {"finished": False}, "proof"),
    ],
)
def test_a_record_of_another_job_is_named(job: Any, name: Any, changes: Any, said: Any) -> None:
    with pytest.raises(InputError) as caught:
        give(job, **{name: replace(getattr(job, name), **changes)})
    files = {mistake.file for mistake in caught.value.mistakes}
    assert said in files
    assert "made from another" in str(caught.value)


def test_all_broken_links_are_reported_together(job: Any) -> None:
    other = replace(job.pack, digest="0" * 64)
    with pytest.raises(InputError) as caught:
        give(job, pack=other, change=replace(job.change, finished=False))
    files = [mistake.file for mistake in caught.value.mistakes]
    assert sorted(files) == ["bench survey", "fit report", "plan", "proof", "survey"]


def test_two_cars_are_refused_for_safety(job: Any, towing_job: Any) -> None:
    with pytest.raises(SafetyError) as caught:
        give(job, proof=replace(job.proof, vin=towing_job.DONOR_VIN))
    assert towing_job.DONOR_VIN in str(caught.value)


def test_a_step_that_the_plan_does_not_have_is_named(job: Any) -> None:
    steps = (*job.change.steps, replace(job.change.steps[0], step="s99"))
    with pytest.raises(InputError, match="s99"):
        give(job, change=replace(job.change, steps=steps))


def test_another_module_is_named(job: Any) -> None:
    with pytest.raises(InputError, match="seat_2"):
        give(job, report=replace(job.report, module="seat_2"))


def test_an_undo_needs_no_fit_report_of_its_own(job: Any, towing_job: Any) -> None:
    plan = replace(job.plan, purpose=PlanPurpose.UNDO, report_digest="", preparation_digest="a")
    preparation = towing_job.build_preparation(plan, job.survey)
    change = towing_job.build_change(plan, preparation)
    proof = towing_job.build_proof(plan, change)
    handover = give(job, plan=plan, preparation=preparation, change=change, proof=proof)
    assert handover.title.endswith("taken back")


def test_an_unfinished_job_says_so(job: Any, towing_job: Any) -> None:
    change = replace(job.change, finished=False, stop_reason="link lost")
    handover = give(job, change=change, proof=towing_job.build_proof(job.plan, change))
    assert "not finished" in handover.title


@pytest.mark.parametrize("mask", [False, True])
def test_recipe_holds_no_identity(job: Any, towing_job: Any, mask: Any) -> None:
    vin, serial = towing_job.HOST_VIN, job.survey.units[0].serial
    steps = (
        replace(
            job.plan.steps[0], what=f"Write to {vin.lower()} {vin.encode().hex(' ')} {serial}"
        ),
        *job.plan.steps[1:],
    )
    plan = replace(job.plan, steps=steps)
    preparation = towing_job.build_preparation(plan, job.survey)
    change = towing_job.build_change(plan, preparation)
    proof = towing_job.build_proof(plan, change)
    handover = give(job, plan=plan, preparation=preparation, change=change, proof=proof, mask=mask)
    text = encode(handover.recipe).decode()
    assert "Write to hidden hidden hidden" in text
    for secret in (vin, serial, vin.encode().hex()):
        assert secret.lower() not in text.lower()
    assert "learnt_lamps" not in text


def test_recipe_holds_what_the_next_car_needs(job: Any) -> None:
    recipe = give(job).recipe
    assert recipe.proved
    assert str(recipe.month_after) == "2021-07"
    assert "tow_electronics_2" in recipe.options_added
    assert "bumper_plain" in recipe.options_removed
    assert recipe.software == (("gateway", "4.3.1"),)
    assert ("lighting", "Rear lamps", "trailer_lamps", 0, 1) in recipe.fields
    # derived alike before and after: the owner's own wishes are no part of a recipe
    assert not any(field[2] == "welcome_light" for field in recipe.fields)
    assert len(recipe.steps) == len(job.plan.steps)


def test_mask_hides_identity_everywhere(job: Any, towing_job: Any) -> None:
    """No VIN, no serial number, as text, bytes or hex, in any record; digests stay the true ones."""
    vin = towing_job.HOST_VIN
    unit = replace(
        job.survey.units[1],
        refusals=(f"0x22 0xF190 gave {vin.encode().hex(' ').upper()}",),
        records=(replace(job.survey.units[0].records[0], data=b"ab" + vin.encode() + b"cd"),),
    )
    survey = replace(job.survey, units=(job.survey.units[0], unit, *job.survey.units[2:]))
    report = towing_job.build_report(survey, job.bench)
    plan = towing_job.build_plan(survey, report)
    preparation = towing_job.build_preparation(plan, survey)
    change = towing_job.build_change(plan, preparation)
    proof = towing_job.build_proof(plan, change)
    records = {
        "survey": survey, "report": report, "plan": plan, "preparation": preparation,
        "change": change, "proof": proof,
    }  # fmt: skip
    handover = give(job, mask=True, **records)
    text = encode(handover).decode().lower()
    secrets = {vin, *(each.serial for each in survey.units if each.serial)}
    assert len(secrets) > 10
    for secret in secrets:
        assert secret.lower() not in text
        assert secret.encode().hex() not in text
        assert secret.encode().hex(" ") not in text
    assert "5a3c" not in text, "a learnt value of this very unit is shown"
    assert handover.masked
    assert dict(handover.digests)["survey"] == compute_digest(survey)
    assert handover.plan.month_after == plan.month_after


def test_mask_keeps_lengths_and_other_bytes(job: Any) -> None:
    plain, masked = give(job), give(job, mask=True)
    for before, after in zip(plain.plan.edits, masked.plan.edits, strict=True):
        assert len(before.after) == len(after.after)
    assert masked.plan.edits[0] == plain.plan.edits[0]
    assert masked.plan.edits[4].after[8:10] == b"**"


def test_a_module_on_the_ring_brings_its_margins(job: Any, towing_job: Any) -> None:
    """Three hops; the tuner does not answer, so its two hops become one."""
    hops = [("media_source", "tuner", 1.0), ("tuner", "tow_control", 2.0)]
    hops += [("tow_control", "media_source", 3.0)]
    ring = OpticalRing(
        name="ring",
        master="media_source",
        hops=tuple(RingHop(source=a, target=b, length_m=c) for a, b, c in hops),
    )
    module = replace(job.pack.modules[0], on_ring=True)
    units = tuple(
        replace(unit, answered=unit.unit != "tuner") if unit.unit == "tuner" else unit
        for unit in job.survey.units
    )
    survey = replace(job.survey, units=units)
    pack = replace(job.pack, ring=ring, modules=(module,))

    report = towing_job.build_report(survey, job.bench)
    plan = towing_job.build_plan(survey, report)
    preparation = towing_job.build_preparation(plan, survey)
    change = towing_job.build_change(plan, preparation)
    handover = give(
        job, pack=pack, survey=survey, report=report, plan=plan, preparation=preparation,
        change=change, proof=towing_job.build_proof(plan, change),
    )  # fmt: skip
    assert [(arc.source, arc.target, arc.added) for arc in handover.ring] == [
        ("media_source", "tow_control", True),
        ("tow_control", "media_source", True),
    ]
    assert give(job).ring == ()
