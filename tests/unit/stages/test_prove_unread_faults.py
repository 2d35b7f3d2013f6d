"""A fault memory that could not be read shows nothing: no code is gone by not standing in it."""

import asyncio
import sys
from dataclasses import replace
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "job"))
from toys import (
    Nobody,
    Schedule,
    ToyConnection,
    make_car,
    make_pack,
    make_plan,
    make_preparation,
    no_sleep,
)

from donorfit.edge.journal.memory import MemoryRun
from donorfit.job.loop import Loop
from donorfit.records.change_record import ChangeRecord
from donorfit.records.encoding import compute_digest
from donorfit.records.finding import Severity
from donorfit.records.plan import ExpectedFault, FaultPhase
from donorfit.records.proof import FaultVerdict
from donorfit.records.survey import FaultRead, Survey, SurveyKind, UnitSurvey
from donorfit.stages.prove import prove
from donorfit.vehicle.identity import Address, FaultCode, UnitId

TWO = UnitId("two")
CODE = FaultCode(0x123456)
FAILED = 0x2F
PLAN = replace(
    make_plan(),
    expected_faults=(
        ExpectedFault(
            unit=TWO, code=CODE, title="", phase=FaultPhase.GONE_AFTER, cause="the old list"
        ),
    ),
)
CHANGE = ChangeRecord(
    plan_digest=compute_digest(PLAN),
    preparation_digest=compute_digest(make_preparation(PLAN)),
    vin=PLAN.vin,
    steps=(),
    finished=True,
    changed=(),
)


def make_survey(*, listed=True):
    unit = UnitSurvey(
        unit=TWO,
        address=Address(2),
        answered=True,
        faults=(FaultRead(code=CODE, status=FAILED),) if listed else (),
        fault_availability=0xFF,
    )
    return Survey(
        kind=SurveyKind.CAR,
        pack="toy",
        pack_digest="d" * 64,
        taken_at="2026-01-01T00:00:00+00:00",
        vin=PLAN.vin,
        month=None,
        options=(),
        units=(unit,),
    )


def prove_on(change_car, survey=None):
    car = make_car()
    for step in PLAN.steps:
        if step.before:
            car.units[step.address].memory[step.identifier] = step.after
        if step.software_after:
            car.program(step.address, step.software_after)
    change_car(car)
    loop = Loop(
        journal=MemoryRun(),
        connection=ToyConnection(car, Schedule()),
        person=Nobody(),
        listener=lambda _: None,
        sleep=no_sleep,
    )
    strand = prove(make_pack(), PLAN, survey or make_survey(), CHANGE, "2026-01-01T00:00:00+00:00")
    return asyncio.run(loop.run("prove", strand))


def test_what_is_not_listed_any_more_is_gone() -> None:
    proof = prove_on(lambda _car: None)
    assert proof.proved
    assert [each.verdict for each in proof.faults] == [FaultVerdict.GONE]


@pytest.mark.parametrize("code", [0x22, 0x21, 0x72])
def test_a_unit_that_refuses_to_list_its_codes_proves_nothing(code) -> None:
    proof = prove_on(lambda car: car.refuse.update({(2, 0x19): code}))
    assert [each.verdict for each in proof.faults] == [FaultVerdict.NOT_TESTED]
    assert not proof.proved
    (finding,) = [each for each in proof.findings if each.id == "faults-unread"]
    assert finding.severity is Severity.BLOCKING
    assert finding.where == "two"


def test_a_unit_that_had_no_codes_and_refuses_to_list_them_is_told() -> None:
    proof = prove_on(lambda car: car.refuse.update({(2, 0x19): 0x22}), make_survey(listed=False))
    assert not proof.proved
    assert [each.where for each in proof.findings] == ["two"]


def test_a_unit_that_never_listed_codes_is_told_and_no_obstacle() -> None:
    # There is nothing to compare unit three with.
    proof = prove_on(lambda car: car.refuse.update({(3, 0x19): 0x11}))
    assert proof.proved
    (finding,) = [each for each in proof.findings if each.id == "faults-unread"]
    assert (finding.severity, finding.where) == (Severity.WARNING, "three")
